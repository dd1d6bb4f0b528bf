"""The follow-up as people read it."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.attend.overview import overview, overviews
from exposure.followup.models import FollowUp
from exposure.people.models import Worker
from exposure.pipeline import classify, enter
from tests.cast import MONDAY, doing
from tests.remind.test_sweep import add_workers
from tests.walk import follow_up_told_and_confirmed, hours, log, report

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def statements(follow_ups):
    with CaptureQueriesContext(
        connection,
    ) as queries:
        assert len(overviews(follow_ups, at=EVENING)) == len(follow_ups)
    return len(queries)


def test_ten_people_take_as_many_statements_as_a_hundred(cast):
    add_workers(cast, 100)
    everybody = list(FollowUp.objects.all())
    assert statements(everybody[:10]) == statements(everybody)


@pytest.mark.parametrize(
    ("at", "day"),
    [
        (MONDAY, 0),
        (datetime(2026, 3, 2, 23, 59, tzinfo=UTC), 0),
        (datetime(2026, 3, 3, 0, 0, tzinfo=UTC), 1),
        (datetime(2026, 3, 23, 23, 59, tzinfo=UTC), 21),
    ],
)
def test_today_is_counted_from_the_date_of_the_exposure_in_its_zone(follow_up, at, day):
    assert (overview(follow_up, at=at).day, overview(follow_up, at=at).days) == (day, 21)


@pytest.mark.parametrize(
    ("at", "state"),
    [
        (EVENING - timedelta(seconds=1), "upcoming"),
        (EVENING, "open"),
        (EVENING + hours(4) - timedelta(seconds=1), "open"),
        (EVENING + hours(4), "no_reading"),
    ],
)
def test_the_state_of_a_reading_is_computed_from_its_instants(follow_up, at, state):
    assert overview(follow_up, at=at).lines[0].state == state


def test_the_reading_now_due_is_the_open_one(cast, follow_up):
    assert overview(follow_up, at=MONDAY).now_due is None
    now = overview(follow_up, at=EVENING)
    assert now.now_due.check.opens_at == EVENING
    assert now.next_line.check.opens_at == EVENING + hours(12)
    log(cast, at=EVENING)
    assert overview(follow_up, at=EVENING).now_due is None


def test_the_last_contact_is_the_last_reading_or_answered_call(cast, follow_up):
    assert overview(follow_up, at=MONDAY).last_contact_at == MONDAY
    log(cast, at=EVENING)
    for answered, at in ((True, EVENING + hours(1)), (False, EVENING + hours(2))):
        with doing(cast.nurse, at=at):
            enter.note_call(worker=cast.worker, answered=answered, note="", by=cast.nurse, at=at)
    assert overview(follow_up, at=EVENING + hours(3)).last_contact_at == EVENING + hours(1)


def test_saying_that_one_could_not_take_a_reading_is_no_reading_and_so_no_contact(cast, follow_up):
    log(cast, at=EVENING, temperature=None, unit=None, method=None, could_not="No thermometer.")
    assert overview(follow_up, at=EVENING + hours(1)).last_contact_at == MONDAY


def test_a_fever_beside_the_reading_that_fills_is_an_alert_above_it(cast, follow_up):
    log(cast, at=EVENING)
    assert log(cast, at=EVENING + hours(1), temperature="38.6").state == "extra"
    [line, *_later] = overview(follow_up, at=EVENING + hours(2)).lines
    assert (line.state, line.alert) == ("recorded", True)


def test_alerts_of_worker_follow_up_and_report_are_listed_once_each(cast):
    reported = report(cast, shoe_size=43)
    log(cast, at=EVENING, temperature="39")
    now = overview(reported.follow_ups[0], at=EVENING)
    assert sorted(alert.cause for alert in now.alerts) == ["fever", "to_look_at"]


def test_what_a_withdrawn_exposure_asked_for_is_gone(cast):
    reported = report(cast, facts={"contact": "splash"})
    with doing(cast.nurse):
        classify.confirm_breach(breach=reported.breach, by=cast.nurse, facts={"skin": "no"}, at=MONDAY)
    now = overview(reported.follow_ups[0], at=MONDAY)
    assert (now.exposures, now.restrictions, now.tasks, now.lines) == ((), (), (), ())


def test_readings_of_another_entry_of_the_same_person_are_contact(cast, follow_up):
    taken = log(cast, at=EVENING).row
    with doing("command:tests", at=EVENING):
        head = Worker.objects.create(site=cast.site, name="Wim Alder", number="SG-3000")
        cast.worker.same_as = head
        cast.worker.save()
        follow_up.worker = head
        follow_up.save()
    assert overview(follow_up, at=EVENING).last_reading == taken
