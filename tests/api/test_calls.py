"""Calls over the API: a double tap is one call, an unanswered one may name its next try, and whose call it is."""

from datetime import timedelta
from uuid import uuid4

import pytest

from exposure.attend import alerts
from exposure.models import Alert, Call, FollowUp, Promise
from exposure.pipeline import clear, enter
from exposure.refusal import BadSubmission
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, report

pytestmark = pytest.mark.database

UNANSWERED = {"worker": "SG-1042", "answered": False, "note": "No answer."}


@pytest.mark.parametrize(("seconds", "status", "count"), [(59, 200, 1), (60, 201, 2)])
def test_the_same_note_within_a_minute_is_the_same_call(calls, cast, standing_clock, seconds, status, count):
    first = calls("nurse").post("calls/", UNANSWERED)
    standing_clock(MONDAY + timedelta(seconds=seconds))
    again = calls("nurse").post("calls/", UNANSWERED)
    assert (first.status_code, again.status_code, Call.objects.count()) == (201, status, count)
    assert (first.json()["id"] == again.json()["id"]) is (count == 1)


def test_another_note_or_another_caller_is_another_call(calls, cast):
    calls("nurse").post("calls/", UNANSWERED)
    assert calls("nurse").post("calls/", {**UNANSWERED, "note": "Voice mail."}).status_code == 201
    assert calls("nurse2").post("calls/", UNANSWERED).status_code == 201


def test_an_unanswered_call_is_tried_again_when_it_says_and_not_after_an_answered_one(calls, cast):
    later = MONDAY + timedelta(hours=3)
    assert calls("nurse").post("calls/", {**UNANSWERED, "try_again_at": later.isoformat()}).status_code == 201
    promise = Promise.objects.get(kind="call", key__startswith="try")
    assert (promise.due_at, promise.kept_at) == (later, None)
    calls("nurse").post("calls/", {"worker": "SG-1042", "answered": True, "note": "Well."})
    promise.refresh_from_db()
    assert promise.kept_at == MONDAY


def test_a_next_try_that_has_passed_is_refused_at_its_field(calls, cast):
    past = {**UNANSWERED, "try_again_at": (MONDAY - timedelta(minutes=1)).isoformat()}
    answer = calls("nurse").post("calls/", past)
    assert answer.status_code == 400
    assert [error["pointer"] for error in answer.json()["errors"]] == ["#/try_again_at"]
    assert not Call.objects.exists()


def test_a_call_about_another_sites_worker_is_of_the_site_that_follows_them_up_and_seen_there(calls, cast):
    assert calls("outsider").post("calls/", UNANSWERED).status_code == 404
    with doing("command:tests"):
        FollowUp.objects.create(site=cast.other_site, worker=cast.worker, pathogen="ebola", opened_at=MONDAY)
    later = (MONDAY + timedelta(hours=3)).isoformat()
    made = calls("outsider").post("calls/", {**UNANSWERED, "try_again_at": later}).json()
    assert made["site"] == "fenwick"
    assert Promise.objects.get(kind="call", key__startswith="try").site == cast.other_site
    assert [call["id"] for call in calls("outsider").get("calls/").json()["results"]] == [made["id"]]
    assert calls("nurse").get("calls/").json()["results"] == [], "what was said is that site's"


@pytest.fixture
def waiting(cast):
    """A first call that is to be made, and Wim asks to be rung."""
    reported = report(cast)
    with doing("command:tests"):
        alerts.raise_alert(cast.worker, "call_me", "Asks.", site=cast.site, at=MONDAY)
    task = Promise.objects.get(kind="task", key="first_call")
    tell = Promise.objects.get(kind="tell")
    return reported, task, tell, Alert.objects.get(cause="call_me")


def test_an_answered_call_settles_what_it_names_and_nothing_else(calls, cast, waiting):
    _reported, task, tell, alert = waiting
    others = Promise.objects.open().filter(kind="task").exclude(pk=task.pk).count()
    body = {
        "worker": "SG-1042",
        "answered": True,
        "note": "All asked.",
        "tasks": [str(task.uid), str(tell.uid)],
    }
    body["alerts"] = [{"id": str(alert.uid), "times": alert.times}]
    assert calls("nurse").post("calls/", body).status_code == 201
    for row in (task, tell, alert):
        row.refresh_from_db()
    assert (task.kept_at, task.note, tell.kept_at) == (MONDAY, "All asked.", MONDAY)
    assert (alert.closed_at, alert.note) == (MONDAY, "All asked.")
    assert Promise.objects.open().filter(kind="task").exclude(pk=task.pk).count() == others


def test_an_answered_call_tells_what_has_changed(calls, cast):
    follow_up = follow_up_told_and_confirmed(cast)
    with doing(cast.physician):
        ended = {"kind": "ruled_out", "reason": "No contact.", "basis": "agreed"}
        clear.end_follow_up(follow_up=follow_up, by=cast.physician, at=MONDAY, **ended)
    telling = follow_up.promises.open().get(kind="tell")
    body = {"worker": "SG-1042", "answered": True, "note": "Told.", "tasks": [str(telling.uid)]}
    assert calls("nurse").post("calls/", body).status_code == 201
    telling.refresh_from_db()
    assert (telling.kept_at, telling.kept_by) == (MONDAY, cast.nurse)


def test_an_unanswered_call_settles_nothing(calls, cast, waiting):
    _reported, task, _tell, alert = waiting
    named = {"tasks": [str(task.uid)], "alerts": [{"id": str(alert.uid), "times": 1}]}
    assert calls("nurse").post("calls/", {**UNANSWERED, **named}).status_code == 201
    task.refresh_from_db()
    alert.refresh_from_db()
    assert (task.kept_at, alert.closed_at) == (None, None)


def test_what_came_again_since_it_was_read_stays_open_and_the_call_is_kept(calls, cast, waiting):
    alert = waiting[-1]
    with doing("command:tests"):
        alerts.raise_alert(cast.worker, "call_me", "Asks again.", site=cast.site, at=MONDAY)
    body = {
        "worker": "SG-1042",
        "answered": True,
        "note": "Well.",
        "alerts": [{"id": str(alert.uid), "times": 1}],
    }
    assert calls("nurse").post("calls/", body).status_code == 409
    alert.refresh_from_db()
    assert (alert.closed_at, Call.objects.count()) == (None, 1)


def test_what_a_call_does_not_settle_is_refused_at_its_place_and_nothing_is_stored(calls, cast, waiting):
    task = waiting[1]
    body = {"worker": "SG-1042", "answered": True, "tasks": [str(task.uid), str(uuid4())]}
    answer = calls("nurse").post("calls/", body)
    assert answer.status_code == 400
    assert [error["pointer"] for error in answer.json()["errors"]] == ["#/tasks/1"]
    assert not Call.objects.exists()


def test_a_reading_that_can_still_be_taken_is_not_explained_away(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    check = follow_up.checks.first()
    for at, refused in ((check.closes_at - timedelta(seconds=1), True), (check.closes_at, False)):
        with doing(cast.nurse, at=at):
            own = {"check": check, "reason": "Asleep.", "by": cast.nurse, "at": at}
            if refused:
                with pytest.raises(BadSubmission, match="can still be taken"):
                    enter.excuse_check(**own)
            else:
                assert enter.excuse_check(**own).state == "excused"
