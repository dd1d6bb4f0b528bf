"""POST breaches/: the worked exchange of the contract, and what it must never do."""

import json
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, connections
from django.test import Client

from exposure.api.breach_shapes import SubmissionSerializer
from exposure.models import Breach, FollowUp, OtherContent
from exposure.people import tokens
from exposure.report.submission import KEYS, reference
from tests.cast import MONDAY, assemble, doing

pytestmark = pytest.mark.database


def test_a_clinician_gets_the_record_its_assessments_and_its_follow_ups(calls, cast):
    body = cast.body(facts={"contact": "splash"}, pathogen="ebola", criteria_version="2023.1")
    answer = calls("nurse").post("breaches/", body)
    assert answer.status_code == 201
    got = answer.json()
    follow_up = FollowUp.objects.get()
    assert set(got) == {"id", "reference", "assessments", "follow_ups", "ring_now"}
    assert got["id"] == body["submission_id"]
    assert got["reference"] == reference(Breach.objects.get().uid)
    assert got["follow_ups"] == [str(follow_up.uid)]
    (assessment,) = got["assessments"]
    assert list(assessment) == [
        "pathogen", "criteria_version", "floor", "ceiling", "tier", "rules", "open_questions",
    ]  # fmt: skip
    assert (assessment["pathogen"], assessment["criteria_version"]) == ("ebola", "2023.1")
    assert assessment["tier"] is None
    assert assessment["floor"] != assessment["ceiling"]
    assert "skin" in assessment["open_questions"]


def test_whoever_may_not_see_tiers_gets_the_reference_and_whether_to_ring(calls, cast):
    for name in ("observer", "worker", "lead", "auditor", "administrator", "outsider"):
        answer = calls(name).post("breaches/", cast.body())
        assert answer.status_code == 201
        assert set(answer.json()) == {"id", "reference", "ring_now"}


def test_a_nurse_who_reports_herself_gets_no_tier(calls, cast):
    cast.worker.user = cast.nurse
    with doing("command:tests"):
        cast.worker.save()
    answer = calls("nurse").post("breaches/", cast.body())
    assert set(answer.json()) == {"id", "reference", "ring_now"}
    assert calls("nurse").get("follow-ups/").json()["results"] == []


def test_the_same_report_again_is_the_first_record(calls, cast):
    body = cast.body()
    first, again = calls("observer").post("breaches/", body), calls("observer").post("breaches/", body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    assert Breach.objects.count() == 1


def test_other_content_is_a_conflict_that_names_the_report_to_its_reporter(calls, cast, reported):
    answer = calls("observer").post(
        "breaches/", cast.body(submission_id=reported["id"], narrative="Another story.")
    )
    assert answer.status_code == 409
    assert reported["reference"] in answer.json()["detail"]
    assert OtherContent.objects.count() == 1


def test_to_a_stranger_a_conflict_says_nothing_of_the_record(calls, cast, reported):
    answer = calls("outsider").post(
        "breaches/", cast.body(submission_id=reported["id"], narrative="A guess.")
    )
    assert answer.status_code == 409
    assert reported["reference"] not in answer.content.decode()
    assert answer.json()["detail"] == "This submission_id is taken. Send a new one."


def test_no_report_is_refused_for_its_content(calls, cast):
    for changes, because in (
        (
            {"station": "nowhere", "phase": "lunch", "step": "dance", "case": "?"},
            "unknown codes are kept and flagged",
        ),
        ({"station": None, "worker": None, "occurred_at": None}, "nothing is known but that it happened"),
        ({"person": {"name": "Mara Tansy"}, "worker": None}, "an unlisted person becomes a worker at once"),
        ({"occurred_at": "9999-12-31T23:59:59-12:00"}, "no calendar has this instant in UTC"),
        ({"occurred_at": "9999-12-31T23:59:59"}, "nor this one, west of Greenwich"),
        ({"occurred_at": "0001-01-01T00:00:00"}, "nor this one, east of it"),
        ({"facts": {"contact": "\0", "skin": 10**40, "odd": [{"deep": None}]}}, "answers of any kind"),
        ({"narrative": "\ud800 alone \0"}, "text that no database holds"),
        ({"surprise": {"a": [1.5, True, None]}}, "unknown keys are kept"),
        ({"narrative": "x" * 100_000}, "a long story"),
    ):
        answer = calls("observer").post("breaches/", json.dumps(cast.body(**changes)))
        assert answer.status_code == 201, because


def test_a_report_names_every_field_of_the_wrong_type(calls, cast):
    body = cast.body(station=7, facts=["splash"], drill="yes")
    del body["submission_id"]
    answer = calls("observer").post("breaches/", body)
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    pointers = {error["pointer"] for error in answer.json()["errors"]}
    assert pointers == {"#/station", "#/facts", "#/drill", "#/submission_id"}
    assert not Breach.objects.exists()


def test_reporting_is_never_throttled(calls, cast, monkeypatch):
    monkeypatch.setattr("rest_framework.throttling.SimpleRateThrottle.THROTTLE_RATES", {"user": "1/hour"})
    statuses = {calls("observer").post("breaches/", cast.body()).status_code for _ in range(5)}
    assert statuses == {201}
    assert calls("observer").get("breaches/").status_code == 200  # reports do not use the allowance up
    assert calls("observer").get("breaches/").status_code == 429


def test_history_names_the_tokens_account_and_the_way_it_came(calls, cast):
    calls("observer").post("breaches/", cast.body())
    versions = Breach.history.all()
    assert {version.history_user_id for version in versions} == {cast.observer.actor}
    assert {version.origin for version in versions} == {"API 127.0.0.1 /api/v1/breaches/"}


def test_the_description_names_every_key_that_a_report_is_read_for():
    # "sealed" is put there by the service itself, where a tablet's envelope cannot be opened.
    assert set(SubmissionSerializer().fields) == KEYS - {"sealed"}


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite writes one at a time")
def test_a_hundred_identical_reports_at_once_are_one_record():
    cast = assemble()
    with doing("command:tests"):
        key, _token = tokens.issue(cast.nurse, label="tests", days=1, at=MONDAY)
    body = json.dumps(cast.body())

    def send(_number):
        try:
            headers = {"authorization": f"Bearer {key}"}
            return Client(headers=headers).post("/api/v1/breaches/", body, content_type="application/json")
        finally:
            connections.close_all()

    with ThreadPoolExecutor(max_workers=25) as pool:  # as many connections as a small server has to give
        answers = list(pool.map(send, range(100)))
    assert sorted(answer.status_code for answer in answers) == [200] * 99 + [201]
    assert len({json.dumps(answer.json(), sort_keys=True) for answer in answers}) == 1
    assert (Breach.objects.count(), FollowUp.objects.count()) == (1, 1)
