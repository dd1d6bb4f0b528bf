"""Who did what, when, why and from where, and who looked: read from the versions and the rows written once.

Each model costs a fixed number of statements, however long the record is; a page of the latest a few over all models.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Field, ForeignKey, Model, OuterRef, Q, QuerySet, Subquery

from exposure.audit import across
from exposure.audit.belonging import (
    WITHDRAWN,
    belongs_to,
    belongs_to_nobody,
    model_named,
    recorded_models,
    withdrawable,
    written_once_models,
)
from exposure.audit.models import AccessEntry
from exposure.record import InsertOnly

KINDS = {"+": "created", "~": "changed", "-": "deleted"}
# Keys, digests, and what stands beside each entry anyway.
NOT_SHOWN = {"id", "uid", "sha256", "body_sha256", "recorded_at", "recorded_by", "origin", "withdrawn_at"}
NAMES = ("full_name", "name", "title", "label", "code", "reference", "email", "type")
SIGNED = ("assessment", "override", "clearance")
LATEST = 200  # rows on a page of the latest


@dataclass(frozen=True)
class Thing:
    """A row: its model's name, its uid (a library's row has none), and what people call it (may be empty)."""

    model: str
    uid: UUID | None
    name: str = ""


@dataclass(frozen=True)
class Change:
    """One field, before and after: None for empty, a Thing for a foreign key, else the value as stored."""

    field: Field
    before: Any
    after: Any


@dataclass(frozen=True)
class Entry:
    """What happened to one row. `kind`: created, changed, deleted, recorded, withdrawn, looked or door (a sign-in)."""

    at: datetime
    actor: str
    origin: str
    why: str
    kind: str
    thing: Thing
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True)
class Operation:
    """What one actor did at one instant from one place. `who` is the person's name, empty for the service itself."""

    at: datetime
    actor: str
    who: str
    origin: str
    why: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class Wanted:
    """Which entries: of an actor, of a kind of row (a model's name), about workers, at sites (primary keys), in
    [since, until), not about a worker."""

    actor: str = ""
    model: str = ""
    workers: frozenset[int] | None = None
    sites: frozenset[int] | None = None
    since: datetime | None = None
    until: datetime | None = None
    except_worker: int | None = None


def of_worker(uid: UUID, sites: frozenset[int] | None = None) -> list[Operation]:
    """One worker's whole record over all models and every look at it, oldest first; of `sites` (primary keys), where
    they are given, only what was recorded there and what belongs to no site.

    What stands under another entry of the same person (`same_as`) is part of it.
    """
    wanted = Wanted(workers=entries_of_person(uid), sites=sites)
    entries: list[Entry] = []
    for model in recorded_models():
        entries += from_versions(model, versions_of(model, wanted))
    for model in written_once_models():
        entries += from_rows(model, rows_of(model, wanted))
    signature = model_named("Signature")
    entries += from_rows(signature, signature.objects.filter(subject__in=_signed(entries)))
    return _operations(entries)


def entries_of_person(uid: UUID) -> frozenset[int]:
    """The worker's entry and those that were found to be of the same person, as primary keys."""
    people = model_named("Worker").objects.filter(Q(uid=uid) | Q(same_as__uid=uid))
    return frozenset(people.values_list("pk", flat=True))


def latest(wanted: Wanted) -> tuple[list[Operation], datetime | None]:
    """The newest changes and looks over all models, newest first, complete back to the instant given with them;
    None: to the beginning.

    Planned readings and reminder instants are left out: they follow from what is listed, and stand in full in the
    worker's record.
    """
    models = [*_of_kind(recorded_models(), wanted), *_of_kind(written_once_models(), wanted)]
    models = [model for model in models if not withdrawable(model)]
    versioned = [not issubclass(model, InsertOnly) for model in models]
    rows = [
        (versions_of if of else rows_of)(model, wanted) for of, model in zip(versioned, models, strict=True)
    ]
    instants = ["history_date" if of else "recorded_at" for of in versioned]
    newest = across.newest(rows, instants, LATEST)
    end = newest[LATEST - 1][2] if len(newest) >= LATEST else None
    counts = Counter(place for place, _key, _at in newest)
    if end is not None and newest[-1][2] == end and max(counts.values()) < LATEST:
        end = None  # these are all
    shown: dict[int, list[Any]] = defaultdict(list)
    for place, key, at in newest:
        if end is None or at >= end:
            shown[place].append(key)
    # Of the oldest instant all, also where one model has more of it than were asked for.
    of_page = {
        place: rows[place].filter(Q(pk__in=keys) | (Q(**{instants[place]: end}) if end else Q(pk__in=())))
        for place, keys in shown.items()
    }
    return _operations(_entries(models, versioned, of_page))[::-1], end


