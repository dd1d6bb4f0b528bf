"""When a follow-up may be signed off."""

from datetime import UTC, datetime, timedelta

import pytest

from exposure.clear.rule import may_clear

SINCE = datetime(2026, 6, 1, 12, tzinfo=UTC)
UNTIL = datetime(2026, 6, 23, tzinfo=UTC)
HOUR = timedelta(hours=1)
DAILY = [SINCE + timedelta(days=day) for day in range(1, 22)]


def ruling(**changes):
    """A follow-up with nothing left to do, with what a test changes."""
    facts = {
        "confirmed": True,
        "last_check": "recorded",
        "open_alerts": 0,
        "open_tasks": 0,
        "contacts": DAILY,
        "since": SINCE,
        "until": UNTIL,
        "silence_hours": 48,
    }
    return may_clear(**facts | changes)


def test_a_finished_follow_up_may_be_cleared():
    assert (ruling().yes, ruling().reasons, ruling().gap) == (True, (), False)


@pytest.mark.parametrize(
    ("changes", "grounds"),
    [
        ({}, ("confirmed", "last_reading_recorded", "no_open_alerts", "no_open_tasks", "no_gap")),
        (
            {"last_check": "excused", "contacts": []},
            ("confirmed", "last_reading_excused", "no_open_alerts", "no_open_tasks", "gap"),
        ),
        (
            {"last_check": None, "silence_hours": None},
            ("confirmed", "no_readings", "no_open_alerts", "no_open_tasks", "gap_not_asked"),
        ),
        ({"confirmed": False, "last_check": "open", "open_alerts": 1, "open_tasks": 1}, ("no_gap",)),
    ],
)
def test_what_is_in_order_is_said_in_codes(changes, grounds):
    assert ruling(**changes).grounds == grounds


@pytest.mark.parametrize(
    ("changes", "reasons"),
    [
        ({"confirmed": False}, ("not_confirmed",)),
        ({"open_alerts": 1}, ("open_alerts",)),
        ({"open_tasks": 1}, ("open_tasks",)),
        ({"last_check": "no_reading"}, ("last_reading_missing",)),
        ({"last_check": "open"}, ("last_reading_missing",)),
        ({"last_check": "upcoming"}, ("last_reading_missing",)),
        ({"last_check": "repeat_due"}, ("last_reading_missing",)),
        ({"last_check": "withdrawn"}, ("last_reading_missing",)),
        ({"being_evaluated": True}, ("being_evaluated",)),
        ({"confirmed": False, "open_alerts": 1}, ("not_confirmed", "open_alerts")),
    ],
)
def test_what_stands_in_the_way_is_named(changes, reasons):
    assert (ruling(**changes).yes, ruling(**changes).reasons) == (False, reasons)


@pytest.mark.parametrize("state", ["recorded", "recorded_late", "excused", None])
def test_the_last_reading_may_be_recorded_late_explained_or_not_planned_at_all(state):
    assert ruling(last_check=state).yes


@pytest.mark.parametrize(
    ("contacts", "gap", "because"),
    [
        (DAILY[:5] + DAILY[6:], True, "48 hours between two contacts"),
        ([*DAILY[:5], DAILY[6] - timedelta(seconds=1), *DAILY[6:]], False, "a second less"),
        (DAILY[::-1], False, "in any order"),
        (DAILY[2:], True, "nothing for two days after the opening"),
        (DAILY[:-2], True, "nothing in the last two days"),
        ([*DAILY[:-2], UNTIL + HOUR], True, "a contact after the end closes no gap"),
        ([], True, "nobody was ever reached"),
    ],
)
def test_silence_of_the_set_hours_is_a_gap(contacts, gap, because):
    """More than 48 hours without contact is incomplete monitoring: MMWR 64(25), 2015, and 65(49), 2016."""
    assert ruling(contacts=contacts).gap is gap, because


@pytest.mark.parametrize(
    ("begins", "ends", "gap", "because"),
    [
        (5, 8, False, "the whole silence was spent where clinicians had the worker"),
        (5, 6, True, "48 hours after they had gone"),
        (7, 8, True, "48 hours before they came"),
        (6, 7, False, "24 hours before, and 24 after"),
    ],
)
def test_contact_is_made_as_long_as_clinicians_have_the_worker(begins, ends, gap, because):
    attended = [(SINCE + timedelta(days=begins), SINCE + timedelta(days=ends))]
    found = ruling(contacts=[*DAILY[:5], *DAILY[7:]], attended=attended)  # day 5, then day 8
    assert found.gap is gap, because


def test_a_gap_does_not_stand_in_the_way():
    assert ruling(contacts=[]).yes


def test_a_plan_without_readings_has_no_gap():
    assert ruling(last_check=None, contacts=[], silence_hours=None).gap is False
