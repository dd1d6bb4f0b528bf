"""What stands before what on the monitoring list. The order is a local choice; there is no source for it."""

from datetime import date, timedelta

import pytest

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp, Restriction
from exposure.people.models import Worker
from exposure.pipeline import attend
from exposure.web.nurse.rows import rows
from tests.cast import MONDAY, doing
from tests.walk import confirm, follow_up_told_and_confirmed, log, report

pytestmark = pytest.mark.database

EVENING = MONDAY + timedelta(hours=10)


def by_badness():
    return sorted(rows(FollowUp.objects.all(), at=EVENING), key=lambda row: row.badness)


def test_a_fever_that_nobody_has_seen_stands_before_one_that_somebody_has(cast):
    follow_up_told_and_confirmed(cast)
    log(cast, at=EVENING, temperature="39.5")
    seen = Alert.objects.get(cause="fever")
    with doing(cast.nurse, at=EVENING):
        attend.acknowledge_alert(alert=seen, by=cast.nurse, at=EVENING)
    cast.worker = _another(cast, "SG-2")
    follow_up_told_and_confirmed(cast)
    log(cast, at=EVENING, by=cast.nurse, temperature="38.1")
    assert [row.overview.follow_up.worker.number for row in by_badness()] == ["SG-2", "SG-1042"]


def test_a_report_that_nobody_has_confirmed_is_a_flag_also_where_the_follow_up_ran_before(cast):
    follow_up_told_and_confirmed(cast)
    assert not _flags()
    again = report(cast, at=EVENING, occurred_at=EVENING.isoformat())
    assert "unconfirmed" in _flags()
    confirm(cast, again, at=EVENING)
    assert "unconfirmed" not in _flags()


def _flags():
    [row] = rows(FollowUp.objects.all(), at=EVENING)
    return {flag.cause for flag in row.flags}


def _another(cast, number):
    with doing("command:tests"):
        return Worker.objects.create(site=cast.site, number=number, name="Vera Moss")


def test_the_highest_reading_of_a_window_is_drawn_also_where_another_filled_it(cast):
    # 100.58 °F is 38.1 °C, above the usual limit of 38.0 °C of the criteria file in use.
    follow_up_told_and_confirmed(cast)
    log(cast, at=EVENING, temperature="36.8")
    log(cast, at=EVENING + timedelta(minutes=20), temperature="100.58", unit="F")
    [row] = rows(FollowUp.objects.all(), at=EVENING + timedelta(minutes=30))
    [(mark, line)] = [
        (mark, line) for mark, line in zip(row.marks, row.overview.lines, strict=True) if line.reading
    ]
    assert float(line.reading.value) == 36.8
    assert (mark.state, mark.alert, round(mark.value_celsius, 1)) == ("recorded", True, 38.1)


def test_a_fever_before_the_first_window_stands_on_the_strip_of_its_day(cast):
    follow_up_told_and_confirmed(cast)
    at = MONDAY + timedelta(hours=1)  # the first window opens in the evening
    log(cast, at=at, temperature="39.1")
    [row] = rows(FollowUp.objects.all(), at=at)
    marks = [mark for mark in row.marks if mark.alert]
    assert [(mark.label, mark.value_celsius, mark.day) for mark in marks] == [("evening", 39.1, 0)]
    assert [mark.alert for mark in row.recent].count(True) == 1
    assert row.marks[0].state == "upcoming", "and it answers nothing"


def test_of_two_restrictions_the_one_without_a_last_day_is_said(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    [row] = rows(FollowUp.objects.all(), at=EVENING)
    assert row.restricted_until == date(2026, 3, 23)
    with doing("command:tests"):
        Restriction.objects.create(
            exposure=follow_up.exposures.get(), code="work", title="No work", from_date=MONDAY.date()
        )
    [row] = rows(FollowUp.objects.all(), at=EVENING)
    assert (bool(row.restrictions), row.restricted_until) == (True, None)
