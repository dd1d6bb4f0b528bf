"""What a worker's pages do besides the ordinary reading: what was probably meant, what is missing, what was wrong, who
was told, who looked, who signed. The order of taps on a telephone is in tests/browser/test_phone.py."""

import re
from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from exposure.attend.models import Alert, Call
from exposure.audit.models import AccessEntry
from exposure.followup.models import Check, Reading
from exposure.people.models import Worker
from exposure.pipeline.reply import say_telephoned
from exposure.web.worker.offers import Offer, offer
from tests.cast import MONDAY, doing
from tests.web import nora
from tests.web.test_worker import cleared, settings
from tests.web.test_worker_stop import close
from tests.web.wim import EVENING, ID, confirm, enter, errors, h1, monitored, report, tell, words

pytestmark = pytest.mark.database

TUESDAY = MONDAY + timedelta(days=1)
HOUR = timedelta(hours=1)


# One tap and what it sends


@pytest.mark.parametrize(
    ("typed", "unit", "meant"),
    [
        ("98.6", "C", Offer("98.6", "F", "unit")),
        ("98,6", "C", Offer("98,6", "F", "unit")),
        ("37", "F", Offer("37", "C", "unit")),
        ("380", "C", Offer("38.0", "C", "temperature")),
        ("3685", "C", Offer("36.85", "C", "temperature")),
        ("986", "F", Offer("98.6", "F", "temperature")),
        ("500", "C", None),  # 50.0 is no body temperature either
        ("7", "C", None),
        ("36.8", "C", None),
        ("", "C", None),
        ("warm", "C", None),
    ],
)
def test_what_was_probably_meant_is_offered_and_nothing_else(typed, unit, meant):
    assert offer(typed, unit) == meant


@pytest.mark.parametrize(
    ("typed", "name", "value", "stored"),
    [("98.6", "unit", "F", ("98.60", "F")), ("368", "temperature", "36.8", ("36.80", "C"))],
)
def test_the_offer_is_a_button_that_sends_it_and_the_answer_to_the_symptoms_stays(
    cast, wim, typed, name, value, stored
):
    monitored(cast)
    page = wim.send(EVENING, temperature=typed).content.decode()
    assert re.search(rf'<button[^>]*name="{name}" value="{re.escape(value)}"', page)
    assert '<input type="hidden" name="symptoms" value="none">' in page
    wim.post(EVENING, submission_id=ID.search(page)[1], **{"temperature": typed, name: [typed, value]})
    reading = Reading.objects.get()
    assert (str(reading.value), reading.unit) == stored


def test_the_last_readings_unit_is_remembered_until_another_is_set(cast, wim):
    monitored(cast)
    enter(cast, EVENING, temperature="98.2", unit="F", method="tympanic")
    page = wim.get("today", EVENING + HOUR)
    assert "°F, in the ear change" in words(page)
    settings(wim, EVENING + HOUR, unit="F")
    settings(wim, EVENING + 2 * HOUR, unit="C")
    assert wim.get("today", EVENING + 3 * HOUR).context["form"]["unit"].value() == "C"


def test_one_tap_says_why_no_reading_could_be_taken(cast, wim):
    monitored(cast)
    answer = wim.send(EVENING, temperature="", symptoms=[], cannot="no_thermometer")
    assert h1(answer) == "Noted: no reading"
    assert "I have no thermometer here" in words(answer)
    assert Reading.objects.get().could_not == "I have no thermometer here"


def test_the_answer_says_no_symptoms_and_when_the_next_one_is(cast, wim):
    monitored(cast)
    said = words(wim.send(EVENING))
    assert "Recorded 36.8 °C, in the mouth. No symptoms." in said
    assert "The next one is tomorrow morning, 06:00 to 10:00." in said


# I have telephoned


def test_the_stop_says_when_occupational_health_was_alerted(cast, wim):
    monitored(cast)
    wim.send(EVENING, temperature="38.4")
    wim.send(EVENING + HOUR, temperature="38.9")
    assert "Occupational health has been alerted at 20:00." in words(wim.get("today", EVENING + 2 * HOUR))


