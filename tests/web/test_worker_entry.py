"""What the form asks once more before it takes a reading, and what the answer says: nothing passes unseen, nothing is
lost, and nothing that is to stop the worker waits for a question."""

import re
from datetime import UTC, datetime, timedelta

import pytest

from exposure.attend.models import Alert
from exposure.followup.models import Reading
from exposure.followup.readings import celsius, parse_temperature
from tests.cast import MONDAY, doing
from tests.web.wim import EVENING, ID, confirm, enter, errors, h1, monitored, report, tell, words

pytestmark = pytest.mark.database

SYMPTOMS_OPEN = "Tick each one that you have, or “None of these”."


def test_the_form_offers_none_of_these_after_the_symptoms(cast, wim):
    monitored(cast)
    page = wim.get("today", EVENING).content.decode()
    offered = re.findall(r'name="symptoms" value="([^"]+)"', page)
    assert offered[-1] == "none"
    assert "bleeding" in offered


def test_symptoms_not_answered_are_asked_again_and_nothing_is_lost(cast, wim):
    monitored(cast)
    page = wim.send(EVENING, symptoms=[], fever_reducer="aspirin", fever_reducer_hours="9")
    assert page.status_code == 422
    assert errors(page, "symptoms") == SYMPTOMS_OPEN
    typed = {"temperature": "36.8", "method": "oral", "fever_reducer": "aspirin", "fever_reducer_hours": "9"}
    assert {name: page.context["form"][name].value() for name in typed} == typed
    assert not Reading.objects.exists()


def test_the_question_stands_beside_what_else_is_wrong(cast, wim):
    monitored(cast)
    page = wim.send(EVENING, symptoms=[], temperature="98.6")
    assert "98.6 looks like °F" in errors(page, "unit")
    assert errors(page, "symptoms") == SYMPTOMS_OPEN


def test_none_of_these_is_echoed_in_the_answer(cast, wim):
    monitored(cast)
    assert "No symptoms." in words(wim.send(EVENING, symptoms=["none"]))
    assert Reading.objects.get().symptoms == []


def test_a_symptom_ticked_beside_none_of_these_counts(cast, wim):
    monitored(cast)
    answer = wim.send(EVENING, symptoms=["headache", "none"])
    assert h1(answer) == "Stop, and call"
    assert "Symptoms: Severe headache." in words(answer)


@pytest.mark.parametrize(
    "typed",
    [
        {"temperature": "38.4"},
        {"temperature": "101.5"},  # refused, and a fever
        {"felt_feverish": "on"},
        {"temperature": "39", "taken_at": "noonish"},
    ],
)
def test_what_is_to_stop_the_worker_is_taken_before_anything_is_asked(cast, wim, typed):
    monitored(cast)
    assert h1(wim.send(EVENING, symptoms=[], **typed)) == "Stop, and call"
    assert Alert.objects.filter(cause="fever", closed_at=None).exists()


def test_a_fever_without_an_answer_to_the_symptoms_does_not_claim_that_there_were_none(cast, wim):
    monitored(cast)
    assert "None of these" not in words(wim.send(EVENING, symptoms=[], temperature="38.4"))


@pytest.mark.parametrize(("typed", "unit"), [("34.9", "C"), ("30.0", "C"), ("94.9", "F"), ("86", "F")])
def test_a_value_that_a_thermometer_hardly_shows_is_asked_once_more_then_taken(cast, wim, typed, unit):
    monitored(cast)
    page = wim.send(EVENING, temperature=typed, unit=unit)
    assert page.status_code == 422
    assert f"{typed} is lower than a thermometer usually shows." in errors(page, "temperature")
    assert page.context["form"]["temperature"].value() == typed
    assert not Reading.objects.exists()
    uid = ID.search(page.content.decode())[1]
    asked = re.search(r'name="asked_low" value="([^"]*)"', page.content.decode())[1]
    answer = wim.post(EVENING, submission_id=uid, temperature=typed, unit=unit, asked_low=asked)
    assert h1(answer) == "Recorded"
    assert Reading.objects.get().unit == unit


@pytest.mark.parametrize(("typed", "unit"), [("35.0", "C"), ("95.0", "F"), ("35", "C")])
def test_from_35_degrees_on_nothing_is_asked(cast, wim, typed, unit):
    monitored(cast)
    assert h1(wim.send(EVENING, temperature=typed, unit=unit)) == "Recorded"


