"""The nurse's pages: one person, from the story to the sign-off."""

from datetime import timedelta

import pytest

from exposure.attend.models import Alert, Call, Promise
from exposure.attend.overview import overview
from exposure.audit.models import AccessEntry
from exposure.followup.models import Reading, UnplacedReading
from exposure.pipeline import complete
from tests.cast import MONDAY, doing
from tests.web.nora import (
    DAY,
    HOUR,
    ID,
    cleared,
    confirmed,
    follow_up_of,
    measure,
    report,
    words,
)

pytestmark = pytest.mark.database


def test_the_story_stands_in_time_order_with_who_and_when(cast, nurse):
    confirmed(cast, report(cast), at=MONDAY + HOUR)
    measure(cast, MONDAY + 10 * HOUR, "38.4", symptoms=["headache"])
    said = words(nurse.open("person", cast.worker.uid, at=MONDAY + 11 * HOUR, order="oldest"))
    told = [
        "Breach reported Heron Olga Rowan",
        "Told by telephone Nora Teal",
        "38.4 °C in the mouth Symptoms: headache. Wim Alder",
        "Alert (fever): raised",
    ]
    assert [said.index(event) for event in told] == sorted(said.index(event) for event in told)
    assert "day 0 of 21" in said
    assert "times of Europe/Lisbon" in said


def test_opening_a_person_is_an_entry_of_the_access_log(cast, nurse):
    report(cast)
    nurse.open("person", cast.worker.uid)
    look = AccessEntry.objects.get(kind="person")
    assert (look.user, look.about) == (cast.nurse, cast.worker.uid)


def test_only_an_answered_call_is_contact(cast, nurse):
    follow_up = follow_up_of(report(cast))
    nurse.send("person_call", cast.worker.uid, at=MONDAY + HOUR, answered="no", note="Voice mail.")
    assert overview(follow_up, at=MONDAY + 3 * HOUR).last_contact_at == MONDAY
    nurse.send("person_call", cast.worker.uid, at=MONDAY + 2 * HOUR, answered="yes", note="Well.")
    assert overview(follow_up, at=MONDAY + 3 * HOUR).last_contact_at == MONDAY + 2 * HOUR


def test_a_double_tap_notes_one_call(cast, nurse):
    report(cast)
    for seconds in (0, 1):
        at = MONDAY + timedelta(seconds=seconds)
        nurse.send("person_call", cast.worker.uid, at=at, answered="yes", note="Well.")
    assert Call.objects.count() == 1


def test_a_missing_reading_is_explained_once_with_a_reason(cast, nurse):
    follow_up = follow_up_of(report(cast))
    missing = follow_up.checks.first()
    at = missing.closes_at
    assert "Not answered yet: Reason" in words(nurse.send("excuse", missing.uid, at=at))
    for _tap in range(2):
        page = nurse.send("excuse", missing.uid, at=at, reason="On a plane.")
    assert "Missing reading explained: day 0, evening On a plane. Nora Teal" in words(page)
    assert missing.fills.count() == 1


def test_a_reading_that_can_still_be_taken_is_not_explained_away(cast, nurse):
    check = follow_up_of(report(cast)).checks.first()
    page = nurse.send("excuse", check.uid, at=check.closes_at - HOUR, reason="Asleep.")
    assert "This reading can still be taken." in words(page)
    assert not check.fills.exists()


def test_a_recorded_reading_is_not_explained_away(cast, nurse):
    check = follow_up_of(report(cast)).checks.first()
    measure(cast, check.due_at)
    page = nurse.send("excuse", check.uid, at=check.closes_at, reason="Asleep.")
    assert "This reading is not missing" in words(page)
    assert check.fills.get().state == "recorded"


def reading_fields(nurse, cast, at, **changes):
    form = nurse.open("person_reading", cast.worker.uid, at=at).content.decode()
    normal = {"temperature": "36,8", "unit": "C", "method": "oral", "taken_at": "2026-03-02T19:00"}
    return {"submission_id": ID.search(form)[1], **normal, **changes}


