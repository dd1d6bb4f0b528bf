"""Whether somebody saw the readings: a plan may ask that so many a day are taken in front of a named person."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from exposure.followup.models import Check, Exposure, Reading


@dataclass(frozen=True)
class SeenDay:
    """One local day of the worker. `asked`: how many readings the plan wants seen; `by`: who saw one, in the order
    of the readings; `over`: no reading of that day is to come or open."""

    on: date
    asked: int
    by: tuple[str, ...]
    over: bool

    @property
    def enough(self) -> bool:
        return len(self.by) >= self.asked


def seen_days(
    checks: Iterable[Check],
    exposures: Sequence[Exposure],
    readings: Iterable[Reading],
    *,
    opened_at: datetime,
    at: datetime,
) -> list[SeenDay]:
    """The days so far on which the plan asks for it, oldest first. `checks` and `exposures` are the standing ones of
    one follow-up, `readings` the worker's that count. Where a plan names no instant since when it asks, it
    is `opened_at`.
    """
    asking = [one for one in exposures if one.plan.get("observed_per_day")]
    if not asking:
        return []
    by_day: dict[date, list[Check]] = defaultdict(list)
    for check in checks:
        by_day[check.local_date].append(check)
    names: dict[date, list[str]] = defaultdict(list)
    for reading in readings:
        if reading.observed_by:
            names[reading.local_date].append(reading.observed_by)
    return [
        SeenDay(day, asked, tuple(names[day]), over=all(check.closes_at <= at for check in expected))
        for day, expected in sorted(by_day.items())
        if expected[0].opens_at <= at and (asked := _asked(expected, asking, opened_at))
    ]


def _asked(expected: Sequence[Check], asking: Iterable[Exposure], opened_at: datetime) -> int:
    """The most that one of the exposures asks of these readings of one day; none that opened before it asked."""
    return max(
        (
            exposure.plan["observed_per_day"]
            for exposure in asking
            if any(_asks(exposure, check, opened_at) for check in expected)
        ),
        default=0,
    )


def _asks(exposure: Exposure, check: Check, opened_at: datetime) -> bool:
    since = exposure.plan.get("observed_since")
    on = check.opens_at.astimezone(ZoneInfo(exposure.zone)).date()
    inside = exposure.last_day is not None and exposure.day_zero <= on <= exposure.last_day
    return inside and check.opens_at >= (datetime.fromisoformat(since) if since else opened_at)
