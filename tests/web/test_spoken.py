"""When a reading is, as one says it: true at every hour of the day."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from django.utils import timezone

from exposure.web.worker import spoken

HOUR = timedelta(hours=1)
MIDNIGHT = datetime(2026, 3, 3, tzinfo=UTC)  # the night to a Tuesday


def said(now, opens):
    """Hours from that midnight."""
    check = SimpleNamespace(opens_at=MIDNIGHT + opens * HOUR, closes_at=MIDNIGHT + (opens + 4) * HOUR)
    with timezone.override(UTC):
        return spoken.window(check, MIDNIGHT + now * HOUR).split(",")[0]


@pytest.mark.parametrize(
    ("now", "opens", "words"),
    [
        (1, 6, "this morning"),
        (1, 18, "this evening"),
        (1, -6, "yesterday evening"),
        (7, 18, "this evening"),
        (19, 30, "tomorrow morning"),
        (23, 26, "tonight"),  # 02:00: the same night, though the date is another
        (1, 2, "tonight"),
        (1, -1, "tonight"),  # open since 23:00
        (3, 26, "tomorrow night"),
        (5, 26, "tonight"),
        (9, 2, "last night"),
        (9, -2, "last night"),
        (9, 22, "tonight"),
        (1, 22, "on Tuesday 3 March"),  # "tonight" would also be the night that is
        (1, 46, "on Wednesday 4 March"),
        (12, 13, "this afternoon"),
        (12, 54, "on Thursday 5 March"),
    ],
)
def test_the_day_of_a_reading_is_the_one_that_somebody_would_say(now, opens, words):
    assert said(now, opens) == words


def test_at_no_hour_does_tomorrow_name_something_of_today_or_of_the_night_that_runs():
    for now in range(24):
        for opens in range(now + 1, 48):
            words = said(now, opens)
            if opens < 21:
                assert "tomorrow" not in words, (now, opens)
            if words == "tonight":
                assert opens - now < 24, (now, opens)
            if words.startswith("this"):
                assert opens < 24, (now, opens)
