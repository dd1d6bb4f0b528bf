"""Which readings a follow-up expects, and when: local wall times in, UTC instants out. Pure.

Day 0 is the local date of the last exposure and the last day is whole, so a follow-up ends at a local
midnight and never after a number of hours: 21 days across New York's autumn change are 505 hours.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import Protocol, TypeVar

DAY = timedelta(days=1)
LEAST_TIME_LEFT = timedelta(hours=2)  # a check that closes sooner after the follow-up opened is not planned
# Two zones show dates at most two apart, and a skipped date (Apia 2011) moves an opening by one more.
DATES_AROUND = 3


@dataclass(frozen=True, slots=True)
class Window:
    """A daily span in wall times of the worker's zone. A time earlier than `opens` is on the next date."""

    name: str
    opens: time
    due: time
    closes: time


@dataclass(frozen=True, slots=True)
class PlannedCheck:
    """One expected reading. Instants are UTC, `opens_at` belongs to it and `closes_at` no longer does.

    `day` is the exposure zone's date at the opening, counted from day 0; `window` is the window's name;
    `local_date` is the worker's date that the window was planned for.
    """

    day: int
    window: str
    opens_at: datetime
    due_at: datetime
    closes_at: datetime
    local_date: date


class ImpossibleWindows(ValueError):
    """Windows that no clock can hold. `code` is zoned, no_length, due_outside, overlap or too_close; `window` is
    the one to move."""

    def __init__(self, code: str, window: Window, message: str) -> None:
        super().__init__(message)
        self.code, self.window = code, window


class Instants(Protocol):
    """A check as far as `replan` looks at it: a PlannedCheck or a stored row."""

    @property
    def opens_at(self) -> datetime: ...
    @property
    def due_at(self) -> datetime: ...
    @property
    def closes_at(self) -> datetime: ...


Existing = TypeVar("Existing", bound=Instants)
Planned = TypeVar("Planned", bound=Instants)

DEFAULT_WINDOWS = (
    Window("morning", time(6), time(8), time(10)),
    Window("evening", time(18), time(20), time(22)),
)


def day_zero(last_exposure: datetime, zone: tzinfo) -> date:
    """The local date of the last exposure, from which days are counted. ValueError when it is naive."""
    require_aware(last_exposure)
    return last_exposure.astimezone(zone).date()


def end_of_day(last_day: date, zone: tzinfo) -> datetime:
    """The UTC instant at which `last_day` is over: the first instant of the next local date that exists."""
    midnight = datetime.combine(last_day + DAY, time(), tzinfo=zone)
    end = midnight.astimezone(UTC)
    earliest = midnight.replace(fold=1).astimezone(UTC)
    if earliest >= end:
        return end
    # Midnight is skipped. Both offsets read it, as `earliest` and `end`, and the clock jumps between the two.
    skipped = range(int((end - earliest).total_seconds()))
    jump = bisect_left(
        skipped, True, key=lambda s: (earliest + timedelta(seconds=s)).astimezone(zone).date() > last_day
    )
    return earliest + timedelta(seconds=jump)


def plan(
    last_exposure: datetime,
    opened_at: datetime,
    days: int,
    exposure_zone: tzinfo,
    worker_zone: tzinfo,
    windows: Sequence[Window],
    min_hours: float = 6,
    *,
    first_day: int = 0,
) -> list[PlannedCheck]:
    """The checks that open on day `first_day` to `days` of the exposure zone, in order, never overlapping.

    Left out are those that close less than two hours after `opened_at`. `first_day` may be negative: days
    count from the last exposure, while a measles plan starts five days after the first. `min_hours` is the
    least distance on the clock between two dues.

    ValueError: a naive datetime, `days` below 0, or windows that no clock can hold (see `validate`).
    """
    require_aware(opened_at)
    day_0 = day_zero(last_exposure, exposure_zone)
    if days < 0:
        raise ValueError(f"days is {days}; give 0 or more")
    validate(windows, min_hours)
    dates = range(first_day - DATES_AROUND, days + DATES_AROUND + 1)
    checks = [
        _check(window, day_0, day_0 + DAY * offset, exposure_zone, worker_zone)
        for offset in dates
        for window in sorted(windows, key=lambda window: window.opens)
    ]
    # The days are chosen before cutting: what opens after the last day is no check, so it cuts nothing.
    within = [check for check in checks if first_day <= check.day <= days]
    return [check for check in _cut(within) if check.closes_at - opened_at >= LEAST_TIME_LEFT]


