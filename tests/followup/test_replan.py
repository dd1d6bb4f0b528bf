"""Planning again: what has opened stays, what has not follows the new plan."""

from datetime import UTC, date, datetime, time, timedelta, timezone
from itertools import pairwise
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exposure.followup.schedule import DEFAULT_WINDOWS, Window, plan, replan
from tests.followup.strategies import any_windows, zones, zones_and_moments

LISBON = ZoneInfo("Europe/Lisbon")
NEW_YORK = ZoneInfo("America/New_York")
HOUR = timedelta(hours=1)


def local(zone, *wall):
    return datetime(*wall, tzinfo=zone)


def planned(zone, start, days, windows=DEFAULT_WINDOWS):
    """A plan for somebody who stays in the zone of the exposure and whose follow-up opens with it."""
    return plan(start, start, days, zone, zone, windows)


START = local(LISBON, 2026, 6, 1, 9)
NIGHTS = [Window("before", time(14), time(15), time(16)), Window("after", time(22), time(23), time(1))]


def test_planning_the_same_again_changes_nothing():
    checks = planned(LISBON, START, 21)
    assert replan(checks, planned(LISBON, START, 21), START + 100 * HOUR) == ([], [])


def test_other_windows_replace_only_what_has_not_opened():
    before, after = planned(LISBON, START, 3), planned(LISBON, START, 3, NIGHTS)
    at = local(LISBON, 2026, 6, 2, 11)
    withdraw, add = replan(before, after, at)
    assert withdraw == [check for check in before if check.opens_at > at]
    assert add == [check for check in after if check.opens_at > at]


def test_a_check_that_opens_at_this_very_instant_has_opened():
    before, after = planned(LISBON, START, 3), planned(LISBON, START, 3, NIGHTS)
    at = local(LISBON, 2026, 6, 2, 18)
    withdraw, add = replan(before, after, at)
    assert withdraw[0].opens_at == local(LISBON, 2026, 6, 3, 6)
    assert add[0].opens_at == local(LISBON, 2026, 6, 3, 14)


def test_a_new_check_that_opens_at_this_very_instant_is_not_added():
    after = planned(LISBON, START, 3)
    assert replan([], after, after[2].opens_at) == ([], after[3:])


def test_a_longer_follow_up_only_adds_days():
    before, after = planned(LISBON, START, 3), planned(LISBON, START + 30 * HOUR, 3)
    withdraw, add = replan(before, after, START + 31 * HOUR)
    assert withdraw == []
    assert [check.local_date for check in add] == [date(2026, 6, 5)] * 2


def test_a_shorter_follow_up_only_withdraws_days():
    withdraw, add = replan(planned(LISBON, START, 3), planned(LISBON, START, 2), START + 10 * HOUR)
    assert [check.local_date for check in withdraw] == [date(2026, 6, 4)] * 2
    assert add == []


@pytest.mark.parametrize(
    ("opens", "due", "kept", "because"),
    [
        (time(10), time(14), True, "opens as the opened one closes, due 6 hours after it"),
        (time(10), time(13, 59), False, "due 5:59 after"),
        (time(9, 59), time(14), False, "opens while the other is open"),
    ],
)
def test_a_new_check_keeps_its_distance_from_the_last_one_opened(opens, due, kept, because):
    at = local(LISBON, 2026, 6, 2, 7)
    new = planned(LISBON, START, 1, [Window("new", opens, due, time(16))])
    _, add = replan(planned(LISBON, START, 1), new, at)
    assert [check.local_date for check in add] == [date(2026, 6, 2)] * kept, because


def test_a_worker_who_flies_is_not_asked_twice_within_the_hours():
    """The evening check in Lisbon closes at 21:00 UTC; the next morning of Kiritimati opens at 16:00 UTC."""
    before, far = planned(LISBON, START, 3), ZoneInfo("Pacific/Kiritimati")
    at = datetime(2026, 6, 2, 17, 30, tzinfo=UTC)
    _, add = replan(before, plan(START, START, 3, LISBON, far, DEFAULT_WINDOWS), at)
    assert add[0].opens_at == datetime(2026, 6, 3, 4, tzinfo=UTC)  # 18:00 at +14
    earlier = datetime(2026, 6, 2, 15, tzinfo=UTC)
    _, add = replan(before, plan(START, START, 3, LISBON, far, DEFAULT_WINDOWS), earlier)
    assert add[0].opens_at == datetime(2026, 6, 2, 16, tzinfo=UTC)


def test_a_new_zone_database_moves_only_unopened_checks():
    """The old rules knew no change of the clock in November."""
    summer_for_ever = timezone(timedelta(hours=-4))
    start = local(NEW_YORK, 2026, 10, 30, 12)
    old, new = planned(summer_for_ever, start, 4), planned(NEW_YORK, start, 4)
    withdraw, add = replan(old, new, local(NEW_YORK, 2026, 10, 31, 12))
    assert {check.local_date for check in withdraw} == {date(2026, 11, day) for day in (1, 2, 3)}
    assert [check.opens_at for check in add] == [check.opens_at + HOUR for check in withdraw]


def test_stored_rows_are_replanned_by_their_instants_alone():
    checks = planned(LISBON, START, 3)
    rows = [
        SimpleNamespace(opens_at=check.opens_at, due_at=check.due_at, closes_at=check.closes_at)
        for check in checks
    ]
    withdraw, add = replan(rows, planned(LISBON, START, 2), START)
    assert withdraw == rows[-2:]
    assert add == []


@given(zones_and_moments(), zones, any_windows(), st.integers(0, 96))
def test_what_stands_after_planning_again_is_in_order_and_keeps_what_has_opened(
    home, worker_zone, windows, hours
):
    zone, moment = home
    before = planned(zone, moment, 3)
    after = plan(moment, moment, 3, zone, worker_zone, windows, min_hours=0)
    at = moment + hours * HOUR
    withdraw, add = replan(before, after, at, min_hours=6)
    assert all(check.opens_at > at for check in (*withdraw, *add))
    standing = [check for check in before if check not in withdraw]
    assert [check for check in before if check.opens_at <= at] == [c for c in standing if c.opens_at <= at]
    standing = sorted(standing + add, key=lambda check: check.opens_at)
    assert all(earlier.closes_at <= later.opens_at for earlier, later in pairwise(standing))
    assert replan(standing, after, at, min_hours=6) == ([], [])


def test_a_naive_moment_is_refused():
    with pytest.raises(ValueError, match="aware"):
        replan([], [], datetime(2026, 6, 1, 9))
