"""When reminders go out. Wall times here are those of New York, UTC-4 in June."""

from datetime import UTC, datetime, time, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exposure.remind.ladder import rungs

NEW_YORK = ZoneInfo("America/New_York")
EVENING = (time(18), time(20), time(22))


def check(opens, due, closes, day=2):
    instants = (
        datetime(2026, 6, day, w.hour, w.minute, tzinfo=NEW_YORK).astimezone(UTC)
        for w in (opens, due, closes)
    )
    return SimpleNamespace(**dict(zip(("opens_at", "due_at", "closes_at"), instants, strict=True)))


def ladder(walls, quiet=None):
    """The reminders as (kind, wall time)."""
    return [
        (rung.kind, rung.at.astimezone(NEW_YORK).time()) for rung in rungs(check(*walls), quiet, NEW_YORK)
    ]


OPENING, DUE, LAST_CALL = ("opening", time(18)), ("due", time(20)), ("last_call", time(21, 30))


def test_reminders_go_out_at_the_opening_when_due_and_30_minutes_before_closing():
    assert ladder(EVENING) == [OPENING, DUE, LAST_CALL]


@pytest.mark.parametrize(
    ("quiet", "expected", "because"),
    [
        ((time(20), time(21)), [OPENING, LAST_CALL], "quiet from the due time on"),
        ((time(20, 1), time(21)), [OPENING, DUE, LAST_CALL], "quiet begins after it"),
        ((time(19), time(20)), [OPENING, DUE, LAST_CALL], "quiet ends with it"),
        ((time(21), time(7)), [OPENING, DUE], "quiet over midnight, its evening"),
        ((time(22), time(18, 1)), [DUE, LAST_CALL], "quiet over midnight, its morning"),
        ((time(22), time(18)), [OPENING, DUE, LAST_CALL], "quiet over midnight ends with the opening"),
        ((time(17), time(23)), [], "all of it"),
        ((time(9), time(9)), [OPENING, DUE, LAST_CALL], "no length"),
        (None, [OPENING, DUE, LAST_CALL], "no quiet hours"),
    ],
)
def test_reminders_inside_the_quiet_hours_are_skipped(quiet, expected, because):
    assert ladder(EVENING, quiet) == expected, because


@pytest.mark.parametrize(
    ("walls", "kinds", "because"),
    [
        ((time(18), time(18), time(22)), ["opening", "last_call"], "due with the opening"),
        ((time(18), time(20), time(20, 30)), ["opening", "due"], "last call with the due time"),
        ((time(18), time(20), time(20, 31)), ["opening", "due", "last_call"], "last call just after it"),
        ((time(18), time(18, 20), time(18, 29)), ["opening", "due"], "last call before the opening"),
        ((time(18), time(18), time(18, 30)), ["opening"], "all at once"),
    ],
)
def test_a_reminder_before_the_opening_or_not_after_the_one_before_is_dropped(walls, kinds, because):
    assert [kind for kind, _ in ladder(walls)] == kinds, because


def test_a_last_call_before_a_due_time_in_the_quiet_hours_still_goes_out():
    quiet = (time(20), time(23))
    assert ladder((time(18), time(20, 10), time(20, 20)), quiet) == [OPENING, ("last_call", time(19, 50))]


def test_quiet_hours_are_those_of_the_workers_zone():
    quiet = (time(20), time(21))  # 22:00 UTC, the opening, is 20:00 two hours west of UTC
    kinds = [rung.kind for rung in rungs(check(*EVENING), quiet, ZoneInfo("Etc/GMT+2"))]
    assert kinds == ["due", "last_call"]


minutes = st.integers(0, 24 * 60 - 1)


@given(minutes, minutes, minutes, st.tuples(minutes, minutes))
def test_reminders_ascend_inside_the_window_and_outside_the_quiet_hours(start, to_due, to_closing, quiet):
    opens = datetime(2026, 6, 2, tzinfo=UTC) + timedelta(minutes=start)
    closes = opens + timedelta(minutes=to_closing)
    due = opens + timedelta(minutes=min(to_due, to_closing))
    start_quiet, end_quiet = (time(minute // 60, minute % 60) for minute in quiet)
    planned = SimpleNamespace(opens_at=opens, due_at=due, closes_at=closes)
    silent = {(quiet[0] + offset) % 1440 for offset in range((quiet[1] - quiet[0]) % 1440)}
    found = rungs(planned, (start_quiet, end_quiet), UTC)
    moments = [rung.at for rung in found]
    assert moments == sorted(set(moments))
    for moment in moments:
        assert opens <= moment <= closes
        assert moment.hour * 60 + moment.minute not in silent
    for kind, moment in (("opening", opens), ("due", due)):
        loud = moment.hour * 60 + moment.minute not in silent
        assert (moment in moments) is loud, kind
