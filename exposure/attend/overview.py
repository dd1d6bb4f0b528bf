"""Follow-ups as people read them, with a fixed number of statements however many there are."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery

from exposure.attend.models import Alert, Call, Promise
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading, Restriction
from exposure.followup.observed import SeenDay, seen_days
from exposure.followup.readings import celsius
from exposure.followup.schedule import end_of_day
from exposure.followup.states import PAUSED
from exposure.followup.status import Settled, check_state
from exposure.people.models import Worker

# That a person has yet to tell the worker: of the report, or of the exposure that no report led to.
UNTOLD = Exists(
    Promise.objects.open().filter(
        Q(exposure=OuterRef("pk")) | Q(breach=OuterRef("breach")), kind=Promise.Kind.TELL
    )
)
WITHOUT_CONFIRMATION = Q(breach__isnull=False, breach__confirmed_at=None)


@dataclass(frozen=True)
class CheckLine:
    """One expected reading as of a moment: its state and, where it was answered, the reading. `highest` is the highest
    of its window, which need not be the one that answered it."""

    check: Check
    state: str
    reading: Reading | None
    alert: bool
    highest: Reading | None = None


@dataclass(frozen=True)
class Overview:
    """One follow-up as of `at`. `day` is today's day in the exposure's zone (0 is the day of the exposure); `attended`
    are the spans, from and until, in which clinicians had the worker, evaluating or in hospital."""

    follow_up: FollowUp
    at: datetime
    exposures: tuple[Exposure, ...]
    last: Exposure | None
    lines: tuple[CheckLine, ...]
    state: FollowUpState | None
    alerts: tuple[Alert, ...]
    tasks: tuple[Promise, ...]
    restrictions: tuple[Restriction, ...]
    last_reading: Reading | None
    last_contact_at: datetime
    contacts: tuple[datetime, ...] = field(repr=False, default=())
    attended: tuple[tuple[datetime, datetime], ...] = field(repr=False, default=())
    seen_days: tuple[SeenDay, ...] = field(repr=False, default=())

    @property
    def day(self) -> int | None:
        """Today, counted from the exposure that gives the last day."""
        return day_of(self.last, self.at)

    @property
    def days(self) -> int | None:
        """How many days the follow-up has."""
        return (self.last.last_day - self.last.day_zero).days if self.last and self.last.last_day else None

    @property
    def last_day(self) -> date | None:
        return self.last.last_day if self.last else None

    @property
    def ends_at(self) -> datetime | None:
        """The instant at which the last day is over in the exposure's zone."""
        return end_of(self.last)

    @property
    def paused(self) -> bool:
        """Whether the worker is being evaluated, or in hospital."""
        return self.state is not None and self.state.kind in PAUSED

    @property
    def untold(self) -> bool:
        """Whether somebody has yet to tell the worker of one of the exposures."""
        return any(exposure.untold for exposure in self.exposures)

    @property
    def unconfirmed(self) -> bool:
        """Whether a clinician has yet to confirm one of the reports behind it."""
        return any(one.unconfirmed for one in self.exposures)

    @property
    def in_force(self) -> Exposure | None:
        """The exposure with the tier in force: the highest among those still inside their days."""
        return in_force_of(self.exposures, self.at)

    @property
    def local_date(self) -> date | None:
        """Today where the worker's readings are; None where there are none."""
        opened = [line.check for line in self.lines if line.check.opens_at <= self.at]
        nearest = opened[-1] if opened else next((line.check for line in self.lines), None)
        return self.at.astimezone(ZoneInfo(nearest.zone)).date() if nearest else None

    @property
    def observed_per_day(self) -> int:
        """How many readings a day the plan asks somebody to see, today."""
        asked = (
            one.plan.get("observed_per_day", 0)
            for one in self.exposures
            if one.last_day is not None and _today(one, self.at) <= one.last_day
        )
        return max(asked, default=0)

    @property
    def now_due(self) -> CheckLine | None:
        """The reading to take now: the open one, or one to repeat, which can be until the next opens."""
        opened = next((line for line in reversed(self.lines) if line.check.opens_at <= self.at), None)
        return opened if opened is not None and opened.state in ("open", "repeat_due") else None

    @property
    def next_line(self) -> CheckLine | None:
        """The next reading that has not opened."""
        return next((line for line in self.lines if line.state == "upcoming"), None)


