"""Whom to ring: one list of everybody whom only a call helps on, with the number, the last reading and what is next.

Made of the lines of Needs action and of the rows of the monitoring list, so that the three never disagree.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from exposure.attend.models import Alert
from exposure.followup.models import Reading
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.web.nurse import queue
from exposure.web.nurse.call_settles import FIRST
from exposure.web.nurse.deed import anchor_of
from exposure.web.nurse.rows import Row
from exposure.web.templatetags.look import clock

Cause = Alert.Cause
ABOUT = frozenset(
    {
        Cause.CALL_ME,
        Cause.COULD_NOT,
        Cause.LATE_CALL,
        Cause.MISSED,
        Cause.SILENCE,
        Cause.UNREACHABLE,
        Cause.UNTOLD,
        queue.TO_RING,
    }
)
MISSING = frozenset(
    {Cause.MISSED, Cause.SILENCE}
)  # what a line of the queue says of readings that are missing
Rank = tuple[int, datetime]


@dataclass(frozen=True)
class Reason:
    """Why somebody is to be rung: words, by when (None: now)."""

    label: str
    words: str
    rank: Rank
    by: datetime | None = None
    urgent: bool = False
    cause: str = ""


@dataclass(frozen=True)
class ToRing:
    """One person to ring. `row` is their follow-up where one runs; of several the one whose reading is due first."""

    worker: Worker
    site: Site
    reasons: tuple[Reason, ...]
    row: Row | None

    @property
    def anchor(self) -> str:
        return anchor_of(self.worker)

    @property
    def last_reading(self) -> Reading | None:
        return self.row.overview.last_reading if self.row is not None else None

    @property
    def next_at(self) -> datetime | None:
        return self.row.due_at if self.row is not None else None


def to_ring(lines: Iterable[queue.Line], rows: Iterable[Row]) -> list[ToRing]:
    """Everybody to ring, the most urgent first. Both from the same reader at the same instant."""
    reasons: dict[int, list[Reason]] = {}
    people: dict[int, tuple[Worker, Site]] = {}
    of_worker: dict[int, Row] = {}
    for line in lines:
        if line.worker is not None and line.cause in ABOUT and not line.gone and line.group != queue.SEEN:
            people.setdefault(line.worker.pk, (line.worker, line.site))
            reasons.setdefault(line.worker.pk, []).append(_of_line(line))
    for row in sorted(rows, key=_soonest):
        follow_up = row.overview.follow_up
        of_worker.setdefault(follow_up.worker_id, row)
        known = reasons.get(follow_up.worker_id, [])
        added = list(_of_row(row, {reason.cause for reason in known}))
        if added:
            people.setdefault(follow_up.worker_id, (follow_up.worker, follow_up.site))
            reasons.setdefault(follow_up.worker_id, []).extend(added)
    found = [
        ToRing(*people[key], tuple(sorted(of_person, key=lambda reason: reason.rank)), of_worker.get(key))
        for key, of_person in reasons.items()
    ]
    return sorted(found, key=lambda person: (person.reasons[0].rank, person.worker.pk))


def by_telephone(rows: Iterable[Row]) -> list[Row]:
    """The follow-ups of people who are reached by telephone only and of whom readings are asked now: the round."""
    asked = [
        row for row in rows if row.overview.follow_up.worker.phone_only and not (row.paused or row.ended)
    ]
    of_worker: dict[int, Row] = {}
    for row in sorted(asked, key=_soonest):
        if row.due_at is not None:
            of_worker.setdefault(row.overview.follow_up.worker_id, row)
    return sorted(of_worker.values(), key=_soonest)


def _soonest(row: Row) -> tuple[Any, ...]:
    follow_up = row.overview.follow_up
    waits = row.overview.now_due is None
    return waits, row.due_at is None, row.due_at or follow_up.opened_at, follow_up.worker.name, follow_up.pk


def _of_line(line: queue.Line) -> Reason:
    rank = (line.group, line.by or line.since)
    return Reason(line.label, line.why, rank, line.by, line.group == queue.URGENT, line.cause)


def _of_row(row: Row, known: set[str]) -> Iterator[Reason]:
    """What the follow-up itself asks for: a reading that is missing, one that is given by telephone, the first call."""
    view = row.overview
    if row.missing and not row.paused and not known & MISSING:
        closed = max(line.check.closes_at for line in view.lines if line.state == "no_reading")
        words = next(flag.words for flag in row.flags if flag.cause == "missing")
        yield Reason(_("reading missing"), words, (queue.RING, closed))
    due = view.now_due
    if due is not None and view.follow_up.worker.phone_only and not row.paused:
        words = _("Reached by telephone only; until %(time)s.") % {"time": clock(due.check.closes_at)}
        yield Reason(_("reading by telephone"), words, (queue.RING, due.check.closes_at), due.check.closes_at)
    for task in row.open_tasks:
        if task.key == FIRST and task.due_at is not None:
            yield Reason(_("first call"), task.title, (queue.LATE, task.due_at), task.due_at)
