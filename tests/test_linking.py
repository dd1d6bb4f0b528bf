"""Two records that prove to be one person's."""

import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from threading import Event

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection

from exposure.attend.overview import overview
from exposure.followup import join
from exposure.followup.models import Exposure, FollowUp
from exposure.people.models import Worker
from exposure.pipeline import classify, clear, follow
from exposure.pipeline.link import link_worker
from exposure.refusal import BadSubmission
from tests.cast import MONDAY, doing
from tests.walk import confirm, follow_up_told_and_confirmed, log_to_the_end, report, tell

pytestmark = pytest.mark.database


@pytest.fixture
def follow_up(cast):
    reported = report(cast)
    tell(cast, reported)
    confirm(cast, reported)
    return FollowUp.objects.get()


def link(cast, worker, at=MONDAY, by=None):
    by = by or cast.nurse
    with doing(by, at=at):
        return link_worker(worker=worker, same_as=cast.worker, by=by, at=at)


def unlisted(cast, at=MONDAY):
    person = {"name": "W. Alder", "phone": "+351 900 000 042"}
    return report(cast, at=at, worker=None, person=person, occurred_at=at.isoformat())


def test_two_rows_of_one_person_become_one_follow_up_with_both_exposures(cast, follow_up):
    at = MONDAY + timedelta(days=4)
    typed = unlisted(cast, at)
    assert link(cast, typed.breach.worker, at) == cast.worker
    assert FollowUp.objects.get(ended_at=None) == follow_up
    assert follow_up.exposures.count() == 2
    assert follow_up.checks.filter(withdrawn_at=None).last().local_date == date(2026, 3, 27)
    typed.breach.refresh_from_db()
    assert typed.breach.worker == cast.worker


def test_a_person_on_the_list_without_a_follow_up_takes_over_the_one_there_is(cast):
    typed = unlisted(cast)
    link(cast, typed.breach.worker)
    assert FollowUp.objects.get().worker == cast.worker
    assert FollowUp.objects.get().ended_at is None


def test_readings_stay_and_are_read_with_the_others_and_their_alert_goes_on(cast, follow_up):
    typed = unlisted(cast)
    at = MONDAY + timedelta(hours=10)
    with doing(cast.nurse, at=at):
        body = cast.reading(temperature="38.4")
        logged = follow.log_reading(body=body, worker=typed.breach.worker, entered_by=cast.nurse, at=at)
    link(cast, typed.breach.worker, at)
    logged.row.refresh_from_db()
    assert logged.row.worker == typed.breach.worker
    assert overview(follow_up, at=at).last_reading == logged.row
    alert = cast.worker.alerts.get(closed_at=None)
    assert (alert.cause, alert.entries.first().reading) == ("fever", logged.row)


def test_linking_twice_is_one_link_and_somebody_on_the_list_is_not_linked(cast):
    typed = unlisted(cast)
    link(cast, typed.breach.worker)
    typed.breach.worker.refresh_from_db()
    count = FollowUp.history.count()
    assert link(cast, Worker.objects.get(same_as=cast.worker)) == cast.worker
    assert FollowUp.history.count() == count
    with pytest.raises(BadSubmission):
        link(cast, cast.worker)


def test_nobody_links_a_record_to_their_own(cast):
    typed = unlisted(cast)
    with doing("command:tests"):
        cast.worker.user.roles.create(kind="nurse", site=cast.site, from_at=MONDAY - timedelta(days=1))
    with pytest.raises(PermissionDenied):
        link(cast, typed.breach.worker, by=cast.worker.user)


def test_whoever_is_the_person_decides_nothing_about_what_was_entered_under_another_name(cast):
    typed = unlisted(cast)
    link(cast, typed.breach.worker)
    with doing("command:tests"):
        cast.worker.user.roles.create(kind="physician", site=cast.site, from_at=MONDAY - timedelta(days=1))
    me = cast.worker.user
    typed.breach.refresh_from_db()
    with doing(me), pytest.raises(PermissionDenied):
        classify.confirm_breach(breach=typed.breach, by=me, at=MONDAY)
    with doing(me), pytest.raises(PermissionDenied):
        clear.sign_clearance(follow_up=FollowUp.objects.get(), by=me, at=MONDAY)


def test_the_history_says_who_linked_them_and_why(cast, follow_up):
    typed = unlisted(cast)
    link(cast, typed.breach.worker)
    moved = Exposure.objects.get(breach=typed.breach)
    for row in (moved, Worker.objects.get(same_as=cast.worker)):
        version = row.history.first()
        assert version.history_user == cast.nurse.actor
        assert version.history_change_reason == "The same person as Wim Alder."


def test_a_follow_up_that_joined_another_says_where_it_went(cast, follow_up):
    typed = unlisted(cast)
    link(cast, typed.breach.worker)
    joined = FollowUp.objects.exclude(pk=follow_up.pk).get()
    assert (joined.worker, joined.ended_at, joined.exposures.count()) == (cast.worker, MONDAY, 0)
    assert joined.states.last().kind == "joined"
    assert not joined.checks.filter(withdrawn_at=None, opens_at__gt=MONDAY).exists()


def test_a_sign_off_that_has_not_taken_effect_is_void_when_another_exposure_joins(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    at = log_to_the_end(cast, follow_up)
    for by in (cast.physician, cast.physician2):
        with doing(by, at=at):
            clearance = clear.sign_clearance(follow_up=follow_up, by=by, at=at)
    follow_up.refresh_from_db()
    assert follow_up.ended_at > at
    typed = unlisted(cast, at)
    link(cast, typed.breach.worker, at)
    clearance.refresh_from_db()
    follow_up.refresh_from_db()
    assert (clearance.void_at, follow_up.ended_at) == (at, None)


def test_a_follow_up_that_has_ended_goes_to_the_record_as_it_is(cast):
    typed = unlisted(cast)
    [ended] = typed.follow_ups
    with doing(cast.nurse):
        clear.end_follow_up(
            follow_up=ended, kind="left", reason="Moved.", basis="agreed", by=cast.nurse, at=MONDAY
        )
    link(cast, typed.breach.worker)
    ended.refresh_from_db()
    assert (ended.worker, ended.ended_at, ended.states.last().kind) == (cast.worker, MONDAY, "left")


def test_a_row_that_was_linked_before_follows_to_the_person_on_the_list(cast):
    first, second = unlisted(cast).breach.worker, unlisted(cast).breach.worker
    with doing(cast.nurse):
        link_worker(worker=first, same_as=second, by=cast.nurse, at=MONDAY)
    link(cast, second)
    assert set(cast.worker.also.all()) == {first, second}


@pytest.mark.django_db(transaction=True)
def test_a_report_that_comes_while_two_records_are_linked_is_about_the_person_on_the_list(cast, monkeypatch):
    """It names the record of somebody typed in by its id, as a removal that a tablet began before does."""
    typed = unlisted(cast).breach.worker
    linking_now = Event()
    move_person = join.move_person

    def slowly(*args, **said):
        linking_now.set()
        time.sleep(0.5)
        return move_person(*args, **said)

    monkeypatch.setattr(join, "move_person", slowly)

    def meanwhile():
        try:
            linking_now.wait(10)
            return report(
                cast, worker=str(typed.uid), occurred_at=(MONDAY - timedelta(minutes=3)).isoformat()
            )
        finally:
            connection.close()

    with ThreadPoolExecutor() as pool:
        reported = pool.submit(meanwhile)
        link(cast, typed)
        assert reported.result().breach.worker == cast.worker
    assert FollowUp.objects.get().worker == cast.worker