@dataclass(frozen=True)
class Shown:
    """What a list shows of each: the checks that open from `since` to `until`, their readings, and the newest reading.
    Tasks are those that wait; `contacts` is left empty."""

    since: datetime
    until: datetime


def overviews(follow_ups: Iterable[FollowUp], *, at: datetime, shown: Shown | None = None) -> list[Overview]:
    """An overview per follow-up, in the same order; with `shown`, of so much only, its rows plain values."""
    follow_ups = list(follow_ups)
    ids = [one.pk for one in follow_ups]
    workers = [one.worker_id for one in follow_ups]
    standing = Exposure.objects.filter(follow_up__in=ids, withdrawn_at=None)
    exposures = _by("follow_up_id", standing.annotate(unconfirmed=WITHOUT_CONFIRMATION, untold=UNTOLD))
    at_hand = {one.pk: one for own in exposures.values() for one in own}
    now_or_paused = Q(until_at=None) | Q(kind__in=PAUSED)
    states_of = _by("follow_up_id", FollowUpState.objects.filter(now_or_paused, follow_up__in=ids))
    also = dict(Worker.objects.filter(same_as__in=workers).values_list("pk", "same_as"))
    known = [*workers, *also]
    checks: QuerySet = Check.objects.filter(follow_up__in=ids, withdrawn_at=None)
    readings: QuerySet = Reading.objects.filter(worker__in=known).order_by("taken_at", "id")
    fills: QuerySet = Fill.objects.filter(check_row__follow_up__in=ids).order_by("recorded_at", "id")
    tasks = Promise.objects.filter(
        exposure__follow_up__in=ids, kind=Promise.Kind.TASK, void_at=None
    ).select_related("kept_by", "held_by")
    calls = Call.objects.filter(worker__in=known, answered=True)
    if shown is not None:
        checks, readings, fills = _only_shown(shown, checks, readings, fills, known, at)
        tasks, calls = tasks.filter(kept_at=None), calls.none()
    read = list(readings)
    answers = _answers(fills, read)
    checks_of, readings_of, calls_of = (
        _by("follow_up_id", checks),
        _by_person(read, also),
        _by_person(calls, also),
    )
    alerts = Alert.objects.with_look().filter(closed_at=None).select_related("held_by")
    of_follow_up = _by("follow_up_id", alerts.filter(follow_up__in=ids))
    of_worker = _by("worker_id", alerts.filter(worker__in=workers))
    of_breach = _by("breach_id", alerts.filter(breach__exposures__follow_up__in=ids).distinct())
    tasks_of = _by("follow_up_id_", _with_exposures(tasks.most_urgent_first(), at_hand))
    holding = Restriction.objects.filter(
        exposure__follow_up__in=ids, lifted_at=None, exposure__withdrawn_at=None
    )
    restrictions = _by("follow_up_id_", _with_exposures(holding, at_hand))
    return [
        _overview(
            one,
            at,
            exposures[one.pk],
            _lines(checks_of[one.pk], answers, readings_of[one.worker_id], at),
            states_of[one.pk],
            [*of_follow_up[one.pk], *of_worker[one.worker_id], *_of_breaches(of_breach, exposures[one.pk])],
            tasks_of[one.pk],
            restrictions[one.pk],
            readings_of[one.worker_id],
            calls_of[one.worker_id],
        )
        for one in follow_ups
    ]


CHECK_SHOWN = (
    "pk",
    "follow_up_id",
    "window",
    "local_date",
    "zone",
    "opens_at",
    "due_at",
    "closes_at",
    "withdrawn_at",
)
READING_SHOWN = ("pk", "worker_id", "taken_at", "recorded_at", "value", "unit", "method", "could_not", "replaces_id",
                 "window", "local_date", "triggers", "observed_by")  # fmt: skip
FILL_SHOWN = ("check_row_id", "reading_id", "state")