def _entries(
    models: list[type[Model]], versioned: list[bool], of_page: Mapping[int, QuerySet]
) -> list[Entry]:
    """What happened to the rows, by what stood before them; two statements over all models."""
    found = across.read(of_page)
    earlier: dict[int, list[int]] = defaultdict(list)
    for place, _row, before_id in found:
        if before_id is not None:
            earlier[place].append(before_id)
    before = {
        (place, row.pk): row
        for place, row, _none in across.read(
            {
                place: models[place].history.model.objects.filter(pk__in=keys)
                for place, keys in earlier.items()
            }
        )
    }
    entries: list[Entry] = []
    for place, row, before_id in found:
        if versioned[place]:
            entries.append(_of_version(models[place], row, before.get((place, before_id))))
        else:
            entries += from_rows(models[place], [row])
    return entries


def _of_kind(models: Iterable[type[Model]], wanted: Wanted) -> Iterator[type[Model]]:
    return (model for model in models if wanted.model in ("", model.__name__))


def looks_at(uid: UUID) -> QuerySet[AccessEntry]:
    """Who looked at a worker's record, newest first, without their own looks; `user` is loaded."""
    own = model_named("Worker").objects.filter(uid=uid, user__isnull=False).values("user")
    looks = AccessEntry.objects.filter(about=uid).exclude(user__in=own)
    return looks.select_related("user").order_by("-recorded_at", "-pk")


def versions_of(model: type[Model], wanted: Wanted) -> QuerySet:
    """Versions with the key of the one before; of rows that belong to the wanted now or belonged to them then."""
    history = model.history.model
    earlier = history.objects.filter(id=OuterRef("id"), history_id__lt=OuterRef("history_id"))
    versions = history.objects.annotate(
        before_id=Subquery(earlier.order_by("-history_id").values("history_id")[:1])
    )
    now, then = _belonging(model, wanted), _belonging(model, wanted, key="id")
    if now is None or then is None:
        return versions.none()
    if now:
        versions = versions.filter(Q(id__in=model._base_manager.filter(now).values("pk")) | then)
    if wanted.actor:
        versions = versions.filter(history_user_id=wanted.actor)
    return _between(versions, "history_date", wanted).order_by("history_date", "history_id")


def rows_of(model: type[Model], wanted: Wanted) -> QuerySet:
    """Rows written once that belong to the wanted."""
    condition = _belonging(model, wanted)
    if condition is None:
        return model._base_manager.none()
    rows = model._base_manager.filter(condition)
    if wanted.actor:
        rows = rows.filter(recorded_by=wanted.actor)
    return _between(rows, "recorded_at", wanted).order_by("recorded_at", "pk")


def _belonging(model: type[Model], wanted: Wanted, *, key: str = "pk") -> Q | None:
    """The rows of the wanted workers and sites; None where none can be. What has no site is the organisation's."""
    if model is AccessEntry:
        return _belonging_looks(wanted)
    condition = Q()
    if wanted.workers is not None:
        about = belongs_to(model, "Worker", wanted.workers, key=key)
        if about is None:
            return None
        condition &= about
    if wanted.sites is not None and (here := belongs_to(model, "Site", wanted.sites, key=key)) is not None:
        condition &= here | belongs_to_nobody(model, "Site")
    if wanted.except_worker is not None and (own := belongs_to(model, "Worker", [wanted.except_worker])):
        condition &= ~Q(**{f"{key}__in": model._base_manager.filter(own).values("pk")})
    return condition


def _belonging_looks(wanted: Wanted) -> Q:
    workers = model_named("Worker").objects
    condition = Q()
    if wanted.workers is not None:
        condition &= Q(about__in=workers.filter(pk__in=wanted.workers).values("uid"))
    if wanted.sites is not None:
        staff = model_named("User").objects.filter(
            Q(roles__site__in=wanted.sites)
            | Q(roles__isnull=False, roles__site=None)
            | Q(worker__site__in=wanted.sites)
        )
        about = workers.filter(site__in=wanted.sites).values("uid")
        condition &= Q(about=None, user__in=staff.values("pk")) | Q(about__in=about)
    if wanted.except_worker is not None:
        own = workers.filter(pk=wanted.except_worker).values("uid")
        condition &= Q(about=None) | ~Q(about__in=own)
    return condition


def _between(rows: QuerySet, instant: str, wanted: Wanted) -> QuerySet:
    if wanted.since is not None:
        rows = rows.filter(**{f"{instant}__gte": wanted.since})
    if wanted.until is not None:
        rows = rows.filter(**{f"{instant}__lt": wanted.until})
    return rows


