"""Which check a reading fills."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exposure.followup.readings import Reading, place
from exposure.followup.schedule import DEFAULT_WINDOWS, Window, plan

START = datetime(2026, 6, 1, 23, tzinfo=UTC)
# Day 1 is 2 June: 06:00 to 10:00 and 18:00 to 22:00; day 2 is the last.
CHECKS = plan(START, START, 2, UTC, UTC, DEFAULT_WINDOWS)
MORNING, EVENING, NEXT_MORNING, LAST = CHECKS


def at(day: int, hour: int, minute: int = 0, second: int = 0, **changes) -> Reading:
    """A normal reading on a day of June 2026, UTC."""
    taken_at = datetime(2026, 6, day, hour, minute, second, tzinfo=UTC)
    return replace(Reading(Decimal("36.8"), "C", "oral", False, None, (), taken_at), **changes)


def placed(reading: Reading, *earlier: Reading, checks=CHECKS, **options):
    placement = place(reading, checks, list(earlier), 6, **options)
    return placement.fills, placement.state


@pytest.mark.parametrize(
    ("reading", "fills", "state", "because"),
    [
        (at(2, 5, 59, 59), (), "unplaced", "before the first opening"),
        (at(2, 6), (MORNING,), "recorded", "at the opening"),
        (at(2, 9, 59, 59), (MORNING,), "recorded", "just inside"),
        (at(2, 10), (MORNING,), "recorded_late", "as it closes"),
        (at(2, 17, 59, 59), (MORNING,), "recorded_late", "just before the next opens"),
        (at(2, 18), (EVENING,), "recorded", "as the next opens"),
        (at(3, 3), (EVENING,), "recorded_late", "in the night after"),
        (at(3, 23), (LAST,), "recorded_late", "after the last window"),
        (at(4, 17, 59), (LAST,), "recorded_late", "before the last window would open again"),
        (at(4, 18), (), "unplaced", "a day after the last opening"),
    ],
)
def test_a_reading_fills_the_check_whose_window_holds_it_or_the_one_before(reading, fills, state, because):
    assert placed(reading) == (fills, state), because


def test_checks_may_come_in_any_order():
    assert placed(at(2, 19), checks=CHECKS[::-1]) == ((EVENING,), "recorded")


def test_two_readings_in_one_window_fill_it_once():
    assert placed(at(2, 8, 5), at(2, 8)) == ((), "extra")


def test_a_back_dated_reading_does_not_fill_a_window_already_answered():
    assert placed(at(2, 7), at(2, 9)) == ((), "extra")


def test_a_late_reading_does_not_displace_one_in_its_window():
    assert placed(at(2, 17), at(2, 6, 30)) == ((), "extra")


def test_a_back_dated_reading_in_the_window_outranks_a_late_one():
    assert placed(at(2, 9), at(2, 17)) == ((MORNING,), "recorded")


def test_a_reading_close_to_one_outside_its_window_fills_and_is_marked_close():
    assert placed(at(3, 6, 30), at(3, 5)) == ((NEXT_MORNING,), "close")


@pytest.mark.parametrize(
    ("hour", "minute", "fills", "state"),
    [(13, 59, (), "extra"), (14, 0, (1,), "recorded")],
)
def test_a_reading_within_the_hours_of_one_in_its_window_fills_nothing(hour, minute, fills, state):
    """Windows at 06:00 and 12:00, the first reading at 08:00: 5:59 and 6:00 after it."""
    windows = [Window("early", time(6), time(6), time(10)), Window("noon", time(12), time(12), time(15))]
    checks = plan(START, START, 1, UTC, UTC, windows)
    expected = tuple(checks[number] for number in fills)
    assert placed(at(2, hour, minute), at(2, 8), checks=checks) == (expected, state)


def test_an_extra_reading_does_not_keep_the_next_one_from_counting():
    """08:00 fills; 12:30 is extra; 14:30 is 6:30 after the one that counts, though near the extra one."""
    windows = [Window("early", time(6), time(6), time(10)), Window("noon", time(12), time(12), time(15))]
    checks = plan(START, START, 1, UTC, UTC, windows)
    assert placed(at(2, 14, 30), at(2, 8), at(2, 12, 30), checks=checks) == ((checks[1],), "close")


# Masked readings.

MASKED = at(2, 6, 30, fever_reducer_hours=2)


def test_a_masked_normal_reading_does_not_fill():
    assert placed(MASKED) == ((), "repeat_due")


@pytest.mark.parametrize(("hours", "state"), [(6, "repeat_due"), (7, "recorded")])
def test_without_a_profile_six_hours_after_a_fever_reducer_are_masked(hours, state):
    assert placed(replace(MASKED, fever_reducer_hours=hours))[1] == state


def test_a_fever_fills_in_spite_of_a_fever_reducer():
    assert placed(replace(MASKED, value=Decimal("38.0"))) == ((MORNING,), "recorded")


@pytest.mark.parametrize(
    ("repeat", "fills", "state"),
    [
        (at(2, 6, 40), (MORNING,), "recorded"),
        (at(2, 17, 59), (MORNING,), "recorded_late"),
        (at(2, 18), (EVENING,), "recorded"),
    ],
)
def test_a_repeat_before_the_next_opening_fills_whatever_the_hours_between(repeat, fills, state):
    assert placed(repeat, MASKED) == (fills, state)


def test_a_repeat_fills_within_the_hours_of_the_evening_before():
    late_evening, masked = at(3, 1), at(3, 6, 10, fever_reducer_hours=2)
    assert placed(at(3, 6, 30), late_evening, masked) == ((NEXT_MORNING,), "recorded")


def test_a_masked_repeat_does_not_fill_either():
    assert placed(at(2, 9, fever_reducer_hours=4), MASKED) == ((), "repeat_due")


def test_a_masked_repeat_fills_where_fever_is_not_reliable():
    masked = replace(MASKED, fever_unreliable=True)
    assert placed(masked) == ((), "repeat_due")
    assert placed(at(2, 9, fever_reducer_hours=4, fever_unreliable=True), masked) == ((MORNING,), "recorded")


def test_a_masked_reading_asks_for_nothing_where_its_check_is_answered():
    assert placed(at(2, 9, fever_reducer_hours=2), at(2, 6, 30)) == ((), "extra")


def test_the_profile_says_what_is_masked():
    strict = SimpleNamespace(
        fever={"default": SimpleNamespace(limit=Decimal("36.5"), unit="C", at="at_least")},
        subjective_fever=True,
        reducer_hours=1,
    )
    assert placed(MASKED, profile=strict) == ((MORNING,), "recorded")


# Clocks.


def test_hours_between_readings_are_real_hours_over_a_change_of_the_clock():
    """01:30 comes twice in New York on 1 November 2026: an hour lies between the two, none on the wall."""
    new_york = ZoneInfo("America/New_York")
    windows = [Window("night", time(22), time(22), time(1)), Window("early", time(3), time(4), time(5))]
    start = datetime(2026, 10, 30, 12, tzinfo=new_york)
    checks = plan(start, start, 2, new_york, new_york, windows)
    early = next(check for check in checks if check.local_date.day == 1 and check.window == "early")
    first = at(2, 0, taken_at=datetime(2026, 10, 31, 22, tzinfo=new_york))
    second = at(
        2, 0, taken_at=datetime(2026, 11, 1, 3, tzinfo=new_york)
    )  # five hours on the wall, six in fact
    assert placed(second, first, checks=checks) == ((early,), "recorded")


moments = st.datetimes(datetime(2026, 6, 2), datetime(2026, 6, 5)).map(
    lambda moment: moment.replace(tzinfo=UTC)
)
series = st.lists(
    st.builds(
        lambda taken_at, hours: at(2, 0, taken_at=taken_at, fever_reducer_hours=hours),
        moments,
        st.none() | st.integers(0, 9),
    ),
    min_size=1,
    max_size=8,
)


@given(series)
def test_however_readings_come_none_fills_a_check_that_is_not_its_own(readings):
    for position, reading in enumerate(readings):
        fills, state = placed(reading, *readings[:position])
        assert len(fills) <= 1
        assert bool(fills) is (state in ("recorded", "recorded_late", "close"))
        for check in fills:
            later = [other.opens_at for other in CHECKS if other.opens_at > check.opens_at]
            end = later[0] if later else check.opens_at + timedelta(days=1)
            assert check.opens_at <= reading.taken_at < end
            assert reading.fever_reducer_hours is None or reading.fever_reducer_hours > 6


@given(series)
def test_however_readings_come_a_check_is_answered_in_its_window_at_most_once(readings):
    answered = [
        check
        for position, reading in enumerate(readings)
        for check in placed(reading, *readings[:position])[0]
        if check.opens_at <= reading.taken_at < check.closes_at
    ]
    assert len(answered) == len(set(answered))
