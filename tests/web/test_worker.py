"""The exposed worker's pages, as somebody with a browser sees them. The texts of the stop notice and of the waiting
page are those of the product's own specification; what counts as a fever is tested with the readings."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp, FollowUpState, Reading, UnplacedReading
from exposure.followup.states import enter_state
from exposure.people.models import Worker
from exposure.pipeline import attend, clear, complete, remind
from exposure.pipeline.expose import record_exposure
from exposure.remind.models import Rung
from tests.cast import MONDAY, PASSWORD, adopt, doing
from tests.web.wim import (
    EVENING,
    ID,
    TOKEN,
    TUESDAY_MORNING,
    Browser,
    confirm,
    enter,
    errors,
    h1,
    monitored,
    report,
    tell,
    words,
)

pytestmark = pytest.mark.database

# What there is to do now


def test_somebody_without_a_follow_up_is_asked_for_nothing(cast, wim):
    page = wim.get("today", MONDAY)
    assert "Nothing is asked of you" in words(page)
    assert 'name="temperature"' not in page.content.decode()


@pytest.mark.parametrize("page", ["today", "my_days", "what_this_means"])
def test_a_worker_whom_nobody_has_told_reads_only_please_ring(cast, wim, page):
    report(cast)
    assert words(wim.get(page, MONDAY)) == f"Please ring {cast.site.phone}"


def test_a_worker_who_is_told_but_not_confirmed_learns_by_when_the_call_comes_and_no_tier(cast, wim):
    breach = report(cast)
    tell(cast, breach)
    page = words(wim.get("today", MONDAY))
    # The criteria's plan says confirm_within: 2h; 09:00 in Lisbon's winter is 09:00 UTC.
    assert "Please start no shift with patients We will call by 11:00." in page
    assert "High-risk" not in page
    assert "bola" not in page


def test_a_call_that_is_late_turns_into_a_number_to_ring(cast, wim):
    tell(cast, report(cast))
    page = words(wim.get("today", MONDAY + timedelta(hours=3)))
    assert f"Please ring now We meant to call by 11:00. {cast.site.phone} Please start no shift" in page
    assert h1(wim.get("today", MONDAY + timedelta(hours=3))) == "Please ring now"


def test_a_worker_who_is_not_confirmed_yet_can_log_a_reading_already(cast, wim):
    tell(cast, report(cast))
    assert "Recorded" in words(wim.send(EVENING))
    assert Reading.objects.get().state == "recorded"


def test_the_reading_to_take_now_is_named_with_its_window(cast, wim):
    monitored(cast)
    page = words(wim.get("today", EVENING))
    assert "Take your temperature now Due this evening, 18:00 to 22:00." in page


def test_between_two_windows_the_next_reading_is_named(cast, wim):
    monitored(cast)
    assert "Your next reading is this evening, 18:00 to 22:00." in words(wim.get("today", MONDAY))


def test_a_reading_that_was_missed_can_still_be_entered_until_the_next_window_opens(cast, wim):
    monitored(cast)
    page = words(wim.get("today", MONDAY.replace(hour=23)))
    assert "A reading is missing It was due this evening, 18:00 to 22:00." in page


def test_times_are_those_of_the_workers_own_zone(cast, wim):
    with doing("command:tests"):
        cast.worker.own_zone = "America/Halifax"
        cast.worker.save()
    monitored(cast)
    # 09:00 UTC is 05:00 in Halifax in winter, so the morning window is still to come there.
    assert "Your next reading is this morning, 06:00 to 10:00." in words(wim.get("today", MONDAY))


def test_while_a_worker_is_being_evaluated_no_reading_is_due(cast, wim):
    follow_up = monitored(cast)
    with doing(cast.physician):
        enter_state(follow_up, FollowUpState.Kind.EVALUATED, at=MONDAY, by=cast.physician.actor)
    page = words(wim.get("today", EVENING))
    assert "Reminders are paused." in page
    assert "Take your temperature now" not in page


def cleared(cast):
    """The last reading taken, every task done, signed by the physician on the last evening."""
    follow_up = monitored(cast)
    enter(cast, follow_up.checks.last().due_at)
    at = follow_up.checks.last().due_at + timedelta(minutes=10)
    with doing(cast.physician, at=at):
        for exposure in follow_up.exposures.all():
            for task in exposure.promises.filter(kind="task"):
                complete.complete_task(task=task, note="", by=cast.physician, at=at)
        for alert in Alert.objects.filter(closed_at=None):
            attend.close_alert(alert=alert, outcome="evaluated", note="Looked at.", by=cast.physician, at=at)
        clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=at)
    return at


def test_a_clearance_takes_effect_when_the_last_day_ends_and_readings_are_taken_on(cast, wim):
    at = cleared(cast)
    page = words(wim.get("today", at))
    # Exposed on 2 March, 21 days: the last day is 23 March, over at midnight in Lisbon (UTC in winter).
    assert "Signed, and effective when the last day ends: Mon 23 Mar 2026, midnight." in page
    assert "Readings are still taken for 14 days. If you feel ill, ring; do not walk in." in page
    assert cast.site.phone in page
    after = words(wim.get("today", at + timedelta(days=10)))
    assert "In effect since your last day ended: Mon 23 Mar 2026, midnight." in after


def test_a_clearance_after_a_silence_says_that_there_was_a_gap(cast, wim):
    at = cleared(cast)
    assert "It reads “completed with a gap”" in words(wim.get("what_this_means", at))


def test_a_fever_ten_days_after_clearance_still_stops_the_worker(cast, wim):
    at = cleared(cast)
    assert "Stop, and call" in words(wim.send(at + timedelta(days=10), temperature="39.0"))


def test_three_weeks_after_clearance_no_form_stands_on_the_page(cast, wim):
    at = cleared(cast)
    assert 'name="temperature"' not in wim.get("today", at + timedelta(days=21)).content.decode()


# Stop and call


def test_a_fever_stops_the_worker_with_whom_to_call_and_what_to_say(cast, wim):
    monitored(cast)
    page = words(wim.send(EVENING, temperature="38.4"))
    for sentence in (
        f"Stop, and call {cast.site.phone}",
        "At home: stay in a room alone.",
        "Out or at work: move away from people, put on a mask, no public transport.",
        "No answer in 15 minutes, or bleeding, trouble breathing, confusion: call 112 and say first: "
        "I am being monitored after contact with a dangerous infection.",
    ):
        assert sentence in page


def test_a_symptom_without_a_temperature_stops_the_worker_too(cast, wim):
    monitored(cast)
    assert "Stop, and call" in words(wim.send(EVENING, temperature="", symptoms=["vomiting"]))


def test_feeling_feverish_without_a_thermometer_stops_the_worker(cast, wim):
    monitored(cast)
    assert "Stop, and call" in words(wim.send(EVENING, temperature="", felt_feverish="on"))


def test_the_stop_stands_on_today_until_a_clinician_has_closed_the_alert(cast, wim):
    monitored(cast)
    enter(cast, EVENING, temperature="38.4")
    assert "Stop, and call" in words(wim.get("today", EVENING))
    alert = Alert.objects.get(cause="fever")
    with doing(cast.nurse, at=EVENING):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=EVENING)
    assert "Occupational health has seen this: Mon 2 Mar 2026, 19:00." in words(wim.get("today", EVENING))
    with doing(cast.nurse, at=EVENING):
        attend.close_alert(alert=alert, outcome="evaluated", note="Looked at.", by=cast.nurse, at=EVENING)
    assert "Stop, and call" not in words(wim.get("today", EVENING))


def test_a_stop_shows_its_number_once_whatever_else_waits(cast, wim):
    monitored(cast)
    enter(cast, EVENING, temperature="38.4")
    report(cast, at=EVENING, occurred_at=EVENING.isoformat())
    shown = words(wim.get("today", EVENING))
    assert "Stop, and call" in shown
    assert "Please ring" not in shown


def test_during_a_stop_another_reading_can_be_entered(cast, wim):
    monitored(cast)
    enter(cast, EVENING, temperature="38.4")
    wim.send(EVENING + timedelta(hours=1), temperature="38.9")
    assert Reading.objects.count() == 2


# Logging a reading


def test_a_normal_reading_is_recorded_and_the_next_one_is_named(cast, wim):
    monitored(cast)
    page = words(wim.send(EVENING))
    assert "The next one is tomorrow morning, 06:00 to 10:00." in page
    assert "Recorded 36.8 °C, in the mouth. No symptoms." in page


def test_the_answer_is_a_page_that_can_be_reloaded_without_sending_again(cast, wim):
    monitored(cast)
    answer = wim.send(EVENING, follow=False)
    assert answer.status_code == 302
    assert answer.url == reverse("reading_taken", kwargs={"uid": Reading.objects.get().uid})


def test_a_double_tap_stores_one_reading(cast, wim):
    monitored(cast)
    uid = str(uuid4())
    first, second = (wim.post(EVENING, follow=False, submission_id=uid) for _ in range(2))
    assert first.url == second.url
    assert Reading.objects.count() == 1


def test_a_page_gone_back_to_and_sent_with_a_fever_is_a_second_reading(cast, wim):
    monitored(cast)
    uid = str(uuid4())
    wim.post(EVENING, submission_id=uid)
    pages = [wim.post(EVENING, submission_id=uid, temperature="38.6") for _ in range(2)]
    assert all("Stop, and call" in words(page) for page in pages)
    assert sorted(str(one.value) for one in Reading.objects.all()) == ["36.80", "38.60"]


def test_every_opened_form_has_its_own_id(cast, wim):
    monitored(cast)
    pages = [wim.get("today", EVENING).content.decode() for _ in range(2)]
    assert ID.search(pages[0])[1] != ID.search(pages[1])[1]


def test_a_reading_soon_after_a_fever_reducer_is_to_be_repeated_and_when(cast, wim):
    monitored(cast)
    page = words(wim.send(EVENING, fever_reducer="paracetamol", fever_reducer_hours="4"))
    # The criteria's reducer_hours is 6: two more hours than the four that have passed.
    assert (
        "It is not reassuring: medicine against fever can hide one. Take your temperature again "
        "after 21:00." in page
    )
    assert "Please repeat your reading" in words(wim.get("today", EVENING + timedelta(hours=1)))


def test_a_repeat_that_falls_into_the_next_window_is_said_to_be_the_next_reading(cast, wim):
    monitored(cast)
    late = MONDAY.replace(hour=14) + timedelta(days=1)  # the morning's reading, four hours after its window
    page = words(wim.send(late, fever_reducer="ibuprofen", fever_reducer_hours="1"))
    assert "Take your temperature again after 19:00. That is then also your next reading," in page
    assert "After that" not in page


def test_whoever_cannot_take_a_reading_says_why_and_it_stays_due(cast, wim):
    monitored(cast)
    page = words(wim.send(EVENING, temperature="", could_not="The thermometer is broken"))
    assert "Noted: no reading The thermometer is broken" in page
    assert "they ring you. Until then you can still take it; it counts." in page
    assert "Still due: the reading this evening, 18:00 to 22:00." in page
    assert Alert.objects.get(cause="could_not").urgent is False


def test_a_decimal_comma_is_a_decimal_point(cast, wim):
    monitored(cast)
    wim.send(EVENING, temperature="37,2")
    assert str(Reading.objects.get().value) == "37.20"


def test_the_form_offers_the_unit_and_the_place_of_the_last_time(cast, wim):
    monitored(cast)
    with doing("command:tests"):
        cast.worker.unit = "F"
        cast.worker.save()
    enter(cast, EVENING, temperature="98.2", unit="F", method="tympanic")
    form = wim.get("today", TUESDAY_MORNING).context["form"]
    assert (form["unit"].value(), form["method"].value()) == ("F", "tympanic")


def test_the_symptoms_asked_are_those_of_the_criteria(cast, wim):
    monitored(cast)
    page = wim.get("today", EVENING).content.decode()
    assert "Severe headache" in page
    assert "Unexplained bleeding or bruising" in page


def test_a_time_is_read_on_the_workers_clock(cast, wim):
    with doing("command:tests"):
        cast.worker.own_zone = "Europe/Paris"
        cast.worker.save()
    monitored(cast)
    wim.send(EVENING, taken_at="2026-03-02T18:30")
    assert Reading.objects.get().taken_at == datetime(2026, 3, 2, 17, 30, tzinfo=UTC)


def test_one_reading_serves_two_follow_ups(cast, wim):
    breach = report(cast)
    tell(cast, breach)
    confirm(cast, breach)
    with doing("command:tests"):
        adopt(cast.site, "lassa-2023.1", MONDAY)
    second = report(cast, submission_id=str(uuid4()), case=None, pathogen="lassa")
    tell(cast, second)
    confirm(cast, second)
    assert FollowUp.objects.count() == 2
    wim.send(EVENING)
    assert {fill.check_row.follow_up.pathogen for fill in Reading.objects.get().fills.all()} == {
        "ebola",
        "lassa",
    }
    assert "The next one is tomorrow morning" in words(
        wim.get("reading_taken", EVENING, uid=Reading.objects.get().uid)
    )


# What cannot be a reading


@pytest.mark.parametrize(
    ("typed", "field", "says"),
    [
        ({"temperature": "380"}, "temperature", "380 is no body temperature"),
        ({"temperature": "98.6"}, "unit", "98.6 looks like °F"),
        ({"temperature": ""}, "temperature", "Enter the temperature, or say why you could not take it."),
        ({"temperature": "NaN"}, "temperature", "“NaN” is none"),
        ({"method": ""}, "method", "Say where the temperature was taken."),
        ({"taken_at": "2026-03-02T21:00"}, "taken_at", "This time has not come yet."),
        ({"taken_at": "2026-02-28T18:59"}, "taken_at", "older than 48 hours"),
        ({"taken_at": "this morning"}, "taken_at", "Give date and time"),
        (
            {"fever_reducer": "ibuprofen", "fever_reducer_hours": "a few"},
            "fever_reducer_hours",
            "as a number",
        ),
    ],
)
def test_what_is_wrong_is_said_at_its_field_and_what_was_typed_stays(cast, wim, typed, field, says):
    monitored(cast)
    page = wim.send(EVENING, **typed)
    assert page.status_code == 422
    assert says in errors(page, field)
    assert "Not sent yet: one answer to look at" in words(page)
    for name, value in {"temperature": "36.8", "method": "oral", **typed}.items():
        assert page.context["form"][name].value() == value
    assert not Reading.objects.exists()


def test_a_refused_form_that_left_nothing_behind_is_sent_again_under_its_id(cast, wim):
    monitored(cast)
    uid = str(uuid4())
    page = wim.post(EVENING, submission_id=uid, temperature="380")
    assert ID.search(page.content.decode())[1] == uid


def test_a_fever_in_the_wrong_unit_is_no_reading_but_stops_the_worker(cast, wim):
    monitored(cast)
    uid = str(uuid4())
    page = wim.post(EVENING, submission_id=uid, temperature="101.5", unit="C")
    assert page.status_code == 422
    assert "Stop, and call It was not taken as a reading, but your call cannot wait." in words(page)
    assert "101.5 looks like °F" in errors(page, "unit")
    assert UnplacedReading.objects.get().typed == "101.5"
    corrected = ID.search(page.content.decode())[1]
    assert corrected != uid
    wim.post(EVENING, submission_id=corrected, temperature="101.5", unit="F")
    assert Reading.objects.get().unit == "F"


def test_a_fever_with_an_unreadable_time_still_stops_the_worker(cast, wim):
    monitored(cast)
    assert "Stop, and call" in words(wim.send(EVENING, temperature="39", taken_at="noonish"))


def test_a_form_without_its_id_still_carries_the_reading(cast, wim):
    monitored(cast)
    assert "Recorded" in words(wim.post(EVENING))


def test_a_reading_that_nobody_asks_for_says_so(cast, wim):
    page = wim.post(EVENING, submission_id=str(uuid4()))
    assert page.status_code == 422
    assert "No readings are asked of this person." in words(page)


# Whose record it is


def test_the_reading_of_somebody_else_is_not_there(cast, wim, client):
    monitored(cast)
    reading = enter(cast, EVENING).row
    with doing("command:tests"):
        Worker.objects.create(site=cast.site, user=cast.nurse, name="Nora Teal")
    client.force_login(cast.nurse)
    assert wim.get("reading_taken", EVENING, uid=reading.uid).status_code == 404


@pytest.mark.parametrize("page", ["today", "my_days", "what_this_means", "my_settings"])
def test_whoever_is_no_worker_has_no_such_pages(cast, client, standing_clock, page):
    standing_clock(MONDAY)
    client.force_login(cast.lead)
    assert client.get(reverse(page)).status_code == 404


def test_a_nurse_who_is_exposed_sees_herself_as_a_worker_does(cast, client, standing_clock):
    with doing("command:tests"):
        nora = Worker.objects.create(site=cast.site, user=cast.nurse, number="SG-7", name="Nora Teal")
    report(cast, worker=nora.number)
    browser = Browser(cast.nurse, client, standing_clock)
    assert words(browser.get("today", MONDAY)) == f"Please ring {cast.site.phone}"


def test_what_was_typed_when_the_session_ended_comes_back_not_yet_sent(cast, wim, client):
    monitored(cast)
    page = wim.get("today", EVENING).content.decode()
    client.logout()
    wim.post(
        EVENING,
        follow=False,
        temperature="37.1",
        submission_id=ID.search(page)[1],
        form_owner=TOKEN.search(page)[1],
    )
    assert not Reading.objects.exists()
    signed_in = client.post(reverse("account_login"), {"login": "worker", "password": PASSWORD})
    assert signed_in.status_code == 302
    back = wim.get("today", EVENING)
    assert "Not sent yet" in words(back)
    assert back.context["form"]["temperature"].value() == "37.1"
    wim.post(EVENING, temperature="37.1", submission_id=ID.search(back.content.decode())[1])
    assert str(Reading.objects.get().value) == "37.10"


# My days


def test_my_days_counts_from_the_day_of_the_exposure_to_the_last_day(cast, wim):
    monitored(cast)
    page = words(wim.get("my_days", EVENING + timedelta(days=3)))
    assert "Day 3 of 21; the last one is Monday 23 March 2026." in page


def test_my_days_lists_readings_and_gaps_in_words_and_local_times(cast, wim):
    monitored(cast)
    enter(cast, EVENING, symptoms=["headache"])
    page = words(wim.get("my_days", MONDAY + timedelta(days=1, hours=3)))
    gap, taken = page.split("What you said")[1].split("Yesterday, evening day 0")
    assert "Today, morning day 1 no reading" in gap
    assert "due 08:00" in gap
    assert "recorded" in taken
    assert "19:00" in taken
    assert "Severe headache" in taken
    assert "alert" in taken


def test_a_reading_beside_the_planned_ones_is_listed_too(cast, wim):
    monitored(cast)
    enter(cast, EVENING)
    enter(cast, EVENING + timedelta(hours=1), temperature="37.0")
    assert "Today, between two readings day 0 extra reading 37.0" in words(
        wim.get("my_days", EVENING + timedelta(hours=1))
    )


def test_a_reading_that_was_replaced_is_listed_as_replaced_and_not_as_an_extra_one(cast, wim):
    monitored(cast)
    first = enter(cast, EVENING, temperature="38.6").row
    enter(
        cast,
        EVENING + timedelta(hours=1),
        temperature="36.6",
        replaces=str(first.uid),
        reason="Read wrongly.",
    )
    page = words(wim.get("my_days", EVENING + timedelta(hours=1)))
    assert "replaced by a later one" in page
    assert "extra reading" not in page


def test_the_strip_has_a_mark_for_every_reading_of_the_follow_up(cast, wim):
    follow_up = monitored(cast)
    strip = wim.get("my_days", EVENING).context["strips"][0]
    assert len(strip.marks) == follow_up.checks.count()
    assert strip.limit == 38.0


def test_a_second_exposure_that_nobody_has_told_moves_no_date_that_the_worker_sees(cast, wim):
    monitored(cast)
    later = MONDAY + timedelta(days=9)
    report(cast, at=later, occurred_at=later.isoformat())
    for page in ("my_days", "what_this_means"):
        shown = words(wim.get(page, later))
        assert "Please ring" in shown
        assert "1 April" not in shown
        assert "the last one is" not in shown
    assert "Please ring" in words(wim.get("today", later.replace(hour=19)))
    assert "Recorded" in words(wim.send(later.replace(hour=19)))


def test_an_exposure_outside_that_nobody_has_told_moves_no_date_that_the_worker_sees(cast, wim):
    monitored(cast)
    later = MONDAY + timedelta(days=9)
    with doing(cast.nurse, at=later):
        record_exposure(
            worker=cast.worker, pathogen="ebola", tier="high", occurred_at=later, by=cast.nurse, at=later
        )
    for page in ("my_days", "what_this_means"):
        shown = words(wim.get(page, later))
        assert "Please ring" in shown
        assert "the last one is" not in shown


# What this means


def test_restrictions_are_named_with_their_last_day(cast, wim):
    monitored(cast)
    page = words(wim.get("what_this_means", EVENING))
    assert "to Monday 23 March 2026, that day included No work in a health care facility" in page


def test_the_tier_has_its_word_only_once_a_clinician_has_confirmed(cast, wim):
    breach = report(cast)
    tell(cast, breach)
    assert "High-risk" not in words(wim.get("what_this_means", MONDAY))
    confirm(cast, breach)
    assert "a clinician has confirmed it: High-risk exposure." in words(wim.get("what_this_means", MONDAY))


def test_whom_to_call_and_who_decides_stand_on_the_page(cast, wim):
    monitored(cast)
    page = words(wim.get("what_this_means", EVENING))
    for said in (
        cast.site.phone,
        "112",
        cast.site.support_phone,
        "Local protocol and the licensed clinician decide.",
    ):
        assert said in page


def test_no_page_names_the_disease(cast, wim):
    monitored(cast)
    for page in ("today", "my_days", "what_this_means", "my_settings"):
        assert "ebola" not in wim.get(page, EVENING).content.decode().lower()


# Settings


def settings(wim, at, **changes):
    wim.clock(at)
    usual = {"unit": "C", "phone_only": "False", "quiet_from": "", "quiet_until": "", "own_zone": ""}
    usual["confirmed"] = changes.get("own_zone", "")  # what it moves has been read
    return wim.client.post(reverse("my_settings"), {**usual, **changes}, follow=True)


def test_the_unit_is_the_one_that_the_worker_has_chosen(cast, wim):
    monitored(cast)
    assert "Saved." in words(settings(wim, MONDAY, unit="F"))
    assert wim.get("today", EVENING).context["form"]["unit"].value() == "F"


def test_whoever_wants_the_telephone_only_gets_no_messages_and_a_nurse_learns_it_once(cast, wim):
    for later in (0, 1):  # the same settings, saved again
        settings(wim, MONDAY + timedelta(hours=later), phone_only="True")
    assert Worker.objects.get(pk=cast.worker.pk).phone_only is True
    alert = Alert.objects.get(cause="call_me", worker=cast.worker)
    assert "by telephone only" in alert.because
    assert alert.raised_at == MONDAY
    assert alert.entries.count() == 1


def test_a_zone_while_travelling_moves_the_readings_that_have_not_opened(cast, wim):
    follow_up = monitored(cast)
    settings(wim, EVENING, own_zone="America/Halifax")
    standing = list(follow_up.checks.filter(withdrawn_at=None))
    assert standing[0].opens_at == MONDAY.replace(hour=18)  # had opened: stays
    # 06:00 in Halifax is 10:00 UTC in winter; until 8 March 2026, when its clocks go forward.
    assert standing[1].opens_at == datetime(2026, 3, 3, 10, tzinfo=UTC)
    assert "tomorrow morning, 06:00 to 10:00" in words(wim.send(EVENING + timedelta(hours=1)))


def test_quiet_hours_silence_the_reminders_inside_them_and_can_be_lifted_again(cast, wim):
    follow_up = monitored(cast)

    def kinds():
        check = follow_up.checks.filter(withdrawn_at=None, opens_at__gt=EVENING).first()
        return set(Rung.objects.filter(check_row=check, withdrawn_at=None).values_list("kind", flat=True))

    # Reminders come at the opening, when it is due and half an hour before the close: 06:00, 08:00, 09:30.
    settings(wim, EVENING, quiet_from="22:00", quiet_until="08:00")
    assert kinds() == {"due", "last_call", "closed"}
    settings(wim, EVENING, quiet_from="", quiet_until="")
    assert kinds() == {"opening", "due", "last_call", "closed"}


def test_settings_that_leave_the_clock_alone_leave_the_readings_alone(cast, wim):
    follow_up = monitored(cast)
    before = list(follow_up.checks.filter(withdrawn_at=None))
    settings(wim, EVENING, unit="F")
    assert list(follow_up.checks.filter(withdrawn_at=None)) == before


def test_half_of_the_quiet_hours_is_not_enough(cast, wim):
    page = settings(wim, MONDAY, quiet_from="22:00")
    assert page.status_code == 422
    assert "Give both times" in errors(page, "quiet_until")


def test_a_place_that_is_no_time_zone_is_refused(cast, wim):
    page = settings(wim, MONDAY, own_zone="Europe/Atlantis")
    assert page.status_code == 422
    assert "no IANA time zone" in errors(page, "own_zone")


def test_nobody_changes_the_settings_of_somebody_else(cast):
    with doing(cast.nurse), pytest.raises(PermissionDenied):
        remind.change_settings(worker=cast.worker, by=cast.nurse, at=MONDAY, unit="F")