def test_a_reading_from_a_call_is_stored_once_as_the_workers(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    fields = reading_fields(nurse, cast, at)
    for _tap in range(2):
        page = nurse.send("person_reading", cast.worker.uid, at=at, **fields)
    assert "Recorded." in words(page)
    stored = Reading.objects.get()
    assert (stored.worker, stored.entered_by, str(stored.value)) == (cast.worker, cast.nurse, "36.80")


def test_a_fever_from_a_call_says_that_an_alert_is_raised(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    page = nurse.send(
        "person_reading", cast.worker.uid, at=at, **reading_fields(nurse, cast, at, temperature="38.2")
    )
    assert "an alert is raised" in words(page)


def test_what_is_refused_comes_back_at_its_field(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    page = nurse.send(
        "person_reading",
        cast.worker.uid,
        at=at,
        **reading_fields(nurse, cast, at, method="", temperature="36.8"),
    )
    assert "Say where the temperature was taken." in words(page)
    assert 'href="#id_method_0"' in page.content.decode()


def test_a_refused_fever_is_kept_and_can_be_corrected(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    fields = reading_fields(nurse, cast, at, temperature="101.5")  # Fahrenheit under the unit C
    page = nurse.send("person_reading", cast.worker.uid, at=at, **fields)
    assert "What was typed is kept, and an alert is raised." in words(page)
    assert UnplacedReading.objects.get().typed == "101.5"
    fields |= {"submission_id": ID.search(page.content.decode())[1], "unit": "F"}
    nurse.send("person_reading", cast.worker.uid, at=at, **fields)
    assert (Reading.objects.get().unit, Alert.objects.filter(cause="fever").count()) == ("F", 1)


def test_a_task_is_done_with_a_note(cast, nurse):
    report(cast)
    task = Promise.objects.get(key="first_call")
    page = nurse.send("task_done", task.uid, note="Spoke at length.")
    assert "Done: First call to the worker Spoke at length. Nora Teal" in words(page)


def test_the_sign_off_says_exactly_what_stands_in_the_way(cast, nurse):
    breach = report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    follow_up = follow_up_of(breach)
    said = words(nurse.open("clear", follow_up.uid, at=MONDAY + HOUR))
    assert f"A report is not confirmed yet. {breach.reference}" in said
    assert "The last reading is still to come; it can be taken until Mon 23 Mar, 22:00." in said
    assert "An alert is open. Fever" in said
    assert "A task is not done. First call to the worker , Tell the public health authority" in said
    assert "The plan asks for a physician's signature." in said
    refused = nurse.sign_in(cast.physician).send("clear", follow_up.uid, at=MONDAY + HOUR)
    assert "A report is not confirmed yet." in words(refused)
    assert not follow_up.clearances.exists()


def test_the_physician_signs_and_it_takes_effect_when_the_last_day_ends(cast, nurse):
    follow_up = cleared(cast)
    page = nurse.sign_in(cast.physician).open("clear", follow_up.uid, at=MONDAY + 21 * DAY + 12 * HOUR)
    said = words(page)
    assert "Clearance: completed." in said
    assert "It takes effect Mon 23 Mar 2026, midnight" in said


def test_a_sign_off_refused_for_a_missing_last_reading_goes_through_once_it_is_explained(cast, nurse):
    breach = confirmed(cast, report(cast))
    follow_up = follow_up_of(breach)
    with doing(cast.nurse):
        for task in Promise.objects.filter(kind="task", exposure__follow_up=follow_up):
            complete.complete_task(task=task, note="", by=cast.nurse, at=MONDAY)
    *checks, last = follow_up.checks.all()
    for check in checks:
        measure(cast, check.due_at, taken_at=check.due_at.isoformat())
    at = last.closes_at
    nurse.sign_in(cast.physician)
    refused = nurse.send("clear", follow_up.uid, at=at)
    assert "The last reading of the last day is neither recorded nor explained." in words(refused)
    nurse.send("excuse", last.uid, at=at, reason="Thermometer broke; well by telephone.")
    for _tap in range(2):
        page = nurse.send("clear", follow_up.uid, at=at)
    assert "Signed. The follow-up ends Mon 23 Mar 2026, midnight." in words(page)
    assert follow_up.clearances.get().kind == "completed"


def test_a_gap_is_said_before_it_is_signed(cast, nurse):
    follow_up = follow_up_of(confirmed(cast, report(cast)))
    assert "completed with a gap" in words(nurse.open("clear", follow_up.uid, at=MONDAY + 3 * DAY))
