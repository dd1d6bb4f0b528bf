"""Whom to ring: one list of everybody whom only a call helps on, most urgent first.

Made of the lines of Needs action and of what the monitoring list flags, so that the three never disagree. Who stands on
it, and in which order, is asked of the database; what stands beside each is read for those who are shown.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery
from django.utils.translation import gettext as _

from exposure.attend.models import Alert, Promise
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Fill, FollowUp, FollowUpState
from exposure.followup.states import PAUSED
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.web.nurse import waits
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
        waits.TO_RING,
        waits.TO_TELL,
    }
)
MISSING = frozenset(
    {Cause.MISSED, Cause.SILENCE}
)  # what a line of the queue says of readings that are missing


@dataclass(frozen=True)
class Reason:
    """Why somebody is to be rung: words, and by when (None: now). `rank` as in Needs action: group, then instant."""

    label: str
    words: str
    rank: tuple[int, datetime]
    by: datetime | None = None
    urgent: bool = False
    cause: str = ""


@dataclass(frozen=True)
class ToRing:
    """One person to ring, for everything that asks for it."""

    worker: Worker
    site: Site
    reasons: tuple[Reason, ...]

    @property
    def anchor(self) -> str:
        return anchor_of(self.worker)


def to_ring(lines: Iterable[waits.Line], follow_ups: QuerySet[FollowUp], *, at: datetime) -> list[ToRing]:
    """Everybody to ring, the most urgent first: of the lines, and of the follow-ups that run; both those of one reader.
    A fixed number of statements."""
    reasons: dict[int, list[Reason]] = {}
    people: dict[int, tuple[Worker, Site]] = {}
    for line in lines:
        if line.worker is not None and line.cause in ABOUT and not line.gone and line.group != waits.SEEN:
            people.setdefault(line.worker.pk, (line.worker, line.site))
            reasons.setdefault(line.worker.pk, []).append(_of_line(line))
    asking = list(_asking(follow_ups, at))
    sites = Site.objects.in_bulk({follow_up.site_id for follow_up in asking})  # the same few for everybody
    for follow_up in asking:
        known = reasons.setdefault(follow_up.worker_id, [])
        people.setdefault(follow_up.worker_id, (follow_up.worker, sites[follow_up.site_id]))
        known += list(_of_follow_up(follow_up, {reason.cause for reason in known}))
    found = [
        ToRing(*people[key], tuple(sorted(of_person, key=lambda reason: reason.rank)))
        for key, of_person in reasons.items()
        if of_person
    ]
    return sorted(found, key=lambda person: (person.reasons[0].rank, person.worker.pk))


def first_due(rows: Iterable[Row]) -> dict[int, Row]:
    """Worker -> of their follow-ups the one whose reading is due first, those with the earliest first."""
    of_worker: dict[int, Row] = {}
    for row in sorted(rows, key=_soonest):
        of_worker.setdefault(row.overview.follow_up.worker_id, row)
    return of_worker


def by_telephone(rows: Sequence[Row]) -> list[Row]:
    """Of people who are reached by telephone only, those of whom readings are asked: the round, whose is due first."""
    return list(first_due(row for row in rows if row.due_at is not None).values())


def _soonest(row: Row) -> tuple[Any, ...]:
    follow_up = row.overview.follow_up
    waits = row.overview.now_due is None
    return waits, row.due_at is None, row.due_at or follow_up.opened_at, follow_up.worker.name, follow_up.pk


def _asking(follow_ups: QuerySet[FollowUp], at: datetime) -> QuerySet[FollowUp]:
    """The follow-ups with `missing_since` (when the newest reading that has closed went missing), `open_until` (a
    reading that is given by telephone now) or `call_due` (the first call), where any of these is so."""
    checks = Check.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None)
    filled = Fill.objects.filter(standing_fill(), check_row=OuterRef("pk")).exclude(state="repeat_due")
    newest = checks.filter(closes_at__lte=at).order_by("-closes_at", "-pk")[:1]
    missing = Check.objects.filter(~Exists(filled), pk=OuterRef("newest_closed"))
    open_now = checks.filter(~Exists(filled), opens_at__lte=at, closes_at__gt=at).order_by("closes_at")
    calls = Promise.objects.open().filter(
        kind=Promise.Kind.TASK, key=FIRST, exposure__follow_up=OuterRef("pk")
    )
    paused = FollowUpState.objects.filter(follow_up=OuterRef("pk"), until_at=None, kind__in=PAUSED)
    asked = follow_ups.annotate(
        paused=Exists(paused),
        newest_closed=Subquery(newest.values("pk")),
        call_due=Subquery(calls.order_by("due_at").values("due_at")[:1]),
        open_until=Subquery(open_now.values("closes_at")[:1]),
    ).annotate(missing_since=Subquery(missing.values("closes_at")[:1]))
    wanted = Q(paused=False) & (
        Q(missing_since__isnull=False) | Q(open_until__isnull=False, worker__phone_only=True)
    )
    return asked.filter(wanted | Q(call_due__isnull=False)).order_by(
        F("missing_since").asc(nulls_last=True), "pk"
    )


def _of_line(line: waits.Line) -> Reason:
    rank = (line.group, line.by or line.since)
    return Reason(line.label, line.why, rank, line.by, line.group == waits.URGENT, line.cause)


def _of_follow_up(follow_up: Any, known: set[str]) -> Iterator[Reason]:
    """What the follow-up itself asks for, as `_asking` has annotated it."""
    if follow_up.missing_since is not None and not follow_up.paused and not known & MISSING:
        words = _("The last reading is missing.")
        yield Reason(_("reading missing"), words, (waits.RING, follow_up.missing_since))
    until = follow_up.open_until
    if until is not None and follow_up.worker.phone_only and not follow_up.paused:
        words = _("Reached by telephone only; until %(time)s.") % {"time": clock(until)}
        yield Reason(_("reading by telephone"), words, (waits.RING, until), until)
    if follow_up.call_due is not None:
        due = follow_up.call_due
        yield Reason(_("first call"), _("The first call, with its questions."), (waits.LATE, due), due)
