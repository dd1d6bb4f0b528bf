"""Promises: asked for, kept, void. Who derives what must be asked is `duties`; here it is stored.

Every function runs inside the caller's transaction and under the worker's turn.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from exposure.attend.models import SUBJECTS, Promise
from exposure.people.models import User
from exposure.record import create_many, update_many

Identity = tuple[Any, ...]
# What follows the plan in force as long as the promise is open.
FOLLOWS = ("worker_id", "site_id", "title", "not_before", "warn_at", "due_at", "basis", "urgent")


def identity(promise: Promise) -> Identity:
    """What the promise is for: subject, kind and key."""
    subject = next(
        ((name, key) for name in SUBJECTS if (key := getattr(promise, f"{name}_id")) is not None),
        ("worker", promise.worker_id),
    )
    return (*subject, promise.kind, promise.key)


def settle(
    standing: Iterable[Promise], wanted: Iterable[Promise], *, at: datetime, because: str
) -> list[Promise]:
    """Bring the stored promises in line with the wanted ones (unsaved rows). What is kept stays kept; an open one takes
    the wanted time and words; one that nobody wants any more is void `because` of that. A wanted one that is kept
    already (its `kept_at` is set) is marked so, and not asked for anew. Returns the open ones."""
    stored = {identity(promise): promise for promise in standing if promise.void_at is None}
    asked, changed, still = [], [], []
    for want in wanted:
        promise = stored.pop(identity(want), None)
        if promise is None:
            if want.kept_at is None:
                asked.append(want)
        elif promise.kept_at is None:
            if _take_over(promise, want, at):
                changed.append(promise)
            if promise.kept_at is None:
                still.append(promise)
    for promise in stored.values():
        if promise.kept_at is None:
            promise.void_at, promise.void_because = at, because
            changed.append(promise)
    if changed:
        update_many(Promise, changed, [*FOLLOWS, *_OUTCOME])
    for want in asked:
        want.asked_at = want.asked_at or at
    return [*still, *(create_many(Promise, asked) if asked else ())]


_OUTCOME = ("kept_at", "kept_by", "void_at", "void_because", "noticed_at", "warned_at")


def _take_over(promise: Promise, want: Promise, at: datetime) -> bool:
    """Whether anything had to be changed."""
    before = [getattr(promise, name) for name in (*FOLLOWS, "kept_at")]
    for name in FOLLOWS:
        setattr(promise, name, getattr(want, name))
    if want.kept_at is not None:
        promise.kept_at, promise.kept_by = want.kept_at, want.kept_by
    if promise.due_at is None or promise.due_at > at:
        promise.noticed_at = None
    if promise.warn_at is None or promise.warn_at > at:
        promise.warned_at = None
    return before != [getattr(promise, name) for name in (*FOLLOWS, "kept_at")]


def ask(promise: Promise, *, at: datetime) -> Promise:
    """Ask for one thing by itself. One that is open already takes the new time; one kept already stays kept."""
    subject = {name: getattr(promise, f"{name}_id") for name in SUBJECTS}
    if not any(subject.values()):
        subject["worker"] = promise.worker_id
    standing = Promise.objects.select_for_update(of=("self",)).filter(
        **subject, kind=promise.kind, key=promise.key, void_at=None
    )
    stored = list(standing)
    settle(stored, [promise], at=at, because="")
    return stored[0] if stored else promise


def keep(promises: Iterable[Promise], *, by: User | None, at: datetime, note: str = "") -> list[Promise]:
    """They are done. Those kept or void already stay as they are."""
    kept = [promise for promise in promises if promise.kept_at is None and promise.void_at is None]
    for promise in kept:
        promise.kept_at, promise.kept_by = at, by
        promise.note = note or promise.note
    if kept:
        update_many(Promise, kept, ["kept_at", "kept_by", "note", "not_applicable"])
    return kept


def drop(promises: Iterable[Promise], *, because: str, at: datetime) -> None:
    """Their cause has ended: they are void. Kept ones stay kept."""
    void = [promise for promise in promises if promise.kept_at is None and promise.void_at is None]
    for promise in void:
        promise.void_at, promise.void_because = at, because
    if void:
        update_many(Promise, void, ["void_at", "void_because"])


def titles(promises: Sequence[Promise]) -> str:
    """All of them in words, each once."""
    return "; ".join(dict.fromkeys(promise.title for promise in promises if promise.title))
