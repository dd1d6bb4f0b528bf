"""Hypothesis strategies: zones, moments around the jumps of their clocks from 2026 to 2036, and windows."""

from datetime import UTC, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from hypothesis import strategies as st

from exposure.followup.schedule import Window

# One of each kind: an hour (both hemispheres), Dublin's negative summer time, 30 minutes, two hours, a change
# at midnight, one undone within a month, odd offsets, none at all, and the two ends of the world's dates.
KINDS = [
    "America/New_York",
    "Europe/London",
    "Europe/Dublin",
    "Australia/Lord_Howe",
    "Antarctica/Troll",
    "America/Santiago",
    "America/Havana",
    "Asia/Beirut",
    "Africa/Cairo",
    "Africa/Casablanca",
    "America/Nuuk",
    "Pacific/Easter",
    "Pacific/Chatham",
    "Asia/Kathmandu",
    "America/Phoenix",
    "Pacific/Apia",
    "Pacific/Kiritimati",
    "Etc/GMT+12",
]
START, END = datetime(2026, 1, 1, tzinfo=UTC), datetime(2037, 1, 1, tzinfo=UTC)
STEP = timedelta(days=7)


@cache
def transitions(name: str) -> list[datetime]:
    """The UTC instants, to the second, at which the zone's offset changes between START and END."""
    zone, found, before = ZoneInfo(name), [], START
    while before < END:
        low, high = before, before + STEP
        if low.astimezone(zone).utcoffset() != high.astimezone(zone).utcoffset():
            while high - low > timedelta(seconds=1):
                middle = (low + (high - low) / 2).replace(microsecond=0)
                same = middle.astimezone(zone).utcoffset() == low.astimezone(zone).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            found.append(high)
        before += STEP
    return found


zone_names = st.sampled_from(KINDS) | st.sampled_from(sorted(available_timezones()))
zones = zone_names.map(ZoneInfo)


@st.composite
def zones_and_moments(draw: st.DrawFn) -> tuple[ZoneInfo, datetime]:
    """A zone and a UTC instant up to four weeks before one of its jumps, or any instant where it has none."""
    name = draw(zone_names)
    jumps = transitions(name)
    anchor = draw(
        st.sampled_from(jumps) if jumps else st.datetimes(datetime(2026, 2, 1), datetime(2036, 12, 1))
    )
    back = timedelta(minutes=draw(st.integers(-120, 28 * 24 * 60)))
    return ZoneInfo(name), anchor.replace(tzinfo=UTC) - back


@st.composite
def any_windows(draw: st.DrawFn) -> list[Window]:
    """One to three windows anywhere on the clock, also across midnight and in the hours that clocks skip."""
    count = draw(st.integers(1, 3))
    edges = sorted(draw(st.sets(st.integers(0, 24 * 60 - 1), min_size=2 * count, max_size=2 * count)))
    if draw(st.booleans()):
        edges = [*edges[1:], edges[0]]
    windows = []
    for number, (opens, closes) in enumerate(zip(edges[::2], edges[1::2], strict=True)):
        due = opens + draw(st.integers(0, (closes - opens) % (24 * 60)))
        walls = (time(minute // 60 % 24, minute % 60) for minute in (opens, due, closes))
        windows.append(Window(f"w{number}", *walls))
    return windows
