"""So many rows, of as many people, for which the time of one part of a round has come."""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

from exposure.attend.models import Alert, Promise
from exposure.followup.models import Check, FollowUp
from exposure.people.models import Worker
from exposure.pipeline import remind, remove
from exposure.places.models import Protocol
from exposure.record import create_many, insert_many
from exposure.remind import sweep
from exposure.remind.models import Planned, Rung
from tests.cast import MONDAY, Cast, doing

NOW = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
PARTS = {part.name: part for part in (*remind.PARTS, *sweep.PARTS)}


def due(cast: Cast, part: str, count: int) -> list:
    """The rows, in the order in which the part notices them. Inside the time of NOW."""
    with doing("command:tests", at=NOW):
        if part == "unfinished_marks":
            return _marks(cast, count)
        return ROWS[part](cast, _follow_ups(cast, count))


def _follow_ups(cast: Cast, count: int) -> list[FollowUp]:
    named = [
        Worker(site=cast.site, name=f"Person {uuid4().hex[:6]}", email="p@example.org") for _ in range(count)
    ]
    people = create_many(Worker, named)
    rows = [
        FollowUp(site=cast.site, worker=worker, pathogen="ebola", opened_at=MONDAY - 24 * HOUR)
        for worker in people
    ]
    return create_many(FollowUp, rows)


def _rungs(cast: Cast, follow_ups: list[FollowUp], kind: str, opened: timedelta) -> list[Rung]:
    """Each of a check that opened so long ago and stays open for two hours."""
    opens_at = NOW - opened
    checks = [
        Check(
            follow_up=follow_up,
            day=0,
            window="w",
            local_date=opens_at.date(),
            zone="Europe/Lisbon",
            opens_at=opens_at,
            due_at=opens_at + HOUR,
            closes_at=opens_at + 2 * HOUR,
        )
        for follow_up in follow_ups
    ]
    stored = insert_many(Check, checks)
    at = {"opening": opens_at, Rung.CLOSED: opens_at + 2 * HOUR}[kind]
    return insert_many(Rung, [Rung(check_row=check, kind=kind, at=at) for check in stored])


def _promises(cast: Cast, follow_ups: list[FollowUp], **times: datetime) -> list[Promise]:
    rows = [
        Promise(
            site=cast.site,
            worker=follow_up.worker,
            follow_up=follow_up,
            kind=Promise.Kind.TASK,
            key="blood",
            title="Blood taken",
            asked_at=MONDAY,
            **times,
        )
        for follow_up in follow_ups
    ]
    return create_many(Promise, rows)


def _alerts(cast: Cast, follow_ups: list[FollowUp], **told: Any) -> list[Alert]:
    rows = [
        Alert(site=cast.site, follow_up=follow_up, cause="silence", raised_at=NOW, round_at=NOW, **told)
        for follow_up in follow_ups
    ]
    return create_many(Alert, rows)


def _planned(cast: Cast, follow_ups: list[FollowUp]) -> list[Planned]:
    rows = [Planned(follow_up=follow_up, at=NOW - 24 * HOUR) for follow_up in follow_ups]
    return Planned.objects.bulk_create(rows)


def _marks(cast: Cast, count: int) -> list:
    at = NOW - HOUR
    protocol = Protocol.objects.first()
    step = protocol.steps.first()
    marks = []
    for _place in range(count):
        removal = remove.start_removal(
            station=cast.station, protocol=protocol, worker=cast.worker, drill=False, by=cast.observer, at=at
        )
        marks.append(remove.mark_step(removal=removal, step=step, uid=uuid4(), by=cast.observer, at=at))
    return marks


ROWS = {
    "replan": _planned,
    "reminders": lambda cast, follow_ups: _rungs(cast, follow_ups, "opening", HOUR),
    "missed": lambda cast, follow_ups: _rungs(cast, follow_ups, Rung.CLOSED, 3 * HOUR),
    "late": lambda cast, follow_ups: _promises(cast, follow_ups, due_at=NOW),
    "soon": lambda cast, follow_ups: _promises(cast, follow_ups, warn_at=NOW, due_at=NOW + HOUR),
    "pages": _alerts,
    "climbing": lambda cast, follow_ups: _alerts(cast, follow_ups, paged_round=1, climbs_at=NOW),
}