def telephone(wim, at):
    wim.clock(at)
    return wim.client.post(reverse("telephoned"), follow=True)


def test_i_have_telephoned_is_kept_shown_to_the_nurse_and_closes_nothing(cast, wim, client):
    monitored(cast)
    enter(cast, EVENING, temperature="38.4")
    page = telephone(wim, EVENING + HOUR)
    assert h1(page) == "Stop, and call"
    assert "You said at 20:00 that you have telephoned." in words(page)
    alert = Alert.objects.get(cause="fever")
    assert (alert.closed_at, alert.acknowledged_at) == (None, None)
    nurse = nora.Browser(client, wim.clock).sign_in(cast.nurse)
    for name, uid in (("alert", alert.uid), ("person", cast.worker.uid)):
        nurse.clock(EVENING + 2 * HOUR)
        assert "Says that they have telephoned" in client.get(reverse(name, args=[uid])).content.decode(), (
            name
        )


def test_it_is_no_contact_made_and_a_double_tap_says_it_once(cast, wim):
    monitored(cast)
    enter(cast, EVENING, temperature="38.4")
    telephone(wim, EVENING + HOUR)
    telephone(wim, EVENING + HOUR + timedelta(seconds=5))
    call = Call.objects.get()
    assert (call.answered, call.by_user) == (False, cast.worker.user)


def test_without_a_stop_it_is_not_kept(cast, wim):
    monitored(cast)
    enter(cast, EVENING, temperature="38.4")
    close(cast, EVENING)
    telephone(wim, EVENING + HOUR)
    assert not Call.objects.exists()


def test_nobody_says_it_for_somebody_else(cast):
    monitored(cast)
    with doing(cast.nurse), pytest.raises(PermissionDenied):
        say_telephoned(worker=cast.worker, by=cast.nurse, at=MONDAY)


# My days


def test_what_is_missing_can_still_be_entered_for_its_time(cast, wim):
    monitored(cast)
    missing = Check.objects.earliest("opens_at")
    at = TUESDAY.replace(hour=19)
    link = f"{reverse('today')}?missed={missing.uid}"
    assert link in wim.get("my_days", at).content.decode()
    wim.clock(at)
    page = wim.client.get(link)
    assert h1(page) == "Enter a reading that you took"
    assert "It was due yesterday evening, 18:00 to 22:00." in words(page)
    assert 'value="2026-03-02T20:00"' in page.content.decode()
    uid = ID.search(page.content.decode())[1]
    wim.post(at, submission_id=uid, taken_at="2026-03-02T20:00")
    assert Reading.objects.get().fills.get().check_row == missing


@pytest.mark.parametrize("hours", [1, 72])
def test_a_reading_that_is_not_missing_or_too_old_is_not_offered(cast, wim, hours):
    monitored(cast)
    first = Check.objects.earliest("opens_at")
    at = first.opens_at + timedelta(hours=hours)
    wim.clock(at)
    assert h1(wim.client.get(f"{reverse('today')}?missed={first.uid}")) != "Enter a reading that you took"
    assert f"?missed={first.uid}" not in wim.get("my_days", at).content.decode()


@pytest.mark.parametrize("missed", ["nonsense", "00000000-0000-4000-8000-000000000000", "'%00"])
def test_an_address_that_names_no_reading_is_today(cast, wim, missed):
    monitored(cast)
    wim.clock(EVENING)
    page = wim.client.get(reverse("today"), {"missed": missed})
    assert h1(page) == "Take your temperature now"


def correction(wim, reading, at, **changes):
    wim.clock(at)
    address = reverse("correct_reading", args=[reading.uid])
    form = wim.client.get(address).context["form"]
    typed = {
        name: form[name].value() for name in ("temperature", "unit", "method", "symptoms", "submission_id")
    }
    typed |= {"taken_at": "2026-03-02T19:00"}
    return wim.client.post(address, {**typed, **changes}, follow=True)


