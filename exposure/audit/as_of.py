"""One worker's record as it stood at an instant: what the service knew then, and not what it learned later."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Model, Q

from exposure.audit.belonging import WITHDRAWN, recorded_models, withdrawable, written_once_models
from exposure.audit.history import (
    Entry,
    Wanted,
    actor_names,
    entries_of_person,
    from_rows,
    from_versions,
    rows_of,
    versions_of,
    with_things,
)
from exposure.audit.models import AccessEntry

INSTANT = timedelta(microseconds=1)  # the finest that either database keeps


@dataclass(frozen=True)
class Stood:
    """A row as it stood: what it held (the changes of `entry`, without a before), since when, and by whom."""

    entry: Entry
    who: str


def stood(uid: UUID, *, at: datetime, sites: frozenset[int] | None) -> list[Stood]:
    """Every row about the worker as of `at`, that instant included, in the order of their last change; looks and
    reminder instants are left out. `sites`: as for `history.of_worker`."""
    wanted = Wanted(workers=entries_of_person(uid), sites=sites, until=at + INSTANT)
    entries: list[Entry] = []
    for model in recorded_models():
        entries += from_versions(model, _newest(model, wanted))
    for model in written_once_models():
        if model is not AccessEntry and model.__name__ != "Rung":
            entries += _standing_rows(model, wanted, at)
    entries = with_things(sorted(entries, key=lambda entry: entry.at))
    names = actor_names(entry.actor for entry in entries)
    return [Stood(entry, names.get(entry.actor, "")) for entry in entries]


def _newest(model: type[Model], wanted: Wanted) -> Iterator[Any]:
    """The newest version of each row by then, unless it says that the row was taken out."""
    newest: dict[int, Any] = {}
    for version in versions_of(model, wanted).order_by("history_date", "history_id"):
        newest[version.id] = version
    for version in newest.values():
        if version.history_type != "-":
            version.before_id = None  # all that it held, not what had changed
            yield version


def _standing_rows(model: type[Model], wanted: Wanted, at: datetime) -> Iterator[Entry]:
    rows = rows_of(model, wanted)
    if withdrawable(model):
        rows = rows.filter(Q(**{WITHDRAWN: None}) | Q(**{f"{WITHDRAWN}__gt": at}))
    yield from (entry for entry in from_rows(model, rows) if entry.kind != "withdrawn")