def from_versions(model: type[Model], versions: Iterable[Any]) -> Iterator[Entry]:
    versions = list(versions)
    history = model.history.model
    before = history.objects.in_bulk([one.before_id for one in versions if one.before_id])
    for version in versions:
        yield _of_version(model, version, before.get(version.before_id))


def _of_version(model: type[Model], version: Any, before: Any) -> Entry:
    return Entry(
        at=version.history_date,
        actor=version.history_user_id,
        origin=version.origin,
        why=version.history_change_reason,
        kind=KINDS[version.history_type],
        thing=_thing(model, version),
        changes=tuple(_changes(model.history.model.tracked_fields, before, version)),
    )


def from_rows(model: type[Model], rows: Iterable[Any]) -> Iterator[Entry]:
    for row in rows:
        entry = Entry(
            at=row.recorded_at,
            actor=row.recorded_by,
            origin=row.origin,
            why=getattr(row, "reason", ""),
            kind=_kind(row) if model is AccessEntry else "recorded",
            thing=_thing(model, row),
            changes=tuple(_changes(model._meta.concrete_fields, None, row)),
        )
        yield entry
        if withdrawable(model) and row.withdrawn_at is not None:
            # Who withdrew it is not stored with the row: see `_operations`.
            yield replace(entry, at=row.withdrawn_at, actor="", origin="", kind="withdrawn", changes=())


def _kind(look: AccessEntry) -> str:
    return "door" if look.kind in AccessEntry.AT_THE_DOOR else "looked"


def _changes(fields: Iterable[Field], before: Any, after: Any) -> Iterator[Change]:
    for field in fields:
        if field.name in NOT_SHOWN - ({WITHDRAWN} if before is not None else set()):
            continue
        old = getattr(before, field.attname, None)
        new = getattr(after, field.attname)
        if old != new and not (before is None and new in (None, "", [], {})):
            yield Change(field, old, new)


def _thing(model: type[Model], row: Any) -> Thing:
    named = (str(getattr(row, name)) for name in NAMES if getattr(row, name, None))
    return Thing(model.__name__, getattr(row, "uid", None), next(named, ""))


def _signed(entries: Iterable[Entry]) -> list[str]:
    """What a signature on one of these would name as its subject."""
    uids = {entry.thing.uid for entry in entries if entry.thing.model.lower() in SIGNED}
    return [f"{kind}:{uid}" for kind in SIGNED for uid in uids]


def _operations(entries: Iterable[Entry]) -> list[Operation]:
    """Entries of one actor, instant and place together, oldest first.

    A withdrawal names nobody; it belongs to what was done at its instant, where something was.
    """
    entries = with_things(list(entries))
    groups: dict[tuple[datetime, str, str], list[Entry]] = defaultdict(list)
    doers: dict[datetime, tuple[datetime, str, str]] = {}
    for entry in sorted(entries, key=lambda entry: (entry.at, not entry.actor)):
        key = (entry.at, entry.actor, entry.origin)
        key = key if entry.actor else doers.get(entry.at, key)
        doers.setdefault(entry.at, key)
        groups[key].append(entry)
    names = actor_names(actor for _at, actor, _origin in groups)
    return [
        Operation(
            at=at,
            actor=actor,
            who=names.get(actor, ""),
            origin=origin,
            why=" / ".join(dict.fromkeys(entry.why for entry in group if entry.why)),
            entries=tuple(group),
        )
        for (at, actor, origin), group in groups.items()
    ]


def with_things(entries: list[Entry]) -> list[Entry]:
    """The same entries, their foreign keys read: one statement over all models that are pointed to."""
    keys: dict[type[Model], set[int]] = defaultdict(set)
    for change in (change for entry in entries for change in entry.changes):
        if isinstance(change.field, ForeignKey):
            keys[change.field.related_model] |= {change.before, change.after} - {None}
    found = across.names(keys, NAMES)

    def read(field: Field, value: Any) -> Any:
        if not isinstance(field, ForeignKey) or value is None:
            return value
        named = found.get((field.related_model, value))
        return Thing(field.related_model.__name__, *named) if named else None

    return [
        replace(
            entry,
            changes=tuple(
                replace(one, before=read(one.field, one.before), after=read(one.field, one.after))
                for one in entry.changes
            ),
        )
        for entry in entries
    ]


def actor_names(actors: Iterable[str]) -> dict[str, str]:
    """The names of those actors that are people, or devices of a station."""
    accounts = model_named("User").objects.by_actor(actors)
    return {actor: account.full_name for actor, account in accounts.items()}
