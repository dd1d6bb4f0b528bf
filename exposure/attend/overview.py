"""Follow-ups as people read them, with a fixed number of statements however many there are."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from fractions import Fraction
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q

from exposure.attend.models import Alert, Call, Promise
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading, Restriction
from exposure.followup.observed import SeenDay, seen_days
from exposure.followup.readings import celsius
from exposure.followup.schedule import end_of_day
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
    """One follow-up as of `at`. `day` is today's day in the exposure's zone (0 is the day of the exposure)."""

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
    seen_days: tuple[SeenDay, ...] = field(repr=False, default=())

    @property
    def day(self) -> int | None:
        """Today, counted from the exposure that gives the last day."""
        if self.last is None:
            return None
        return (self.at.astimezone(ZoneInfo(self.last.zone)).date() - self.last.day_zero).days

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
        if self.last is None or self.last.last_day is None:
            return None
        return end_of_day(self.last.last_day, ZoneInfo(self.last.zone))

    @property
    def unconfirmed(self) -> bool:
        """Whether a clinician has yet to confirm one of the reports behind it."""
        return any(one.unconfirmed for one in self.exposures)

    @property
    def in_force(self) -> Exposure | None:
        """The exposure with the tier in force: the highest among those still inside their days."""
        inside = [one for one in self.exposures if one.last_day is None or self._today(one) <= one.last_day]
        return max(inside, key=_by_tier, default=None)

    def _today(self, exposure: Exposure) -> date:
        return self.at.astimezone(ZoneInfo(exposure.zone)).date()

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
            if one.last_day is not None and self._today(one) <= one.last_day
        )
        return max(asked, default=0)

    @property
    def now_due(self) -> CheckLine | None:
        """The reading to take now: the open one, or one to repeat."""
        return next(
            (
                line
                for line in reversed(self.lines)
                if line.check.opens_at <= self.at and line.state in ("open", "repeat_due")
            ),
            None,
        )

    @property
    def next_line(self) -> CheckLine | None:
        """The next reading that has not opened."""
        return next((line for line in self.lines if line.state == "upcoming"), None)


def overviews(follow_ups: Iterable[FollowUp], *, at: datetime) -> list[Overview]:
    """An overview per follow-up, in the same order."""
    follow_ups = list(follow_ups)
    ids = [one.pk for one in follow_ups]
    workers = [one.worker_id for one in follow_ups]
    standing = Exposure.objects.filter(follow_up__in=ids, withdrawn_at=None)
    exposures = _by("follow_up_id", standing.annotate(unconfirmed=WITHOUT_CONFIRMATION, untold=UNTOLD))
    checks = _by("follow_up_id", Check.objects.filter(follow_up__in=ids, withdrawn_at=None))
    states = {row.follow_up_id: row for row in FollowUpState.objects.filter(follow_up__in=ids, until_at=None)}
    also = dict(Worker.objects.filter(same_as__in=workers).values_list("pk", "same_as"))
    known = [*workers, *also]
    readings = list(Reading.objects.filter(worker__in=known).order_by("taken_at", "id"))
    fills = _newest_fills(ids, readings)
    readings_of = _by_person(readings, also)
    calls_of = _by_person(Call.objects.filter(worker__in=known, answered=True), also)
    alerts = Alert.objects.with_look().filter(closed_at=None)
    of_follow_up = _by("follow_up_id", alerts.filter(follow_up__in=ids))
    of_worker = _by("worker_id", alerts.filter(worker__in=workers))
    of_breach = _by("breach_id", alerts.filter(breach__exposures__follow_up__in=ids).distinct())
    tasks = _by(
        "follow_up_id_",
        Promise.objects.filter(exposure__follow_up__in=ids, kind=Promise.Kind.TASK, void_at=None)
        .select_related("exposure", "kept_by")
        .most_urgent_first(),
    )
    restrictions = _by(
        "follow_up_id_",
        Restriction.objects.filter(exposure__follow_up__in=ids, lifted_at=None, exposure__withdrawn_at=None)
        .select_related("exposure"),
    )  # fmt: skip
    return [
        _overview(
            one,
            at,
            exposures[one.pk],
            _lines(checks[one.pk], fills, readings_of[one.worker_id], at),
            states.get(one.pk),
            [*of_follow_up[one.pk], *of_worker[one.worker_id], *_of_breaches(of_breach, exposures[one.pk])],
            tasks[one.pk],
            restrictions[one.pk],
            readings_of[one.worker_id],
            calls_of[one.worker_id],
        )
        for one in follow_ups
    ]


def overview(follow_up: FollowUp, *, at: datetime) -> Overview:
    """The overview of one follow-up."""
    return overviews([follow_up], at=at)[0]


def _by_tier(exposure: Exposure) -> tuple[bool, bool, int, int]:
    """Readings before none, then the tier's place in its criteria; of equals the newest."""
    plan = exposure.plan
    return exposure.last_day is not None, plan.get("highest", False), plan.get("rank", 0), exposure.pk