def _only_shown(
    shown: Shown, checks: QuerySet, readings: QuerySet, fills: QuerySet, known: Sequence[int], at: datetime
) -> tuple[QuerySet, QuerySet, QuerySet]:
    inside = {"opens_at__gte": shown.since, "opens_at__lte": shown.until}
    counts = Reading.objects.filter(
        worker=OuterRef("pk"), could_not="", replaced_by=None, taken_at__lte=at
    ).order_by("-taken_at", "-pk")
    newest = Worker.objects.filter(pk__in=known).values(key=Subquery(counts.values("pk")[:1]))
    return (
        checks.filter(**inside).values_list(*CHECK_SHOWN, named=True),
        readings.filter(Q(taken_at__gte=shown.since) | Q(pk__in=newest)).values_list(*READING_SHOWN, named=True),
        fills.filter(**{f"check_row__{name}": value for name, value in inside.items()})
        .values_list(*FILL_SHOWN, named=True),
    )  # fmt: skip


def overview(follow_up: FollowUp, *, at: datetime) -> Overview:
    """The overview of one follow-up."""
    return overviews([follow_up], at=at)[0]


def last_of(exposures: Iterable[Any]) -> Any:
    """The exposure that gives the last day; of several, the one with the latest contact. None: no readings."""
    ending = (one for one in exposures if one.last_day is not None)
    return max(ending, key=lambda one: (one.last_day, one.occurred_at), default=None)


def in_force_of(exposures: Iterable[Any], at: datetime) -> Any:
    """The exposure with the highest tier among those still inside their days; None: there is none."""
    inside = (one for one in exposures if one.last_day is None or _today(one, at) <= one.last_day)
    return max(inside, key=_by_tier, default=None)


def day_of(last: Any, at: datetime) -> int | None:
    """Which day it is, counted from that exposure; None without one."""
    return None if last is None else (_today(last, at) - last.day_zero).days


def end_of(last: Any) -> datetime | None:
    """The instant at which the last day of that exposure is over; None without one."""
    if last is None or last.last_day is None:
        return None
    return end_of_day(last.last_day, ZoneInfo(last.zone))


def _today(exposure: Any, at: datetime) -> date:
    return at.astimezone(ZoneInfo(exposure.zone)).date()


def _by_tier(exposure: Any) -> tuple[bool, bool, int, int]:
    """Readings before none, then the tier's place in its criteria; of equals the newest."""
    plan = exposure.plan
    return exposure.last_day is not None, plan.get("highest", False), plan.get("rank", 0), exposure.pk


def _by(key: str, rows: Iterable) -> dict[int, list]:
    grouped: dict[int, list] = defaultdict(list)
    for row in rows:
        grouped[row.exposure.follow_up_id if key == "follow_up_id_" else getattr(row, key)].append(row)
    return grouped


def _with_exposures(rows: Iterable[Any], at_hand: Mapping[int, Exposure]) -> Iterable[Any]:
    """The rows with their exposures, which are at hand, but for those of a withdrawn one."""
    rows = list(rows)
    lacking = {row.exposure_id for row in rows} - at_hand.keys()
    known = {**at_hand, **Exposure.objects.in_bulk(lacking)} if lacking else at_hand
    for row in rows:
        row.exposure = known[row.exposure_id]
    return rows


def _by_person(rows: Iterable, also: Mapping[int, int]) -> dict[int, list]:
    """Worker -> rows, those of a worker who proved to be the same person among them."""
    grouped: dict[int, list] = defaultdict(list)
    for row in rows:
        grouped[also.get(row.worker_id, row.worker_id)].append(row)
    return grouped


def _of_breaches(alerts: dict[int, list[Alert]], exposures: Iterable[Exposure]) -> list[Alert]:
    """Open alerts about the reports behind the exposures, each once."""
    breaches = dict.fromkeys(one.breach_id for one in exposures if one.breach_id is not None)
    return [alert for breach in breaches for alert in alerts[breach]]


@dataclass(frozen=True, slots=True)
class Answer:
    """What stands against a check: the state of the fill that counts, and its reading (None: an excuse)."""

    state: str
    reading: Any


