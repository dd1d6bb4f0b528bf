"""Whether a message that waits is still right to send: every reason by itself, and what wins."""

from datetime import UTC, datetime, time, timedelta
from itertools import product
from zoneinfo import ZoneInfo

import pytest

from exposure.remind import verdict
from exposure.remind.ladder import quiet_until
from exposure.remind.verdict import SEND, Alerted, Asked, Recipient, Verdict, of_page, of_reminder, one_each

NOW = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
LATER = NOW + timedelta(hours=1)
SOON = NOW + timedelta(minutes=30)
AWAKE = Recipient(phone_only=False)


def asked(**different):
    usual = {"closes_at": LATER, "ended": False, "answered": False, "paused": False, "told": True}
    return Asked(**{**usual, **different})


@pytest.mark.parametrize(
    ("different", "reason"),
    [
        ({}, ""),
        ({"answered": True}, "answered"),
        ({"ended": True}, "ended"),
        ({"paused": True}, "paused"),
        ({"told": False}, "not_told"),
        ({"closes_at": NOW}, "closed"),
        ({"closes_at": NOW + timedelta(microseconds=1)}, ""),
        ({"answered": True, "closes_at": NOW}, "answered"),
        ({"ended": True, "closes_at": NOW, "told": False}, "ended"),
    ],
)
def test_a_reading_that_asks_no_more_says_why(different, reason):
    assert of_reminder([asked(**different)], AWAKE, at=NOW) == Verdict(reason)


def test_a_reminder_of_a_slot_in_which_nothing_is_planned_any_more_is_withdrawn():
    assert of_reminder([], AWAKE, at=NOW) == Verdict("withdrawn")


def test_it_goes_while_any_reading_of_the_slot_asks_for_it():
    for settled in ({"answered": True}, {"ended": True}, {"paused": True}, {"told": False}):
        assert of_reminder([asked(**settled), asked()], AWAKE, at=NOW) == SEND


def test_where_one_reading_was_not_answered_in_time_the_other_reasons_do_not_hide_it():
    assert of_reminder([asked(answered=True), asked(closes_at=NOW)], AWAKE, at=NOW) == Verdict("closed")


@pytest.mark.parametrize(
    ("worker", "said"),
    [
        (Recipient(phone_only=True), Verdict("by_phone_only")),
        (Recipient(phone_only=False, quiet_until=SOON), Verdict(until=SOON)),
        (Recipient(phone_only=False, quiet_until=LATER), Verdict("quiet")),
        (Recipient(phone_only=False, done_until=SOON), Verdict(until=SOON)),
        (Recipient(phone_only=False, done_until=NOW), SEND),
        (
            Recipient(phone_only=False, quiet_until=NOW + timedelta(minutes=3), done_until=SOON),
            Verdict(until=SOON),
        ),
    ],
)  # fmt: skip
def test_the_workers_own_wishes(worker, said):
    assert of_reminder([asked()], worker, at=NOW) == said


def test_whom_no_reminder_may_reach_is_not_told_of_as_unreached():
    assert of_reminder([asked(closes_at=NOW)], Recipient(phone_only=True), at=NOW) == Verdict("by_phone_only")


@pytest.mark.parametrize(
    ("closed", "renewed", "taken", "has_role"), list(product([False, True], repeat=4)), ids=str
)
def test_a_page_goes_only_for_an_open_alert_that_nobody_has_and_to_whoever_may_act(
    closed, renewed, taken, has_role
):
    alert = Alerted(closed=closed, taken=taken, round=2 if renewed else 1, paged_round=1, has_role=has_role)
    said = of_page(alert)
    assert said.goes is (not closed and not renewed and not taken and has_role)
    assert said.because in ("", *verdict.PAGE_REASONS)


def test_one_message_each_the_newest_of_those_that_may_go():
    verdicts = {1: SEND, 2: SEND, 3: Verdict("answered"), 4: SEND}
    whom = {1: "a", 2: "a", 3: "a", 4: "b"}
    found = one_each(verdicts, whom, [1, 2, 3, 4], "superseded")
    assert found == {1: Verdict("superseded"), 2: SEND, 3: Verdict("answered"), 4: SEND}


def test_one_that_waits_for_the_end_of_quiet_hours_still_goes_before_an_older_one():
    waits = Verdict(until=LATER)
    assert one_each({1: SEND, 2: waits}, {1: "a", 2: "a"}, [1, 2], "superseded")[1] == Verdict("superseded")


def test_one_after_which_a_newer_has_gone_does_not_go_and_holds_nobody_up():
    found = one_each({1: SEND, 2: SEND}, {1: "a", 2: "a"}, [1, 2], "superseded", already={2})
    assert found == {1: SEND, 2: Verdict("superseded")}


@pytest.mark.parametrize(
    ("wall", "until"),
    [
        ("21:59", None),
        ("22:00", "2026-03-03T06:30"),
        ("23:30", "2026-03-03T06:30"),
        ("06:29", "2026-03-02T06:30"),
        ("06:30", None),
    ],
)
def test_when_quiet_hours_past_midnight_are_over(wall, until):
    zone = ZoneInfo("Europe/London")
    at = datetime.combine(datetime(2026, 3, 2), time.fromisoformat(wall), tzinfo=zone)
    expected = datetime.fromisoformat(until).replace(tzinfo=zone) if until else None
    assert quiet_until(at, (time(22), time(6, 30)), zone) == expected


def test_the_night_on_which_the_clocks_go_forward_is_an_hour_shorter():
    """IANA tz database: Europe/Berlin, 29 March 2026, 02:00 becomes 03:00."""
    zone = ZoneInfo("Europe/Berlin")
    at = datetime(2026, 3, 28, 23, 0, tzinfo=zone)
    assert quiet_until(at, (time(22), time(7)), zone) - at.astimezone(UTC) == timedelta(hours=7)


def test_without_quiet_hours_nobody_waits():
    assert quiet_until(NOW, None, UTC) is None
    assert quiet_until(NOW, (time(8), time(8)), UTC) is None