def test_a_reading_is_put_right_with_a_reason_and_the_earlier_one_stays(cast, wim):
    monitored(cast)
    first = enter(cast, EVENING, temperature="38.6").row
    answer = correction(
        wim, first, EVENING + HOUR, temperature="36.8", reason="Read it wrongly.", symptoms=["none"]
    )
    assert h1(answer) == "Stop, and call"  # a clinician's to close
    second = Reading.objects.get(replaces=first)
    assert (str(second.value), second.reason, second.taken_at) == ("36.80", "Read it wrongly.", EVENING)
    first.refresh_from_db()
    assert str(first.value) == "38.60"
    assert "replaced by a later one" in words(wim.get("my_days", EVENING + HOUR))


def test_without_a_reason_nothing_is_put_right_and_nothing_is_lost(cast, wim):
    monitored(cast)
    first = enter(cast, EVENING).row
    page = correction(wim, first, EVENING + HOUR, temperature="36.4")
    assert page.status_code == 422
    assert "Say why the earlier reading is replaced." in errors(page, "reason")
    assert page.context["form"]["temperature"].value() == "36.4"
    assert Reading.objects.count() == 1


def test_the_form_comes_with_what_was_entered(cast, wim):
    monitored(cast)
    first = enter(cast, EVENING, temperature="98.25", unit="F", method="tympanic", symptoms=[]).row
    form = wim.get("correct_reading", EVENING + HOUR, uid=first.uid).context["form"]
    assert [form[name].value() for name in ("temperature", "unit", "method", "symptoms")] == [
        "98.25", "F", "tympanic", ["none"],
    ]  # fmt: skip


def test_what_is_older_than_a_worker_may_enter_is_not_put_right_here(cast, wim):
    monitored(cast)
    first = enter(cast, EVENING).row
    assert wim.get("correct_reading", EVENING + 48 * HOUR, uid=first.uid).status_code == 200
    assert wim.get("correct_reading", EVENING + 49 * HOUR, uid=first.uid).status_code == 404


def test_somebody_elses_reading_cannot_be_put_right(cast, wim, client):
    monitored(cast)
    first = enter(cast, EVENING).row
    client.force_login(cast.nurse)
    assert wim.get("correct_reading", EVENING + HOUR, uid=first.uid).status_code == 404


def test_the_strip_has_seven_days_in_a_row_each_with_its_date(cast, wim):
    monitored(cast)
    page = wim.get("my_days", TUESDAY).content.decode()
    rows = re.findall(r'<ol class="strip-dates">(.*?)</ol>', page, re.S)
    assert [row.count("<li") for row in rows] == [7, 7, 7, 7]
    said = " ".join(re.sub(r"<[^>]+>|\s+", " ", rows[0]).split())
    assert said == "Mon 2 Tue 3 Wed 4 Thu 5 Fri 6 Sat 7 Sun 8"
    assert re.search(r'class="now">\s*Tue <b>3</b>', rows[0])


# What this means


def test_what_was_found_and_why_these_days_stand_there_only_once_it_is_confirmed(cast, wim):
    breach = report(cast)
    because = breach.assessments.get().reasons[0]["because"]
    assert because
    for state in (lambda: None, lambda: tell(cast, breach)):
        state()
        page = words(wim.get("what_this_means", MONDAY))
        assert because not in page
        assert "What was found" not in page
    confirm(cast, breach)
    page = words(wim.get("what_this_means", MONDAY))
    assert because in page
    assert "counted from the day of the contact, Monday 2 March 2026" in page


def test_the_criterias_words_stand_on_no_page_before_it_is_confirmed(cast, wim):
    breach = report(cast)
    tell(cast, breach)
    texts = [reason["because"] for reason in breach.assessments.get().reasons]
    for name in ("today", "my_days", "what_this_means", "household", "my_settings"):
        assert not any(text in words(wim.get(name, EVENING)) for text in texts), name


