"""The schedule against the calendar, the clock and every kind of zone."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from exposure.followup.schedule import DEFAULT_WINDOWS, Window, day_zero, end_of_day, plan
from tests.followup.strategies import any_windows, zones, zones_and_moments

NEW_YORK = ZoneInfo("America/New_York")
LISBON = ZoneInfo("Europe/Lisbon")
APIA = ZoneInfo("Pacific/Apia")
HOUR = timedelta(hours=1)


def local(zone: tzinfo, *wall: int) -> datetime:
    return datetime(*wall, tzinfo=zone)


def planned(zone, last_exposure, days, windows=DEFAULT_WINDOWS, opened_at=None, **options):
    """A plan for somebody who stays in the zone of the exposure and whose follow-up opens with it."""
    return plan(last_exposure, opened_at or last_exposure, days, zone, zone, windows, **options)


def instant_of(wall: datetime, zone: tzinfo) -> datetime:
    """RFC 5545 section 3.3.5 by trial: the first instant at which the zone's clock shows `wall`, and where it
    never does, the instant it would have had by the clock in use before the jump."""
    around = [wall.replace(tzinfo=UTC) + timedelta(hours=hours) for hours in range(-50, 51)]
    offsets = {moment.astimezone(zone).utcoffset() for moment in around}
    tried = sorted((wall - offset).replace(tzinfo=UTC) for offset in offsets)
    showing = [moment for moment in tried if moment.astimezone(zone).replace(tzinfo=None) == wall]
    if showing:
        return showing[0]
    before = (tried[0] - timedelta(seconds=1)).astimezone(zone).utcoffset()
    return (wall - before).replace(tzinfo=UTC)


# Days: the calendar.


@pytest.mark.parametrize(
    ("last_exposure", "days", "last_day", "because"),
    [
        ((2024, 10, 8, 14), 21, date(2024, 10, 29), "21 days (CDC and WHO, Ebola and Marburg)"),
        ((2024, 2, 10, 14), 21, date(2024, 3, 2), "a leap year has 29 February"),
        ((2023, 2, 10, 14), 21, date(2023, 3, 3), "another year has not"),
        (
            (2026, 6, 1, 14),
            14,
            date(2026, 6, 15),
            "14 days, Crimean-Congo (CDC interim guidance, 31 March 2023)",
        ),
        ((2026, 12, 20, 14), 21, date(2027, 1, 10), "the year changes"),
    ],
)
def test_the_last_day_is_counted_from_the_date_of_the_last_exposure(last_exposure, days, last_day, because):
    checks = planned(LISBON, local(LISBON, *last_exposure), days)
    assert (checks[-1].local_date, checks[-1].day, checks[-1].window) == (last_day, days, "evening"), because


def test_measles_runs_from_day_5_of_the_first_exposure_to_day_21_of_the_last():
    """First 1 June, last 4 June: out of work 6 to 25 June (CDC, Infection control in healthcare personnel:
    measles, 2024: from the 5th day after the first exposure to the 21st after the last)."""
    first, last = local(LISBON, 2026, 6, 1, 9), local(LISBON, 2026, 6, 4, 9)
    first_day = (day_zero(first, LISBON) + timedelta(days=5) - day_zero(last, LISBON)).days
    checks = planned(LISBON, last, 21, opened_at=first, first_day=first_day)
    assert (checks[0].local_date, checks[0].day) == (date(2026, 6, 6), 2)
    assert checks[-1].local_date == date(2026, 6, 25)
    assert len(checks) == 2 * 20


def test_the_first_day_may_lie_before_the_last_exposure():
    first, last = local(LISBON, 2026, 6, 1, 9), local(LISBON, 2026, 6, 12, 9)
    checks = planned(LISBON, last, 21, opened_at=first, first_day=-6)
    assert (checks[0].local_date, checks[0].day) == (date(2026, 6, 6), -6)


def test_days_1_to_21_with_two_windows_are_42_checks():
    checks = planned(LISBON, local(LISBON, 2026, 6, 1, 9), 21, first_day=1)
    assert len(checks) == 42
    assert [check.window for check in checks] == ["morning", "evening"] * 21


def test_an_exposure_late_in_the_evening_keeps_its_local_date():
    """23:30 in New York is already the next date in UTC."""
    late = local(NEW_YORK, 2026, 6, 1, 23, 30)
    assert day_zero(late.astimezone(UTC), NEW_YORK) == date(2026, 6, 1)
    assert planned(NEW_YORK, late.astimezone(UTC), 1)[0].local_date == date(2026, 6, 2)


def test_21_local_days_over_the_autumn_change_in_new_york_are_505_hours():
    """The change is on 1 November 2026 (IANA time zone database)."""
    day_0 = date(2026, 10, 20)
    length = end_of_day(day_0 + timedelta(days=21), NEW_YORK) - end_of_day(day_0, NEW_YORK)
    assert length == 505 * HOUR


def test_21_local_days_over_the_spring_change_in_new_york_are_503_hours():
    day_0 = date(2027, 3, 1)
    length = end_of_day(day_0 + timedelta(days=21), NEW_YORK) - end_of_day(day_0, NEW_YORK)
    assert length == 503 * HOUR


@pytest.mark.parametrize(
    ("last_day", "zone", "end", "because"),
    [
        (
            date(2026, 6, 1),
            "Asia/Kathmandu",
            datetime(2026, 6, 1, 18, 15, tzinfo=UTC),
            "an ordinary midnight, +5:45",
        ),
        (
            date(2011, 12, 29),
            "Pacific/Apia",
            datetime(2011, 12, 30, 10, tzinfo=UTC),
            "30 December did not exist",
        ),
        (
            date(2011, 12, 30),
            "Pacific/Apia",
            datetime(2011, 12, 30, 10, tzinfo=UTC),
            "nor has it an end of its own",
        ),
        (
            date(2026, 9, 5),
            "America/Santiago",
            datetime(2026, 9, 6, 4, tzinfo=UTC),
            "00:00 is skipped: 01:00 is first",
        ),
        (
            date(2026, 4, 4),
            "America/Santiago",
            datetime(2026, 4, 5, 4, tzinfo=UTC),
            "23:00 to 24:00 came twice",
        ),
        (
            date(2026, 10, 31),
            "America/Havana",
            datetime(2026, 11, 1, 4, tzinfo=UTC),
            "00:00 comes twice: the first",
        ),
        (
            date(1919, 3, 30),
            "America/Toronto",
            datetime(1919, 3, 31, 4, 30, tzinfo=UTC),
            "23:30 became 00:30",
        ),
    ],
)
def test_a_day_ends_with_the_first_instant_of_the_next_date(last_day, zone, end, because):
    assert end_of_day(last_day, ZoneInfo(zone)) == end, because


@given(zones_and_moments())
def test_a_day_ends_where_the_clock_first_shows_a_later_date(zone_and_moment):
    zone, moment = zone_and_moment
    last_day = moment.astimezone(zone).date()
    end = end_of_day(last_day, zone)
    assert end.astimezone(zone).date() > last_day
    assert (end - timedelta(microseconds=1)).astimezone(zone).date() <= last_day


# What is kept.


def test_a_check_that_closes_exactly_two_hours_after_the_opening_is_kept():
    opened_at = local(LISBON, 2026, 6, 1, 8)
    assert planned(LISBON, opened_at, 1)[0].window == "morning"


def test_a_check_that_closes_sooner_than_two_hours_after_the_opening_is_left_out():
    opened_at = local(LISBON, 2026, 6, 1, 8, 0, 1)
    assert planned(LISBON, opened_at, 1)[0].window == "evening"


def test_the_two_hours_are_counted_after_cutting():
    """02:30 becomes 03:30 in spring and is cut at 03:00, so that the check from 00:00 lasts two hours."""
    windows = [Window("night", time(0), time(0), time(2, 30)), Window("day", time(3), time(8), time(9))]
    spring = local(NEW_YORK, 2027, 3, 14, 0, 30)
    assert (
        planned(NEW_YORK, spring, 0, windows, opened_at=spring + 29 * timedelta(minutes=1))[0].window == "day"
    )
    assert (
        planned(NEW_YORK, spring, 0, windows, opened_at=spring - 30 * timedelta(minutes=1))[0].window
        == "night"
    )


def test_a_night_check_that_opens_on_the_last_day_is_kept_whole():
    night = [Window("night", time(22), time(23), time(3))]
    last = planned(LISBON, local(LISBON, 2026, 6, 1, 9), 2, night)[-1]
    assert (last.local_date, last.closes_at - last.opens_at) == (date(2026, 6, 3), 5 * HOUR)


def test_the_last_check_is_not_cut_by_one_that_is_not_planned():
    """On the night of the spring change 02:30 becomes 03:30; a morning after the last day opens at 03:00."""
    windows = [Window("night", time(20), time(21), time(2, 30)), Window("morning", time(3), time(8), time(9))]
    last = planned(NEW_YORK, local(NEW_YORK, 2027, 3, 12, 12), 1, windows)[-1]
    assert last.closes_at == local(NEW_YORK, 2027, 3, 14, 3, 30)


def test_no_windows_make_no_checks():
    assert planned(LISBON, local(LISBON, 2026, 6, 1, 9), 21, []) == []


@given(zones_and_moments(), st.integers(0, 22), st.integers(0, 72))
def test_default_windows_give_every_day_its_two_readings_in_every_zone(zone_and_moment, days, late):
    zone, moment = zone_and_moment
    opened_at = moment + late * HOUR
    checks = planned(zone, moment, days, opened_at=opened_at)
    day_0 = moment.astimezone(zone).date()
    expected = [
        (day_0 + timedelta(days=day), window.name)
        for day in range(days + 1)
        for window in DEFAULT_WINDOWS
        if instant_of(datetime.combine(day_0 + timedelta(days=day), window.closes), zone)
        >= opened_at + 2 * HOUR
    ]
    assert [(check.local_date, check.window) for check in checks] == expected


@given(zones_and_moments(), zones, any_windows(), st.integers(-3, 2), st.integers(0, 4))
def test_checks_are_in_order_inside_their_days_and_never_overlap(home, worker_zone, windows, first_day, days):
    exposure_zone, moment = home
    checks = plan(moment, moment, days, exposure_zone, worker_zone, windows, min_hours=0, first_day=first_day)
    for check in checks:
        assert check.opens_at < check.closes_at
        assert check.opens_at <= check.due_at <= check.closes_at
        assert check.closes_at - moment >= 2 * HOUR
        assert first_day <= check.day <= days
        day_0 = moment.astimezone(exposure_zone).date()
        assert check.opens_at.astimezone(exposure_zone).date() == day_0 + timedelta(days=check.day)
    for earlier, later in pairwise(checks):
        assert earlier.closes_at <= later.opens_at


@given(zones_and_moments(), zones, any_windows())
@example(
    (ZoneInfo("Pacific/Kiritimati"), datetime(2026, 6, 1, 10, tzinfo=UTC)),
    ZoneInfo("Etc/GMT+12"),
    [*DEFAULT_WINDOWS],
)
@example(
    (ZoneInfo("Etc/GMT+12"), datetime(2026, 6, 1, 10, tzinfo=UTC)),
    ZoneInfo("Pacific/Kiritimati"),
    [Window("night", time(1), time(1), time(4))],
)
def test_a_travelling_worker_gets_every_window_that_opens_within_the_days(home, worker_zone, windows):
    """Against a plain enumeration of the worker's dates: nothing within the days is lost, nothing is added,
    and a check is as long as the clock makes it unless the next one cuts it."""
    exposure_zone, moment = home
    day_0, days = moment.astimezone(exposure_zone).date(), 3
    whole = {}
    for offset in range(-4, days + 5):
        for window in windows:
            on = day_0 + timedelta(days=offset)
            opens = instant_of(datetime.combine(on, window.opens), worker_zone)
            closes_on = on + timedelta(days=window.closes < window.opens)
            closes = instant_of(datetime.combine(closes_on, window.closes), worker_zone)
            if 0 <= (opens.astimezone(exposure_zone).date() - day_0).days <= days:
                whole[on, window.name] = (opens, closes)
    long_before = moment - timedelta(days=7)
    checks = plan(moment, long_before, days, exposure_zone, worker_zone, windows, min_hours=0)
    openings = sorted(opens for opens, _ in whole.values())
    for check in checks:
        opens, closes = whole.pop((check.local_date, check.window))
        later = [opening for opening in openings if opening > opens]
        assert (check.opens_at, check.closes_at) == (opens, min([closes, *later[:1]]))
    for opens, closes in whole.values():  # those left over have no time of their own
        assert closes <= opens or openings.count(opens) > 1


# Clock changes.


def test_a_wall_time_that_is_skipped_moves_forward_by_the_gap():
    """RFC 5545 section 3.3.5: 02:30 on the day of the spring change is read with the offset before: 03:30."""
    windows = [Window("early", time(2, 30), time(5), time(9))]
    checks = planned(NEW_YORK, local(NEW_YORK, 2027, 3, 13, 12), 1, windows)
    assert checks[0].opens_at == datetime(2027, 3, 14, 7, 30, tzinfo=UTC)
    assert checks[0].due_at == datetime(2027, 3, 14, 9, tzinfo=UTC)


def test_a_wall_time_that_occurs_twice_is_its_first_occurrence():
    """RFC 5545 section 3.3.5, with its own example of 1:30 on an autumn Sunday in New York."""
    windows = [Window("early", time(1, 30), time(5), time(9))]
    checks = planned(NEW_YORK, local(NEW_YORK, 2026, 10, 31, 12), 1, windows)
    assert checks[0].opens_at == datetime(2026, 11, 1, 5, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "day_before", "wall", "opens_at", "because"),
    [
        ("Australia/Lord_Howe", date(2026, 10, 3), time(2, 15), datetime(2026, 10, 3, 15, 45), "02:45, +11"),
        ("Antarctica/Troll", date(2026, 3, 28), time(2, 15), datetime(2026, 3, 29, 2, 15), "04:15, +2"),
        ("Europe/Dublin", date(2027, 3, 27), time(1, 15), datetime(2027, 3, 28, 1, 15), "02:15, +1"),
    ],
)
def test_the_gap_may_be_half_an_hour_or_two_hours(zone, day_before, wall, opens_at, because):
    zone = ZoneInfo(zone)
    noon = datetime.combine(day_before, time(12), tzinfo=zone)
    checks = planned(zone, noon, 1, [Window("early", wall, time(6), time(9))])
    assert checks[0].opens_at == opens_at.replace(tzinfo=UTC), because


def test_a_window_from_midnight_opens_at_one_where_midnight_is_skipped():
    santiago = ZoneInfo("America/Santiago")
    windows = [Window("night", time(0), time(2), time(4))]
    check = planned(santiago, local(santiago, 2026, 9, 5, 12), 1, windows)[0]
    assert check.opens_at.astimezone(santiago) == local(santiago, 2026, 9, 6, 1)
    assert check.local_date == date(2026, 9, 6)


def test_the_date_that_apia_skipped_has_no_checks_of_its_own():
    """Samoa had no 30 December 2011 (IANA time zone database, file australasia)."""
    checks = planned(APIA, local(APIA, 2011, 12, 28, 23), 3)
    assert [(check.local_date.day, check.day, check.window) for check in checks] == [
        (29, 1, "morning"),
        (29, 1, "evening"),
        (31, 3, "morning"),
        (31, 3, "evening"),
    ]


def test_a_check_is_cut_at_the_next_opening_and_its_due_time_stays_inside():
    """01:00 to 02:30 on the day of the spring change would last until 03:30, past the opening at 03:00."""
    windows = [Window("night", time(1), time(2, 15), time(2, 30)), Window("day", time(3), time(9), time(10))]
    night, day = planned(NEW_YORK, local(NEW_YORK, 2027, 3, 13, 12), 1, windows)
    assert night.closes_at == day.opens_at == datetime(2027, 3, 14, 7, tzinfo=UTC)
    assert night.due_at == night.closes_at


def test_a_check_left_with_no_time_is_not_planned():
    """02:30 becomes 03:30, after its own closing at 03:00."""
    windows = [
        Window("night", time(2, 30), time(2, 40), time(3)),
        Window("day", time(12), time(13), time(14)),
    ]
    checks = planned(NEW_YORK, local(NEW_YORK, 2027, 3, 13, 12), 2, windows)
    assert [(check.day, check.window) for check in checks] == [
        (0, "day"),
        (1, "day"),
        (2, "night"),
        (2, "day"),
    ]


def test_of_two_windows_that_a_gap_moves_together_the_one_later_on_the_clock_stays():
    windows = [Window("day", time(3), time(9), time(10)), Window("night", time(2), time(2), time(2, 30))]
    checks = planned(NEW_YORK, local(NEW_YORK, 2027, 3, 13, 22), 1, windows)
    assert [check.window for check in checks] == ["day"]


# What is refused.


def two(first: Window, second: Window) -> list[Window]:
    return [first, second]


MORNING, EVENING = DEFAULT_WINDOWS


@pytest.mark.parametrize(
    ("windows", "because"),
    [
        (two(MORNING, Window("late", time(9, 59), time(14), time(15))), "opens before the other closes"),
        (
            two(EVENING, Window("night", time(23), time(4), time(18, 1))),
            "closes after the other opens, over midnight",
        ),
        (two(MORNING, MORNING), "the same window twice"),
        (two(EVENING, replace(MORNING, opens=time(22), due=time(1, 59))), "dues 5:59 apart around midnight"),
        (two(MORNING, Window("noon", time(12), time(13, 59), time(14))), "dues 5:59 apart"),
        ([Window("none", time(6), time(6), time(6))], "no length"),
        ([Window("early", time(6), time(5, 59), time(10))], "due before it opens"),
        ([Window("late", time(6), time(10, 1), time(10))], "due after it closes"),
        ([Window("zoned", time(6, tzinfo=UTC), time(8), time(10))], "a time with a zone"),
    ],
)
def test_windows_that_no_clock_can_hold_are_refused(windows, because):
    with pytest.raises(ValueError, match=r"window|due"):
        planned(LISBON, local(LISBON, 2026, 6, 1, 9), 21, windows)


@pytest.mark.parametrize(
    ("windows", "because"),
    [
        (two(MORNING, Window("late", time(10), time(14), time(15))), "touching, dues exactly 6 hours apart"),
        (two(EVENING, Window("night", time(22), time(2), time(18))), "touching on both sides, over midnight"),
        ([Window("at opening", time(6), time(6), time(10))], "an edge is inside"),
        ([Window("at closing", time(6), time(10), time(10))], "an edge is inside"),
        ([Window("long", time(6), time(8), time(5, 59))], "nearly the whole day"),
    ],
)
def test_windows_that_touch_or_are_due_on_an_edge_are_planned(windows, because):
    checks = planned(LISBON, local(LISBON, 2026, 6, 1, 23), 1, windows, first_day=1)
    assert len(checks) == len(windows), because


def test_naive_moments_and_negative_days_are_refused():
    aware, naive = local(LISBON, 2026, 6, 1, 9), datetime(2026, 6, 1, 9)
    for last_exposure, opened_at, days in ((naive, aware, 21), (aware, naive, 21), (aware, aware, -1)):
        with pytest.raises(ValueError, match=r"aware|days"):
            plan(last_exposure, opened_at, days, LISBON, LISBON, DEFAULT_WINDOWS)