def _by(key: str, rows: Iterable) -> dict[int, list]:
    grouped: dict[int, list] = defaultdict(list)
    for row in rows:
        grouped[row.exposure.follow_up_id if key == "follow_up_id_" else getattr(row, key)].append(row)
    return grouped


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


def standing_fill() -> Q:
    """Fills that count: not those of a reading that a later one has replaced."""
    return Q(reading=None) | Q(reading__replaced_by=None)


def _newest_fills(follow_up_ids: Sequence[int], readings: Iterable[Reading]) -> dict[int, Fill]:
    """Check -> the fill that counts. The readings are at hand: fills come without them and are given theirs."""
    at_hand = {reading.pk: reading for reading in readings}
    replaced = {reading.replaces_id for reading in at_hand.values() if reading.replaces_id is not None}
    newest = {}
    for fill in Fill.objects.filter(check_row__follow_up__in=follow_up_ids).order_by("recorded_at", "id"):
        if fill.reading_id in replaced:
            continue
        if fill.reading_id in at_hand:
            fill.reading = at_hand[fill.reading_id]
        newest[fill.check_row_id] = fill
    return newest


def _lines(
    checks: Iterable[Check], fills: Mapping[int, Fill], readings: Iterable[Reading], at: datetime
) -> list[CheckLine]:
    """The checks with what stands against them. A fever or symptom beside the reading that fills one is an alert
    above it all the same."""
    readings = list(readings)
    replaced = {reading.replaces_id for reading in readings}
    of_window: dict[tuple[str, date | None], list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.pk not in replaced:
            of_window[reading.window, reading.local_date].append(reading)
    return [
        _line(check, fills.get(check.pk), of_window.get((check.window, check.local_date), []), at)
        for check in checks
    ]


def _line(check: Check, fill: Fill | None, of_window: Sequence[Reading], at: datetime) -> CheckLine:
    reading = fill.reading if fill else None
    settled = Settled(fill.state, reading.taken_at if reading else None) if fill else None
    alert = any({"fever", "symptom"}.intersection(beside.triggers) for beside in of_window)
    measured = [beside for beside in {reading, *of_window} if beside is not None and beside.value is not None]
    highest = max(measured, key=_celsius_of, default=None)
    return CheckLine(check, check_state(check, settled, at), reading, alert, highest)


def _celsius_of(reading: Reading) -> tuple[Fraction, int]:
    return (celsius(reading.value, reading.unit) if reading.value is not None else Fraction(0)), -reading.pk


def _overview(
    follow_up: FollowUp,
    at: datetime,
    exposures: list[Exposure],
    lines: list[CheckLine],
    state: FollowUpState | None,
    alerts: list[Alert],
    tasks: list[Promise],
    restrictions: list[Restriction],
    readings: list[Reading],
    calls: list[Call],
) -> Overview:
    ending = [one for one in exposures if one.last_day is not None]
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
    return Overview(
        follow_up=follow_up,
        at=at,
        exposures=tuple(exposures),
        last=max(ending, key=lambda one: (one.last_day, one.occurred_at), default=None),
        lines=tuple(lines),
        state=state,
        alerts=tuple(alerts),
        tasks=tuple(tasks),
        restrictions=tuple(restrictions),
        last_reading=taken[-1] if taken else None,
        last_contact_at=max([follow_up.opened_at, *contacts]),
        contacts=tuple(contacts),
        seen_days=tuple(
            seen_days([line.check for line in lines], exposures, taken, opened_at=follow_up.opened_at, at=at)
        ),
    )