def _answers(fills: Iterable[Any], readings: Iterable[Any]) -> dict[int, Answer]:
    """Check -> its answer. The fills come in their order, without their readings: those are at hand, but for one that
    was entered for another than the worker."""
    fills = list(fills)
    at_hand = {reading.pk: reading for reading in readings}
    lacking = {fill.reading_id for fill in fills if fill.reading_id is not None} - at_hand.keys()
    if lacking:
        at_hand |= Reading.objects.filter(replaced_by=None).in_bulk(lacking)
    replaced = {reading.replaces_id for reading in at_hand.values() if reading.replaces_id is not None}
    return {
        fill.check_row_id: Answer(fill.state, at_hand.get(fill.reading_id))
        for fill in fills
        if fill.reading_id not in replaced
    }


def _lines(
    checks: Iterable[Any], answers: Mapping[int, Answer], readings: Iterable[Any], at: datetime
) -> list[CheckLine]:
    """The checks with what stands against them. A fever or symptom beside the reading that fills one is an alert
    above it all the same; one outside every window stands with the nearest check of its day."""
    checks, readings = list(checks), list(readings)
    replaced = {reading.replaces_id for reading in readings}
    windows = {(check.window, check.local_date) for check in checks}
    of_window: dict[tuple[str, date | None], list[Any]] = defaultdict(list)
    for reading in readings:
        if reading.pk in replaced:
            continue
        window = reading.window, reading.local_date
        of_window[window if window in windows else _nearest(checks, reading)].append(reading)
    return [
        _line(check, answers.get(check.pk), of_window.get((check.window, check.local_date), []), at)
        for check in checks
    ]


def _nearest(checks: Iterable[Any], reading: Any) -> tuple[str, date | None]:
    """Window and date of the check next to the reading on its day; of none, where there is none on that day."""
    taken = reading.taken_at
    if taken is None:
        return "", None
    own_day = [check for check in checks if check.local_date == taken.astimezone(ZoneInfo(check.zone)).date()]
    nearest = min(own_day, key=lambda check: abs(check.opens_at - taken), default=None)
    return (nearest.window, nearest.local_date) if nearest is not None else ("", None)


def _line(check: Any, answer: Answer | None, of_window: Sequence[Any], at: datetime) -> CheckLine:
    reading = answer.reading if answer else None
    settled = Settled(answer.state, reading.taken_at if reading else None) if answer else None
    alert = any({"fever", "symptom"}.intersection(beside.triggers) for beside in of_window)
    beside = {one.pk: one for one in (reading, *of_window) if one is not None and one.value is not None}
    highest = max(beside.values(), key=_celsius_of, default=None)
    return CheckLine(check, check_state(check, settled, at), reading, alert, highest)


def _celsius_of(reading: Reading) -> tuple[Fraction, int]:
    return (celsius(reading.value, reading.unit) if reading.value is not None else Fraction(0)), -reading.pk


def _overview(
    follow_up: FollowUp,
    at: datetime,
    exposures: list[Exposure],
    lines: list[CheckLine],
    states: list[FollowUpState],
    alerts: list[Alert],
    tasks: list[Promise],
    restrictions: list[Restriction],
    readings: list[Reading],
    calls: list[Call],
) -> Overview:
    replaced = {one.replaces_id for one in readings}
    taken = [
        reading
        for reading in readings
        if not reading.could_not
        and reading.taken_at
        and reading.taken_at <= at
        and reading.pk not in replaced
    ]
    answers = [one.recorded_at for one in readings if not one.could_not]
    contacts = sorted([*answers, *(call.called_at for call in calls)])
    pauses = [state for state in states if state.kind in PAUSED]
    returned = [state.until_at for state in pauses if state.until_at is not None]
    return Overview(
        follow_up=follow_up,
        at=at,
        exposures=tuple(exposures),
        last=last_of(exposures),
        lines=tuple(lines),
        state=next((state for state in states if state.until_at is None), None),
        alerts=tuple(alerts),
        tasks=tuple(tasks),
        restrictions=tuple(restrictions),
        last_reading=taken[-1] if taken else None,
        last_contact_at=max([follow_up.opened_at, *contacts, *returned]),
        contacts=tuple(contacts),
        attended=tuple((state.from_at, state.until_at or at) for state in pauses),
        seen_days=tuple(
            seen_days(
                [line.check for line in lines if line.state != "excused"],
                exposures,
                taken,
                opened_at=follow_up.opened_at,
                at=at,
            )
        ),
    )
