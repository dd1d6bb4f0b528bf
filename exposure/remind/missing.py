"""Readings that have not come: noticed when their window closes, once each.

The instant of closing is a rung of its own, so that noticing needs neither a memory nor a look back, and misses
nothing after an outage however long. What is missing is a line on the call list by being computed so; here it is
decided whether it pages, and by when somebody must have reached the worker.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Max, OuterRef, Q, QuerySet, Subquery
from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.attend.alerts import Raising
from exposure.attend.duties import SILENT
from exposure.attend.models import Alert, Call, Promise
from exposure.classify.assess import criteria_or_none
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, FollowUpState, Reading
from exposure.followup.plans import under_criteria
from exposure.followup.states import PAUSED, died
from exposure.people.models import Worker
from exposure.record import create_many, mark_withdrawn
from exposure.remind.models import Rung

USUAL_SILENCE_HOURS = 48  # where no criteria name another
TWO_WINDOWS = timedelta(
    days=3
)  # how far before a check the one before it opens at the most, on any usual plan


def closed(at: datetime) -> QuerySet[Rung]:
    """Windows that have closed and were not looked at yet, the earliest first."""
    rungs = Rung.objects.select_for_update(skip_locked=True, of=("self",))
    return rungs.filter(withdrawn_at=None, kind=Rung.CLOSED, at__lte=at).order_by("at")


def settle_closed(rungs: Sequence[Rung], at: datetime) -> int:
    """Raise what pages, ask for the calls that silence makes necessary, and take the rungs out."""
    missing = list(_missing([rung.check_row_id for rung in rungs]))
    known = _Known.of(missing, at)
    pages = [
        Raising(
            check.follow_up,
            Alert.Cause.MISSED,
            _("The last reading is missing."),
            check.follow_up.site,
            dated_at=check.closes_at,
        )
        for check in missing
        if known.pages(check)
    ]
    alerts.raise_many(pages, at=at)
    calls = {call.key: call for call in (known.call(check, at) for check in missing)}
    if wanted := _not_asked_yet(calls.values()):
        create_many(Promise, wanted, ignore_conflicts=True)
    mark_withdrawn(Rung.objects.filter(pk__in=[rung.pk for rung in rungs]), at=at)
    return len(pages)


def _missing(check_ids: Sequence[int]) -> Iterator[Check]:
    """Those of the checks that nothing has settled and that counted when their window was open."""
    settled = set(_settled(check_ids))
    checks = Check.objects.filter(pk__in=check_ids, withdrawn_at=None).select_related(
        "follow_up__site", "follow_up__worker"
    )
    unsettled = [check for check in checks.order_by("closes_at", "pk") if check.pk not in settled]
    pauses: dict[int, list[FollowUpState]] = defaultdict(list)
    of = {check.follow_up_id for check in unsettled}
    for state in FollowUpState.objects.filter(follow_up__in=of, kind__in=PAUSED):
        pauses[state.follow_up_id].append(state)
    workers = {check.follow_up.worker_id for check in unsettled}
    dead = set(died().filter(follow_up__worker__in=workers).values_list("follow_up__worker", flat=True))
    for check in unsettled:
        ended_at = check.follow_up.ended_at
        over = (ended_at is not None and ended_at <= check.closes_at) or check.follow_up.worker_id in dead
        if not over and not any(_covers(state, check) for state in pauses[check.follow_up_id]):
            yield check


def _settled(check_ids: Iterable[int]) -> QuerySet:
    fills = Fill.objects.filter(standing_fill(), check_row__in=check_ids)
    return fills.values_list("check_row", flat=True)


def _covers(pause: FollowUpState, check: Check) -> bool:
    """Whether the worker was being evaluated, or in hospital, while the window was open."""
    return pause.from_at < check.closes_at and (pause.until_at is None or pause.until_at > check.opens_at)


@dataclass(frozen=True)
class _Known:
    """What decides about several missing readings, read with a fixed number of statements."""

    before: dict[int, Check]  # check -> the one before it in its follow-up
    settled: frozenset[int]
    highest: dict[int, list[Exposure]]
    alarming: dict[int, bool]  # worker -> whether the last reading was masked or abnormal
    contact: dict[int, datetime]
    returned: dict[int, datetime]
    hours: dict[int, int]

    @classmethod
    def of(cls, missing: Sequence[Check], at: datetime) -> "_Known":
        follow_ups = {check.follow_up_id: check.follow_up for check in missing}
        before = _before(missing)
        last = _last_heard({follow_up.worker_id for follow_up in follow_ups.values()}, at)
        returned = FollowUpState.objects.filter(
            follow_up__in=follow_ups, kind__in=PAUSED, until_at__isnull=False
        )
        highest: dict[int, list[Exposure]] = defaultdict(list)
        for exposure in Exposure.objects.filter(
            follow_up__in=follow_ups, withdrawn_at=None, last_day__isnull=False
        ):
            if exposure.plan.get("highest"):
                highest[exposure.follow_up_id].append(exposure)
        return cls(
            before=before,
            settled=frozenset(_settled([check.pk for check in before.values()])),
            highest=highest,
            alarming={worker: bool(heard.triggers) for worker, heard in last.items()},
            contact={worker: heard.at for worker, heard in last.items() if heard.at is not None},
            returned=dict(returned.values_list("follow_up").annotate(until=Max("until_at"))),
            hours=_silence_hours(follow_ups),
        )

    def pages(self, check: Check) -> bool:
        """The second in a row, or one at the highest tier, or after a masked or abnormal reading."""
        before = self.before.get(check.pk)
        again = before is not None and before.pk not in self.settled
        exposures = self.highest[check.follow_up_id]
        at_highest = any(
            exposure.last_day and exposure.last_day >= check.local_date for exposure in exposures
        )
        return again or at_highest or self.alarming.get(check.follow_up.worker_id, False)

    def call(self, check: Check, at: datetime) -> Promise:
        """Somebody must have reached the worker by the end of the silence that the criteria allow."""
        follow_up = check.follow_up
        heard = [self.contact.get(follow_up.worker_id), self.returned.get(follow_up.pk), follow_up.opened_at]
        since = max(moment for moment in heard if moment is not None)
        hours = self.hours[follow_up.pk]
        return Promise(
            site=follow_up.site,
            worker=follow_up.worker,
            follow_up=follow_up,
            kind=Promise.Kind.CALL,
            key=f"{SILENT} {follow_up.uid.hex[:8]} {since.isoformat()}",
            title=_("No reading and no answered call for %(hours)s hours.") % {"hours": hours},
            asked_at=at,
            due_at=since + timedelta(hours=hours),
            basis=f"{hours}h after contact",
        )


def _before(checks: Sequence[Check]) -> dict[int, Check]:
    """Check -> the check of its follow-up that closed before it."""
    if not checks:
        return {}
    earliest = min(check.closes_at for check in checks) - TWO_WINDOWS
    latest = max(check.closes_at for check in checks)
    around = Check.objects.filter(
        follow_up__in={check.follow_up_id for check in checks},
        withdrawn_at=None,
        opens_at__gt=earliest,
        opens_at__lte=latest,
    )
    of_follow_up: dict[int, list[Check]] = defaultdict(list)
    for check in around.order_by("closes_at", "pk"):
        of_follow_up[check.follow_up_id].append(check)
    found = {}
    for check in checks:
        earlier = [other for other in of_follow_up[check.follow_up_id] if other.closes_at < check.closes_at]
        if earlier:
            found[check.pk] = earlier[-1]
    return found


@dataclass(frozen=True)
class _Heard:
    """When the worker was last heard from, and what the last reading was."""

    at: datetime | None
    triggers: list[str] | None


def _last_heard(workers: Iterable[int], at: datetime) -> dict[int, _Heard]:
    """Worker -> what was heard last, of all records of the person. One probe of an index per record and fact."""
    readings = Reading.objects.filter(worker=OuterRef("pk"), could_not="")
    calls = Call.objects.filter(worker=OuterRef("pk"), answered=True).order_by("-called_at")
    last = readings.filter(taken_at__lte=at, replaced_by=None).order_by("-taken_at", "-pk")
    found: dict[int, list[Worker]] = defaultdict(list)
    records = Worker.objects.annotate(
        read_at=Subquery(readings.order_by("-recorded_at").values("recorded_at")[:1]),
        rung_at=Subquery(calls.values("called_at")[:1]),
        taken_at=Subquery(last.values("taken_at")[:1]),
        triggers=Subquery(last.values("triggers")[:1]),
    )
    workers = list(workers)
    for record in records.filter(pk__in=workers):
        found[record.pk].append(record)
    for record in records.filter(same_as__in=workers):
        found[record.same_as_id].append(record)
    heard = {}
    for worker, rows in found.items():
        moments = [moment for row in rows for moment in (row.read_at, row.rung_at) if moment is not None]
        newest = max(
            (row for row in rows if row.taken_at is not None), key=lambda row: row.taken_at, default=None
        )
        heard[worker] = _Heard(max(moments, default=None), newest.triggers if newest else None)
    return heard


def _silence_hours(follow_ups: Iterable[int]) -> dict[int, int]:
    """Follow-up -> the hours that the criteria of its newest exposure allow."""
    hours = dict.fromkeys(follow_ups, USUAL_SILENCE_HOURS)
    for exposure in under_criteria(Exposure.objects.filter(follow_up__in=list(hours))):
        criteria = criteria_or_none(exposure.criteria_version)
        profile = criteria.profile if criteria else None
        hours[exposure.follow_up_id] = (profile.silence_hours if profile else None) or USUAL_SILENCE_HOURS
    return hours


def _not_asked_yet(calls: Iterable[Promise]) -> list[Promise]:
    """Those of which no promise stands, open or kept."""
    calls = list(calls)
    standing = Promise.objects.filter(
        Q(void_at=None), kind=Promise.Kind.CALL, follow_up__in=[call.follow_up_id for call in calls]
    )
    keys = set(standing.values_list("follow_up", "key"))
    return [call for call in calls if (call.follow_up_id, call.key) not in keys]