def replan(
    existing: Iterable[Existing], planned: Iterable[Planned], at: datetime, min_hours: float = 6
) -> tuple[list[Existing], list[Planned]]:
    """What turns the standing checks into the new plan: (to withdraw, to add), neither opened by `at`.

    `existing` are the checks not withdrawn; withdraw first, then add. An unopened check that the new plan
    repeats instant for instant stays. A new one that opens before the last opened check closes, or is due
    less than `min_hours` after its due time, is dropped. ValueError when `at` is naive.
    """
    require_aware(at)
    existing = sorted(existing, key=lambda check: check.opens_at)
    opened = [check for check in existing if check.opens_at <= at]
    waiting = [check for check in existing if check.opens_at > at]
    coming = [check for check in planned if check.opens_at > at]
    kept = {_instants(check) for check in waiting} & {_instants(check) for check in coming}
    withdraw = [check for check in waiting if _instants(check) not in kept]
    add = [check for check in coming if _instants(check) not in kept]
    if opened:
        last, apart = opened[-1], timedelta(hours=min_hours)
        add = [c for c in add if c.opens_at >= last.closes_at and c.due_at - last.due_at >= apart]
    return withdraw, add


def validate(windows: Sequence[Window], min_hours: float) -> None:
    """ImpossibleWindows for zoned times, no length, a due outside, overlaps, and dues less than `min_hours` apart."""
    for window in windows:
        if any(wall.tzinfo for wall in (window.opens, window.due, window.closes)):
            raise _impossible("zoned", window, "has a time with a zone; give local wall times")
        if window.opens == window.closes:
            raise _impossible("no_length", window, f"opens and closes at {window.opens}; give it some length")
        if _turn(window.opens, window.due) > _turn(window.opens, window.closes):
            raise _impossible("due_outside", window, "is due outside its own hours; move the due time inside")
    by_opening = sorted(windows, key=lambda window: window.opens)
    for window, free in zip(by_opening, _distances([w.opens for w in by_opening]), strict=True):
        if _turn(window.opens, window.closes) > free:
            raise _impossible("overlap", window, "overlaps the next one; let it close when that opens")
    by_due = sorted(windows, key=lambda window: window.due)
    for window, apart in zip(by_due, _distances([w.due for w in by_due]), strict=True):
        if apart < timedelta(hours=min_hours):
            message = f"is due less than {min_hours} hours before the next one; move a due time"
            raise _impossible("too_close", window, message)


def _impossible(code: str, window: Window, message: str) -> ImpossibleWindows:
    return ImpossibleWindows(code, window, f"window {window.name} {message}")


def require_aware(moment: datetime) -> None:
    """ValueError when `moment` has no zone: guessing one would move the day."""
    if moment.utcoffset() is None:
        raise ValueError(f"{moment.isoformat()} has no time zone; give an aware datetime")


def _instants(check: Instants) -> tuple[datetime, datetime, datetime]:
    return check.opens_at, check.due_at, check.closes_at


def _check(
    window: Window, day_0: date, local_date: date, exposure_zone: tzinfo, worker_zone: tzinfo
) -> PlannedCheck:
    """The window on one date of the worker, not yet cut."""

    def instant(wall: time) -> datetime:
        # fold=0 is what RFC 5545 section 3.3.5 asks for: a skipped wall time is read with the offset before
        # the gap, so it moves forward by the gap; one that occurs twice is its first occurrence.
        on = local_date if wall >= window.opens else local_date + DAY
        return datetime.combine(on, wall.replace(fold=0), tzinfo=worker_zone).astimezone(UTC)

    opens_at = instant(window.opens)
    return PlannedCheck(
        day=(opens_at.astimezone(exposure_zone).date() - day_0).days,
        window=window.name,
        opens_at=opens_at,
        due_at=instant(window.due),
        closes_at=instant(window.closes),
        local_date=local_date,
    )


def _cut(checks: list[PlannedCheck]) -> list[PlannedCheck]:
    """End each check where the next one opens, keep its due time inside, and leave out what has no time left.

    They overlap only where the clock jumps; at a tie (a skipped date lands on the next) the earlier date
    yields.
    """
    ordered = sorted(checks, key=lambda check: (check.opens_at, check.local_date))
    ends = [min(check.closes_at, later.opens_at) for check, later in pairwise(ordered)]
    ends += [check.closes_at for check in ordered[-1:]]
    return [
        replace(check, due_at=min(max(check.due_at, check.opens_at), end), closes_at=end)
        for check, end in zip(ordered, ends, strict=True)
        if end > check.opens_at
    ]


def _distances(walls: list[time]) -> list[timedelta]:
    """From each of the ascending wall times to the next, and from the last to the first of the next day."""
    hands = [_turn(time(), wall) for wall in walls]
    return [later - hand for hand, later in pairwise([*hands, *(hand + DAY for hand in hands[:1])])]


def _turn(start: time, end: time) -> timedelta:
    """How far the clock's hands go from `start` to `end`, less than a day."""
    today = date(2000, 1, 1)
    return (datetime.combine(today, end) - datetime.combine(today, start)) % DAY
