"""What has changed for somebody who was told otherwise: a line asks to tell them, until somebody has.

Of whatever happens in a person's turn, what stood before is compared with what stands after, so that it does not matter
by which road it came: a clinician's tier, a second signature, a corrected time, a withdrawal, a signed end. Whom nobody
has told yet hears it with the first telling; who is spoken with to confirm the report hears it then.
"""

import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Exists, OuterRef, Q
from django.utils.translation import gettext as _

from exposure.attend import promises
from exposure.attend.models import Promise
from exposure.followup.models import Exposure, FollowUp, FollowUpState
from exposure.followup.states import died
from exposure.people.models import Worker
from exposure.report.models import Told

State = FollowUpState.Kind
CHANGE = "change:"  # begins the key of such a telling; what has changed follows, and the uid of its own
TIER, DATES, END = "tier", "dates", "end"
# Ends that nobody has to hear of from us: nobody is there, they know it themselves, or it goes on elsewhere.
NOT_TOLD = frozenset({State.DIED, State.LOST, State.LEFT, State.DECLINED, State.FELL_ILL, State.JOINED})


@dataclass(frozen=True)
class Known:
    """One exposure of which the worker was told, with what they may have heard. `rank`: the place of its tier."""

    follow_up: int
    ended_at: datetime | None
    stands: bool
    corrects: int | None
    confirmed: bool
    rank: int
    day_zero: date
    last_day: date | None


Standing = Mapping[int, Known]  # by exposure


def known_of(workers: Iterable[Worker]) -> Standing:
    """Exposures that somebody has told these workers of; one statement."""
    told = Exists(Told.objects.filter(breach=OuterRef("breach")))
    rows = Exposure.objects.filter(
        Q(breach=None, told_at__isnull=False) | Q(told, breach__isnull=False),
        follow_up__worker__in=[worker.pk for worker in workers],
    ).select_related("follow_up", "breach")
    return {
        row.pk: Known(
            follow_up=row.follow_up_id,
            ended_at=row.follow_up.ended_at,
            stands=row.withdrawn_at is None,
            corrects=row.corrects_id,
            confirmed=row.breach is None or row.breach.confirmed_at is not None,
            rank=row.plan.get("rank", 0),
            day_zero=row.day_zero,
            last_day=row.last_day,
        )
        for row in rows
    }


def ask_to_tell(before: Standing, workers: Iterable[Worker], *, at: datetime) -> None:
    """Ask for a telling of each change since `before`. A later change of the same kind takes the place of one that
    nobody has told yet; an end taken back before anybody has told it needs no telling. Inside the turn."""
    after = known_of(workers) if before else {}
    if after == before:
        return
    changed = dict(_changes(before, after))
    follow_ups = FollowUp.objects.filter(pk__in=changed).select_related("site", "worker")
    dead = set(died().filter(follow_up__worker__in=workers).values_list("follow_up__worker", flat=True))
    for follow_up in follow_ups.order_by("pk"):
        if follow_up.worker_id not in dead:
            _ask(follow_up, *changed[follow_up.pk], at=at)


def _changes(before: Standing, after: Standing) -> Iterator[tuple[int, tuple[str, str]]]:
    """Follow-up -> what has changed, and the words for it."""
    goes_on = {row.corrects: key for key, row in after.items() if row.corrects is not None}
    pairs: dict[int, list[tuple[Known, Known]]] = {}
    for key, was in before.items():
        now = after.get(key)
        while now is not None and not now.stands and key in goes_on:
            key = goes_on[key]
            now = after[key]
        if was.stands and now is not None and was.confirmed == now.confirmed:
            pairs.setdefault(now.follow_up, []).append((was, now))
    for follow_up, rows in pairs.items():
        if change := _change(rows):
            yield follow_up, change


def _change(rows: list[tuple[Known, Known]]) -> tuple[str, str] | None:
    """The one that tells the most: an end, else another tier, else other days."""
    had_ended = all(was.ended_at is not None for was, _now in rows)
    has_ended = rows[0][1].ended_at is not None
    if has_ended:
        return None if had_ended else (END, _("Tell the worker: the follow-up has ended"))
    if had_ended:
        return END, _("Tell the worker: the follow-up goes on")
    if any(not now.stands or now.rank < was.rank for was, now in rows):
        return TIER, _("Tell the worker: the tier was lowered")
    if any(now.rank > was.rank for was, now in rows):
        return TIER, _("Tell the worker: the tier was raised")
    if any((was.day_zero, was.last_day) != (now.day_zero, now.last_day) for was, now in rows):
        return DATES, _("Tell the worker: the dates have changed")
    return None


def _ask(follow_up: FollowUp, what: str, title: str, *, at: datetime) -> None:
    tellings = of_changes().filter(follow_up=follow_up, key__startswith=f"{CHANGE}{what}:", void_at=None)
    standing = list(tellings.order_by("asked_at", "pk"))
    unheard = [promise for promise in standing if promise.kept_at is None]
    if any(promise.asked_at == at and promise.title == title for promise in unheard):
        return  # a turn inside a turn has asked
    promises.drop(unheard, because="replaced", at=at)
    if what == END:
        state = follow_up.states.order_by("from_at", "pk").last()
        if follow_up.ended_at is not None and (state is None or state.kind in NOT_TOLD):
            return
        if follow_up.ended_at is None and (unheard or not standing):
            return  # nobody has told them of an end
    telling = Promise(
        site=follow_up.site,
        worker=follow_up.worker,
        follow_up=follow_up,
        kind=Promise.Kind.TELL,
        key=f"{CHANGE}{what}:{uuid.uuid4()}",
        title=title,
        basis="change",
    )
    promises.ask(telling, at=at)


def of_changes(**which: Any) -> Any:
    """The tellings of changes, kept and void ones too."""
    return Promise.objects.filter(kind=Promise.Kind.TELL, key__startswith=CHANGE, **which)
