"""The state of a check as of any moment."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from exposure.followup.status import Settled, check_state

OPENS, CLOSES = datetime(2026, 6, 2, 6, tzinfo=UTC), datetime(2026, 6, 2, 10, tzinfo=UTC)
TICK = timedelta(microseconds=1)


def check(withdrawn_at=None):
    return SimpleNamespace(opens_at=OPENS, closes_at=CLOSES, withdrawn_at=withdrawn_at)


@pytest.mark.parametrize(
    ("at", "state"),
    [(OPENS - TICK, "upcoming"), (OPENS, "open"), (CLOSES - TICK, "open"), (CLOSES, "no_reading")],
)
def test_a_check_without_a_reading_follows_the_clock(at, state):
    assert check_state(check(), None, at) == state


@pytest.mark.parametrize(
    ("fill", "state"),
    [
        (Settled("recorded", OPENS), "recorded"),
        (Settled("recorded", CLOSES - TICK), "recorded"),
        (Settled("recorded_late", CLOSES), "recorded_late"),
        (Settled("close", CLOSES - TICK), "recorded"),
        (Settled("close", CLOSES), "recorded_late"),
        (Settled("repeat_due", OPENS), "repeat_due"),
        (Settled("excused"), "excused"),
    ],
)
@pytest.mark.parametrize("at", [OPENS, CLOSES, CLOSES + timedelta(days=9)])
def test_a_settled_check_keeps_its_state_whatever_the_clock_says(fill, state, at):
    assert check_state(check(), fill, at) == state


def test_a_withdrawn_check_is_withdrawn_from_that_moment_on():
    withdrawn = check(withdrawn_at=OPENS - timedelta(hours=1))
    assert check_state(withdrawn, None, OPENS - timedelta(hours=1)) == "withdrawn"
    assert check_state(withdrawn, None, CLOSES) == "withdrawn"


def test_a_check_withdrawn_later_was_still_upcoming_before():
    withdrawn = check(withdrawn_at=OPENS - timedelta(hours=1))
    assert check_state(withdrawn, None, OPENS - timedelta(hours=1) - TICK) == "upcoming"
