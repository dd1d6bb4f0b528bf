"""Whom to ring: one list, one form, and the round of those who give their readings by telephone."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend import alerts
from exposure.attend.models import Alert, Call, OtherDecision, Promise
from exposure.followup.models import Reading
from exposure.pipeline import complete
from exposure.pipeline.call import note_call
from exposure.refusal import Conflict
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.web.nora import DAY, HOUR, ID, confirmed, follow_up_of, measure, report, rows_of, words

pytestmark = pytest.mark.database
EVENING = MONDAY + 10 * HOUR
FIRST = "First call to the worker"


def only_by_telephone(worker):
    with doing("command:tests"):
        worker.phone_only = True
        worker.save()


def ask_to_be_called(cast, at=MONDAY):
    with doing("command:tests", at=at):
        return alerts.raise_alert(cast.worker, Alert.Cause.CALL_ME, "Please call.", site=cast.site, at=at)


def test_readings_missing_silence_first_calls_and_requests_stand_in_one_list_with_the_number(cast, nurse):
    confirmed(cast, report(cast))
    [row] = rows_of(nurse.open("calls", at=MONDAY + HOUR))
    assert "First call The first call, with its questions. Tue 3 Mar, 09:00" in row
    ask_to_be_called(cast)
    [row] = rows_of(nurse.open("calls", at=MONDAY + DAY))
    assert row.index("Asks to be called") < row.index("Reading missing The last reading is missing.")
    silent = nurse.open("calls", at=MONDAY + 3 * DAY)
    assert "missing" in rows_of(silent)[0]
    assert 'href="tel:+351900000042"' in silent.content.decode()


def test_whoever_is_well_is_not_on_it_and_nobody_of_another_site(cast, nurse):
    breach = confirmed(cast, report(cast))
    with doing(cast.nurse):
        for task in Promise.objects.filter(kind="task"):
            complete.complete_task(task=task, note="", by=cast.nurse, at=MONDAY)
    measure(cast, EVENING)
    assert "Nobody is to be rung now." in words(nurse.open("calls", at=EVENING))
    late = MONDAY + 2 * DAY
    assert rows_of(nurse.open("calls", at=late)) != []
    nurse.sign_in(cast.outsider)
    assert rows_of(nurse.open("calls", at=late)) == []
    assert follow_up_of(breach).ended_at is None


def test_a_call_completes_exactly_what_was_chosen(cast, nurse):
    breach = report(cast)
    ask_to_be_called(cast)
    first, other = Promise.objects.filter(kind="task").order_by("key")
    page = words(nurse.open("person_call", cast.worker.uid))
    assert "How they would be fetched if they fell ill" in page
    telling = Promise.objects.get(kind="tell")
    asked = Alert.objects.get(cause="call_me")
    chosen = [f"promise:{first.uid}:0", f"promise:{telling.uid}:0", f"alert:{asked.uid}:1"]
    nurse.send("person_call", cast.worker.uid, answered="yes", note="Well.", line_room="yes", settles=chosen)
    for row in (first, other, telling, asked):
        row.refresh_from_db()
    assert Call.objects.get().note == "Well.\nWhether they have a room of their own: yes"
    assert (first.kept_by, first.note) == (cast.nurse, Call.objects.get().note)
    assert (telling.kept_by, breach.tellings.get().by) == (cast.nurse, "phone")
    assert (asked.closed_by, asked.outcome) == (cast.nurse, "reached")
    assert other.kept_at is None


def test_a_call_that_nobody_answered_settles_nothing_and_says_so(cast, nurse):
    report(cast)
    task = Promise.objects.filter(kind="task").first()
    chosen = [f"promise:{task.uid}:0"]
    page = nurse.send("person_call", cast.worker.uid, answered="no", note="Voice mail.", settles=chosen)
    assert "A call that nobody answered settles nothing." in words(page)
    task.refresh_from_db()
    assert (task.kept_at, Call.objects.count()) == (None, 0)


def test_of_two_calls_about_one_task_the_second_is_kept_and_told_of_the_first(cast, nurse):
    report(cast)
    task = Promise.objects.filter(kind="task").first()
    with doing(cast.nurse2):
        complete.complete_task(task=task, note="Rang at nine.", by=cast.nurse2, at=MONDAY)
    chosen = [f"promise:{task.uid}:0", "promise:nonsense", "alert:"]
    page = nurse.send("person_call", cast.worker.uid, answered="yes", note="Well.", settles=chosen[:1])
    assert "Somebody was before you" in words(page)
    assert "Rang at nine." in words(page)
    assert Call.objects.get().note == "Well."
    refused = nurse.send("person_call", cast.worker.uid, answered="yes", note="Well.", settles=chosen)
    assert "nonsense" in words(refused)


def test_a_request_that_came_again_since_it_was_read_stays_open(cast):
    report(cast)
    read = ask_to_be_called(cast)
    ask_to_be_called(cast)
    said = {"answered": True, "note": "Well.", "settles": [read], "by": cast.nurse, "at": MONDAY}
    with doing(cast.nurse), pytest.raises(Conflict):
        note_call(worker=cast.worker, **said)
    assert Alert.objects.get(cause="call_me").closed_at is None
    assert (Call.objects.count(), OtherDecision.objects.get().deed) == (1, "close")


def test_a_reading_of_the_round_is_recorded_from_its_line_and_leads_back_to_it(cast, nurse):
    confirmed(cast, report(cast))
    measure(cast, EVENING - DAY / 24, "36.6", method="tympanic")
    assert "Nobody is on this round." in words(nurse.open("telephone_round", at=EVENING))
    only_by_telephone(cast.worker)
    morning = MONDAY + DAY
    page = nurse.open("telephone_round", at=morning)
    assert "last: 36.6 °C in the ear" in words(page)
    html = page.content.decode()
    assert f'name="taken_at" value="{morning:%Y-%m-%dT%H:%M}"' in html
    sent = {"submission_id": ID.search(html)[1], "taken_at": f"{morning:%Y-%m-%dT%H:%M}", "unit": "C"}
    address = reverse("person_reading", args=[cast.worker.uid]) + "?from=telephone_round"
    answer = nurse.client.post(address, {**sent, "temperature": "36.9", "method": "tympanic"})
    assert answer["Location"] == f"/calls/round/#person-{cast.worker.uid}"
    assert str(Reading.objects.last().value.normalize()) == "36.9"


def test_a_call_try_that_is_due_is_on_the_list_and_gone_once_answered(cast, nurse):
    report(cast)
    again = EVENING + timedelta(minutes=5)
    with doing(cast.nurse, at=EVENING):
        said = {"answered": False, "note": "", "try_again_at": again, "by": cast.nurse}
        note_call(worker=cast.worker, at=EVENING, **said)
    assert "Ring again." in words(nurse.open("calls", at=again))
    with doing(cast.nurse, at=again):
        note_call(worker=cast.worker, answered=True, note="", by=cast.nurse, at=again)
    assert "Ring again." not in words(nurse.open("calls", at=again))


HIGHEST = {"contact": "splash", "skin": "intact"}  # ebola 2023.1, rule VHF-1: nothing is left open


def test_spoken_and_confirmed_is_one_tick_where_every_answer_is_settled(cast, nurse):
    breach = report(cast, facts=HIGHEST)
    asked = Promise.objects.get(kind="confirm")
    page = words(nurse.open("person_call", cast.worker.uid))
    assert f"Spoken and confirmed: report {breach.reference}, as it was answered" in page
    nurse.send(
        "person_call", cast.worker.uid, answered="yes", note="All so.", settles=[f"promise:{asked.uid}:0"]
    )
    breach.refresh_from_db()
    assert (breach.confirmed_by, breach.confirmation_note) == (cast.nurse, "All so.")
    asked.refresh_from_db()
    assert asked.kept_by == cast.nurse


def test_where_answers_are_open_the_call_is_kept_and_leads_to_them_with_what_was_typed(cast, nurse):
    breach = report(cast, facts={})
    asked = Promise.objects.get(kind="confirm")
    chosen = [f"promise:{asked.uid}:0"]
    page = nurse.send("person_call", cast.worker.uid, answered="yes", note="Was on nights.", settles=chosen)
    made = Call.objects.get()
    assert page.request["PATH_INFO"] == reverse("breach_confirm", args=[breach.uid])
    assert page.context["form"]["note"].value() == made.note == "Was on nights."
    assert "go through its answers: some are open or in doubt." in words(page)
    breach.refresh_from_db()
    assert breach.confirmed_at is None
    nurse.sign_in(cast.nurse2)
    elsewhere = nurse.client.get(page.request["PATH_INFO"], {"call": str(made.uid)})
    assert elsewhere.context["form"]["note"].value() in ("", None)


def test_over_the_api_a_report_with_open_answers_is_refused_at_its_place(cast, standing_clock):
    standing_clock(MONDAY)
    report(cast, facts={})
    asked = Promise.objects.get(kind="confirm")
    body = {"worker": cast.worker.number, "answered": True, "tasks": [str(asked.uid)]}
    answer = Caller(cast.nurse).post("calls/", body)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "#/tasks/0")
    assert Call.objects.count() == 0