def test_both_limits_are_the_same_temperature():
    assert celsius(parse_temperature("95.0", "F").value, "F") == 35


def test_a_low_value_with_a_symptom_stops_at_once(cast, wim):
    monitored(cast)
    assert h1(wim.send(EVENING, temperature="34.0", symptoms=["vomiting"])) == "Stop, and call"


def test_who_cannot_is_asked_nothing_more_and_learns_what_happens_next(cast, wim):
    monitored(cast)
    answer = wim.send(EVENING, temperature="", symptoms=[], could_not="No thermometer here")
    assert h1(answer) == "Noted: no reading"
    said = words(answer)
    assert "Occupational health knows: it stands on their list with your reason, and they ring you." in said
    assert cast.site.phone in said
    assert "Symptoms" not in said
    assert Alert.objects.filter(cause="could_not").count() == 1  # the list that it is said to stand on


def test_a_masked_reading_is_said_not_to_be_reassuring(cast, wim):
    monitored(cast)
    answer = words(wim.send(EVENING, fever_reducer="ibuprofen", fever_reducer_hours="1"))
    assert "It is not reassuring: medicine against fever can hide one." in answer
    assert "The last one is not reassuring" in words(wim.get("today", EVENING + timedelta(minutes=5)))


def test_so_is_one_beside_a_reading_that_counts(cast, wim):
    monitored(cast)
    enter(cast, EVENING)
    answer = wim.send(EVENING + timedelta(hours=1), fever_reducer="ibuprofen", fever_reducer_hours="1")
    assert Reading.objects.order_by("taken_at").last().state == "extra"
    assert h1(answer) == "Recorded"
    assert "It is not reassuring: medicine against fever can hide one." in words(answer)
    assert "not reassuring: medicine against fever" in words(wim.get("my_days", EVENING + timedelta(hours=1)))


# The night in which the clocks change: the end and the beginning of summer time in the European Union are at 01:00 UTC
# on the last Sunday of October and of March (Directive 2000/84/EC).


def in_berlin(cast, first_day):
    """Wim is in Berlin and followed up since `first_day`."""

    with doing("command:tests"):
        cast.worker.own_zone = "Europe/Berlin"
        cast.worker.save()
    breach = report(cast, at=first_day, occurred_at=first_day.isoformat())
    tell(cast, breach, at=first_day)
    confirm(cast, breach, at=first_day)


def test_a_time_that_came_twice_is_asked_and_either_is_taken(cast, wim):
    at = datetime(2026, 10, 25, 6, 0, tzinfo=UTC)
    in_berlin(cast, at - timedelta(days=3))
    page = wim.send(at, taken_at="2026-10-25T02:30")
    assert "came twice that night" in errors(page, "taken_at")
    body = page.content.decode()
    assert "The first 02:30, before they went back (CEST)" in body
    assert "The second 02:30, after they went back (CET)" in body
    for chosen, instant in (
        ("2026-10-25T02:30:00+02:00", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        ("2026-10-25T02:30:00+01:00", datetime(2026, 10, 25, 1, 30, tzinfo=UTC)),
    ):
        assert f'value="{chosen}"' in body
        wim.send(at, taken_at="2026-10-25T02:30", taken_at_which=chosen)
        assert Reading.objects.filter(taken_at=instant).exists()


def test_a_time_that_never_was_is_said_so(cast, wim):
    at = datetime(2026, 3, 29, 6, 0, tzinfo=UTC)
    in_berlin(cast, at - timedelta(days=3))
    page = wim.send(at, taken_at="2026-03-29T02:30")
    assert "There was no 02:30 on that day in Europe/Berlin" in errors(page, "taken_at")
    assert "such as 03:30" in errors(page, "taken_at")


def test_a_fever_at_a_time_that_came_twice_does_not_wait_for_the_answer(cast, wim):
    at = datetime(2026, 10, 25, 6, 0, tzinfo=UTC)
    in_berlin(cast, at - timedelta(days=3))
    assert h1(wim.send(at, taken_at="2026-10-25T02:30", temperature="38.9")) == "Stop, and call"


def test_nothing_is_asked_of_who_is_not_followed_up(cast, wim):
    page = wim.post(MONDAY, symptoms=[])
    assert "No readings are asked of this person." in words(page)
