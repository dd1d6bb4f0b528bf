"""The strip of a follow-up as marks: by calendar date, at the height of the highest reading of each window."""

from collections.abc import Iterable, Mapping
from datetime import date
from zoneinfo import ZoneInfo

from exposure.attend.overview import CheckLine, Overview
from exposure.classify.plan import Profile
from exposure.followup import readings
from exposure.followup.models import Exposure, Reading
from exposure.web.strip import StripMark
from exposure.web.times import window_name

InWindow = tuple[str, date]


def highest_in_windows(rows: Iterable[Reading]) -> dict[InWindow, float]:
    """Name and date of a window -> the highest temperature in it, in degrees Celsius, also where another reading
    filled it. What an amendment has replaced does not count; it must be among the rows."""
    rows = list(rows)
    replaced = {row.replaces_id for row in rows}
    highest: dict[InWindow, float] = {}
    for row in rows:
        if row.value is None or row.pk in replaced:
            continue
        at, value = (row.window, row.local_date), float(readings.celsius(row.value, row.unit))
        highest[at] = max(value, highest.get(at, value))
    return highest


def marks(view: Overview, highest: Mapping[InWindow, float]) -> tuple[StripMark, ...]:
    """A mark per expected reading; the days along the strip count from the first exposure that has any."""
    counting = [one for one in view.exposures if one.last_day is not None]
    if view.last is None or not counting:
        return ()
    zone, origin = ZoneInfo(view.last.zone), min(one.day_zero for one in counting)
    return tuple(_mark(line, highest, counting, zone, origin) for line in view.lines)


def counts_of(on: date, exposures: Iterable[Exposure]) -> tuple[tuple[date, int], ...]:
    """(Day 0, day n) of each exposure whose days the date lies in, the oldest first."""
    inside = {
        one.day_zero: (on - one.day_zero).days
        for one in exposures
        if one.last_day is not None and one.day_zero <= on <= one.last_day
    }
    return tuple(sorted(inside.items()))


def limit_of(profile: Profile | None) -> float:
    """The usual fever limit in degrees Celsius, for the thin line of the strip."""
    fever = (profile or readings.USUAL_PROFILE).fever["default"]
    return float(readings.celsius(fever.limit, fever.unit))


def _mark(
    line: CheckLine, highest: Mapping[InWindow, float], counting: list[Exposure], zone: ZoneInfo, origin: date
) -> StripMark:
    check, reading = line.check, line.reading
    value = highest.get((check.window, check.local_date))
    if value is None and reading is not None and reading.value is not None:
        value = float(readings.celsius(reading.value, reading.unit))
    on = check.opens_at.astimezone(zone).date()
    return StripMark(
        window_name(check.window),
        line.state,
        value,
        line.alert,
        (on - origin).days,
        on,
        counts_of(on, counting),
    )
