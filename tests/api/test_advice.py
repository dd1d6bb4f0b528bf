"""What the answer to a reading tells its worker to do: the same as the pages, whoever has entered it."""

from datetime import timedelta
from uuid import uuid4

import pytest

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp
from exposure.pipeline import attend, evaluate
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database
EVENING = MONDAY.replace(hour=20)
HOUR = timedelta(hours=1)
STANDS = "It stands until occupational health has told you otherwise, whatever you measure next."


@pytest.fixture
def evening(followed, standing_clock):
    standing_clock(EVENING)


def advice(calls, cast, who="worker", **changes):
    named = {} if who == "worker" else {"worker": cast.worker.number}
    return calls(who).post("readings/", cast.reading(**named, **changes)).json()["advice"]


def close(cast, at=EVENING):
    with doing(cast.nurse, at=at):
        for alert in Alert.objects.filter(closed_at=None):
            attend.close_alert(alert=alert, outcome="evaluated", note="Looked at.", by=cast.nurse, at=at)


@pytest.mark.parametrize("who", ["worker", "nurse"])
def test_a_stop_stands_in_the_answer_to_a_later_normal_reading(calls, cast, evening, standing_clock, who):
    first = advice(calls, cast, who, temperature="38.4")
    assert first.startswith(f"Stop, and call {cast.site.phone}. No answer in 15 minutes")
    assert "Telephone; do not walk in anywhere." in first
    standing_clock(EVENING + HOUR)
    later = advice(calls, cast, who)
    assert later.startswith(f"Recorded. Stop, and call {cast.site.phone}.")
    assert STANDS in later
    assert "The next one is" not in later


def test_once_it_is_closed_the_next_reading_is_told_again(calls, cast, evening, standing_clock):
    advice(calls, cast, temperature="38.4")
    close(cast)
    standing_clock(EVENING + HOUR)
    assert advice(calls, cast).startswith("Recorded. The next one is on Tuesday 3 March")


def test_a_reading_that_is_still_due_is_told_before_the_next_one(calls, cast, evening):
    said = advice(calls, cast, taken_at=(EVENING - 5 * HOUR).isoformat())
    assert said.startswith("Recorded. Still due: the one on Monday 2 March between 18:00 and 22:00.")


def test_an_urgent_symptom_puts_the_emergency_number_first(calls, cast, evening):
    said = advice(calls, cast, temperature=None, unit=None, method=None, symptoms=["bleeding"])
    assert said.startswith(
        f"Stop, and call the emergency number: {cast.site.emergency_phone}. Say first: I am"
    )
    assert said.index(cast.site.emergency_phone) < said.index(cast.site.phone)


@pytest.mark.parametrize("temperature", ["36.8", "38.4"])
def test_whom_nobody_has_told_learns_whom_to_ring_and_nothing_else(calls, cast, reported, temperature):
    said = advice(calls, cast, temperature=temperature)
    assert cast.site.phone in said
    assert said.startswith("Please ring")
    for news in ("next one", "infection", "monitored", "Recorded", "06:00"):
        assert news not in said
    assert (cast.site.emergency_phone in said) is (temperature == "38.4")


def test_what_nobody_has_told_moves_no_reading_in_the_answer(calls, cast, followed, standing_clock):
    last_evening = standing_clock(MONDAY + timedelta(days=21, hours=10))
    body = cast.body(submission_id=str(uuid4()), occurred_at=(last_evening - HOUR).isoformat())
    assert calls("observer").post("breaches/", body).status_code == 201
    said = advice(calls, cast)
    assert f"Please ring {cast.site.phone}." in said
    assert "No further reading is planned." in said


def test_a_masked_reading_is_not_reassuring_also_as_an_extra_one(calls, cast, evening, standing_clock):
    masked = {"fever_reducer": "paracetamol", "fever_reducer_hours": "2"}
    assert "It is not reassuring" in advice(calls, cast, **masked)
    standing_clock(EVENING + HOUR)
    advice(calls, cast)
    standing_clock(EVENING + HOUR * 1.5)
    answer = calls("worker").post("readings/", cast.reading(**masked)).json()
    assert answer["state"] == "extra"
    assert "It is not reassuring: medicine against fever can hide one." in answer["advice"]


def test_who_could_not_learns_that_occupational_health_knows(calls, cast, evening):
    said = advice(calls, cast, temperature=None, unit=None, method=None, could_not="No thermometer.")
    assert said.startswith("Noted: no reading. Occupational health knows: it stands on their list")


def test_who_is_looked_after_is_told_so_once_somebody_has_seen_the_fever(calls, cast, evening, followed):
    advice(calls, cast, temperature="38.4")
    with doing(cast.nurse, at=EVENING):
        attend.acknowledge_alert(alert=Alert.objects.get(cause="fever"), by=cast.nurse, at=EVENING)
    with doing(cast.physician, at=EVENING):
        evaluate.begin_evaluation(
            follow_up=FollowUp.objects.get(), reason="Seen.", by=cast.physician, at=EVENING
        )
    assert "Do what the people who look after you say." in advice(calls, cast)