def test_who_looked_is_one_line_per_person_and_day_with_their_role(cast, wim):
    monitored(cast)
    for hours in (0, 1, 2, 26):
        at = MONDAY + hours * HOUR
        for user in (cast.nurse, cast.physician)[: 1 + (hours == 0)]:
            with doing(user, at=at):
                AccessEntry.objects.create(
                    user=user, kind="person", subject=f"worker:{cast.worker.uid}", about=cast.worker.uid
                )
    looks = wim.get("what_this_means", MONDAY + 27 * HOUR).context["looks"]
    assert [(look.on.day, look.name, look.roles) for look in looks] == [
        (3, str(cast.nurse), ("occupational-health nurse",)),
        (2, str(cast.nurse), ("occupational-health nurse",)),
        (2, str(cast.physician), ("occupational-health physician",)),
    ]


def test_the_clearance_names_who_signed_and_from_when_one_may_work(cast, wim):
    at = cleared(cast)
    page = words(wim.get("what_this_means", at))
    assert f"Signed by {cast.physician}, occupational-health physician." in page
    after = words(wim.get("today", at + timedelta(days=2)))
    assert "You are cleared That was the last of it. Thank you for every single reading." in after
    assert "Since Tuesday 24 March 2026 you may work again; nothing is restricted any more." in after
    assert f"Signed by {cast.physician}, occupational-health physician." in after


def test_the_sheet_for_home_has_the_numbers_and_names_no_disease(cast, wim):
    monitored(cast)
    page = wim.get("household", EVENING)
    assert cast.site.phone in words(page)
    assert cast.site.emergency_phone in words(page)
    assert "ebola" not in page.content.decode().lower()
    assert "Until a physician has signed below, what stands above is general advice." in words(page)


def test_whoever_was_not_told_gets_no_sheet(cast, wim):
    report(cast)
    assert words(wim.get("household", MONDAY)) == f"Please ring {cast.site.phone}"


@pytest.mark.parametrize("name", ["today", "what_this_means"])
def test_one_can_report_something_about_oneself(cast, wim, name):
    monitored(cast)
    assert f'href="{reverse("stations")}"' in wim.get(name, EVENING).content.decode()
    wim.clock(EVENING)
    assert cast.station.name in wim.client.get(reverse("stations")).content.decode()


# Settings


def test_the_settings_stand_in_the_navigation(cast, wim):
    page = wim.get("today", MONDAY)
    assert [address for address, _label, _current in page.context["nav"]()][-1] == reverse("my_settings")


def test_what_a_journey_moves_is_said_before_it_is_saved(cast, wim):
    follow_up = monitored(cast)
    standing = list(follow_up.checks.filter(withdrawn_at=None).values_list("opens_at", flat=True))
    asked = settings(wim, MONDAY + 6 * HOUR, own_zone="America/Halifax", confirmed="")
    said = words(asked)
    assert "Your evening reading moves to this evening, 18:00 to 22:00, by the clock in Halifax." in said
    assert "By the clock that counts for you now, that is tonight, 22:00 to 02:00." in said
    assert "It is 15:00 in Lisbon." in said
    assert Worker.objects.get(pk=cast.worker.pk).own_zone == ""
    assert list(follow_up.checks.filter(withdrawn_at=None).values_list("opens_at", flat=True)) == standing
    assert asked.context["form"]["own_zone"].value() == "America/Halifax"
    evening = words(settings(wim, EVENING, own_zone="America/Halifax", confirmed=""))
    assert "you can enter it until 22:00" in evening
    # Another place than the one that was said is said first, too.
    assert "Not saved yet" in words(
        settings(wim, EVENING, own_zone="Asia/Tokyo", confirmed="America/Halifax")
    )
    assert "Saved." in words(settings(wim, EVENING, own_zone="America/Halifax"))


def test_after_a_change_of_place_the_page_says_when_the_next_reading_is(cast, wim):
    monitored(cast)
    page = words(settings(wim, EVENING, own_zone="America/Halifax"))
    assert (
        "Saved. Your next reading is now tomorrow morning, 06:00 to 10:00, by the clock in Halifax." in page
    )
    assert "It is 15:00 in Halifax." in page


def test_the_address_that_reminders_go_to_is_shown(cast, wim):
    assert f"E-mail goes to {cast.worker.email or cast.worker.user.email}." in words(
        wim.get("my_settings", MONDAY)
    )
