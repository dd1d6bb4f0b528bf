"""POST readings/: the worked exchange of the contract, refusals, and who may enter for whom."""

import json
from datetime import timedelta
from uuid import uuid4

import pytest

from exposure.api.readings import EntrySerializer
from exposure.followup.entry import DEFAULTS, TEXTS
from exposure.models import Alert, Check, Reading, UnplacedReading
from tests.cast import MONDAY

pytestmark = pytest.mark.database
EVENING = MONDAY.replace(hour=20)


@pytest.fixture
def evening(followed, standing_clock):
    """Wim is followed, and it is time for his first reading."""
    standing_clock(EVENING)


def test_a_fever_with_a_headache_is_answered_as_in_the_contract(calls, cast, evening):
    body = {
        "submission_id": str(uuid4()),
        "worker": cast.worker.number,
        "taken_at": EVENING.isoformat(),
        "temperature": "100.4",
        "unit": "F",
        "method": "oral",
        "felt_feverish": False,
        "fever_reducer": None,
        "fever_reducer_hours": None,
        "could_not": None,
        "replaces": None,
        "reason": None,
        "symptoms": ["headache"],
        "observed_by": None,
        "note": "",
    }
    answer = calls("worker").post("readings/", body)
    assert answer.status_code == 201
    got = answer.json()
    assert list(got) == ["id", "fills", "state", "triggers", "advice"]
    check = Check.objects.get(opens_at__lte=EVENING, closes_at__gt=EVENING)
    assert (got["id"], got["fills"]) == (body["submission_id"], [str(check.uid)])
    assert (got["state"], got["triggers"]) == ("recorded", ["fever", "symptom"])  # 100.4 F is 38.0 C
    for said in (cast.site.phone, cast.site.emergency_phone, "I am being monitored"):
        assert said in got["advice"]


def test_a_normal_reading_is_told_when_the_next_one_is(calls, cast, evening):
    got = calls("worker").post("readings/", cast.reading()).json()
    assert (got["state"], got["triggers"]) == ("recorded", [])
    assert (
        "Tuesday 3 March between 06:00 and 10:00" in got["advice"]
    )  # the cautious default windows, Lisbon time


def test_a_masked_normal_reading_is_asked_for_again(calls, cast, evening):
    got = (
        calls("worker")
        .post("readings/", cast.reading(fever_reducer="paracetamol", fever_reducer_hours="2"))
        .json()
    )
    assert (got["state"], got["fills"], got["triggers"]) == ("repeat_due", [], ["masked"])
    assert "repeat" in got["advice"]


def test_the_same_reading_again_is_the_first_one(calls, cast, evening):
    body = cast.reading()
    first, again = calls("worker").post("readings/", body), calls("worker").post("readings/", body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    assert Reading.objects.count() == 1


def test_the_same_id_with_another_value_is_a_conflict(calls, cast, evening):
    body = cast.reading()
    calls("worker").post("readings/", body)
    answer = calls("worker").post("readings/", {**body, "temperature": "36.9"})
    assert answer.status_code == 409
    assert answer["Content-Type"] == "application/problem+json"


def test_a_refused_entry_names_its_fields_and_is_not_kept(calls, cast, evening):
    body = cast.reading(temperature="98.6", unit="C", taken_at="yesterday")
    answer = calls("worker").post("readings/", body)
    assert answer.status_code == 400
    got = answer.json()
    assert {error["pointer"] for error in got["errors"]} == {"#/unit", "#/taken_at"}
    assert got["kept"] is False
    assert not UnplacedReading.objects.exists()


def test_a_refused_entry_that_is_a_fever_is_kept_and_says_stop(calls, cast, evening):
    answer = calls("worker").post("readings/", cast.reading(temperature="101.5", unit="C"))
    assert answer.status_code == 400
    got = answer.json()
    assert (got["kept"], got["triggers"]) == (True, ["fever"])
    assert got["errors"][0]["pointer"] == "#/unit"
    assert cast.site.phone in got["advice"]
    assert UnplacedReading.objects.get().typed == "101.5"
    assert Alert.objects.filter(cause="fever", closed_at=None).exists()


def test_a_wrong_type_is_named(calls, cast, evening):
    for changes, pointer in (
        ({"submission_id": None}, "#/submission_id"),
        ({"submission_id": 5}, "#/submission_id"),
        ({"temperature": 36.8}, "#/temperature"),
        ({"symptoms": "headache"}, "#/symptoms"),
        ({"felt_feverish": "no"}, "#/felt_feverish"),
        ({"worker": 1042}, "#/worker"),
    ):
        answer = calls("worker").post("readings/", cast.reading(**changes))
        assert answer.status_code == 400
        assert pointer in {error["pointer"] for error in answer.json()["errors"]}


def test_whoever_has_no_record_must_say_whose_reading_it_is(calls, cast, evening):
    answer = calls("nurse").post("readings/", cast.reading())
    assert [error["pointer"] for error in answer.json()["errors"]] == ["#/worker"]


def test_a_nurse_enters_for_a_worker_of_her_site_by_number_or_uid(calls, cast, evening):
    for named in (cast.worker.number, str(cast.worker.uid)):
        assert calls("nurse").post("readings/", cast.reading(worker=named)).status_code == 201
    assert {reading.entered_by for reading in Reading.objects.all()} == {cast.nurse}


def test_whoever_may_not_enter_for_a_worker_is_told_nothing_of_them(calls, cast, evening):
    for name in ("observer", "lead", "auditor", "administrator", "outsider"):
        theirs = calls(name).post("readings/", cast.reading(worker=cast.worker.number))
        nobodys = calls(name).post("readings/", cast.reading(worker="SG-0000"))
        assert (theirs.status_code, nobodys.status_code) == (404, 404)
        assert theirs.content == nobodys.content


def test_a_worker_named_by_text_that_no_database_holds_is_not_there(calls, cast, evening):
    for named in ("\0", "SG-\0", "\ud800", "", "x" * 5000):
        answer = calls("nurse").post("readings/", json.dumps(cast.reading(worker=named)))
        assert answer.status_code == 404, named


def test_readings_are_throttled_with_the_time_to_go_on(calls, cast, evening, monkeypatch):
    rates = {"user": "600/min", "readings": "1/min"}
    monkeypatch.setattr("rest_framework.throttling.SimpleRateThrottle.THROTTLE_RATES", rates)
    calls("worker").post("readings/", cast.reading())
    answer = calls("worker").post("readings/", cast.reading())
    assert answer.status_code == 429
    assert answer["Content-Type"] == "application/problem+json"
    assert 0 < int(answer["Retry-After"]) <= timedelta(minutes=1).total_seconds()


def test_the_description_names_every_key_that_a_reading_is_read_for():
    read = {*TEXTS, *DEFAULTS, "submission_id", "taken_at", "fever_reducer_hours", "worker"}
    assert set(EntrySerializer().fields) == read
