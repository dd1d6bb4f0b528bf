"""A Stop stands until a clinician closes it: on every page of the worker and in every answer, whatever is measured
next. That a fever or symptom is told by telephone, without walking in, is what published guidance for people in
follow-up asks (interim guidance for monitoring and movement, CDC, 2014; contact sheets for Ebola, UKHSA, 2024-25)."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp, FollowUpState, Reading, UnplacedReading
from exposure.followup.states import enter_state
from exposure.people.models import Worker
from exposure.pipeline import attend
from exposure.web.worker.urls import urlpatterns
from tests.cast import MONDAY, PASSWORD, doing
from tests.web.wim import EVENING, ID, TOKEN, confirm, enter, h1, monitored, report, tell, words

pytestmark = pytest.mark.database

HOUR = timedelta(hours=1)
NO_PAGES = {
    "telephoned",
    "kept_reading",
    "copy_paper",
    "copy_file",
    "receipt_file",
}  # buttons, programs, files
PAGES = [route.name for route in urlpatterns if route.name not in NO_PAGES]  # every page of a worker there is
FEVER = {"temperature": "38.4"}
BLEEDING = {"temperature": "", "unit": "", "method": "", "symptoms": ["bleeding"]}


def acknowledge(cast, at):
    with doing(cast.nurse, at=at):
        for alert in Alert.objects.filter(closed_at=None):
            attend.acknowledge_alert(alert=alert, by=cast.nurse, at=at)


def close(cast, at):
    with doing(cast.nurse, at=at):
        for alert in Alert.objects.filter(closed_at=None, cause__in=("fever", "symptom")):
            attend.close_alert(alert=alert, outcome="evaluated", note="Looked at.", by=cast.nurse, at=at)


def fever(cast):
    monitored(cast)
    enter(cast, EVENING, **FEVER)


def symptom(cast):
    monitored(cast)
    enter(cast, EVENING, temperature="36.8", symptoms=["vomiting"])


def then_normal(cast):
    fever(cast)
    enter(cast, EVENING + HOUR / 2)


def then_seen(cast):
    fever(cast)
    acknowledge(cast, EVENING)


def refused(cast):
    monitored(cast)
    enter(cast, EVENING, temperature="101.5")  # in degrees Celsius: no reading, and a fever


def unconfirmed(cast):
    tell(cast, report(cast))
    enter(cast, EVENING, **FEVER)


def in_care_and_unseen(cast):
    fever(cast)
    with doing(cast.physician, at=EVENING):
        enter_state(FollowUp.objects.get(), FollowUpState.Kind.EVALUATED, at=EVENING, by=cast.physician.actor)


def ended(cast):
    fever(cast)
    with doing(cast.physician, at=EVENING):
        follow_up = FollowUp.objects.get()
        enter_state(follow_up, FollowUpState.Kind.LEFT, at=EVENING, by=cast.physician.actor)
        follow_up.ended_at = EVENING
        follow_up.save()


def news_waits(cast):
    fever(cast)
    report(cast, at=EVENING, occurred_at=EVENING.isoformat())


STATES = [fever, symptom, then_normal, then_seen, refused, unconfirmed, in_care_and_unseen, ended, news_waits]


def open_page(wim, name, at):
    if name not in ("reading_taken", "correct_reading"):
        return wim.get(name, at)
    reading = Reading.objects.order_by("taken_at").last()
    return wim.get(name, at, uid=reading.uid) if reading else None


@pytest.mark.parametrize("state", STATES, ids=lambda state: state.__name__)
def test_the_stop_is_the_heading_of_every_page_of_the_worker(cast, wim, state):
    state(cast)
    for name in PAGES:
        page = open_page(wim, name, EVENING + HOUR)
        if page is None:
            assert state is refused
            continue
        assert h1(page) == "Stop, and call", name
        assert f"Stop, and call {cast.site.phone}" in words(page), name
        assert "Telephone; do not walk in anywhere." in words(page), name


@pytest.mark.parametrize("state", STATES, ids=lambda state: state.__name__)
def test_it_stands_on_none_of_them_once_a_clinician_has_closed_it(cast, wim, state):
    state(cast)
    close(cast, EVENING)
    for name in PAGES:
        page = open_page(wim, name, EVENING + HOUR)
        assert page is None or "Stop, and call" not in page.content.decode(), name


def test_the_result_of_a_fever_says_after_it_was_closed_that_somebody_has_looked(cast, wim):
    fever(cast)
    close(cast, EVENING)
    assert "Occupational health has looked at it and closed it." in words(
        open_page(wim, "reading_taken", EVENING + HOUR)
    )


def test_a_normal_reading_sent_while_a_stop_stands_is_answered_with_the_stop(cast, wim):
    fever(cast)
    answer = wim.send(EVENING + HOUR)
    assert h1(answer) == "Stop, and call"
    assert "Your reading is recorded" in words(answer)
    assert "The next one is" not in words(answer)


def test_who_is_looked_after_still_reads_that_the_stop_stands(cast, wim):
    in_care_and_unseen(cast)
    acknowledge(cast, EVENING)
    page = wim.get("today", EVENING)
    assert h1(page) == "You are being looked after"
    assert "The Stop stands until they have told you otherwise." in words(page)


def test_it_is_said_to_be_seen_only_when_all_of_it_is(cast, wim):
    then_seen(cast)
    assert "has seen this: Mon 2 Mar 2026, 19:00." in words(wim.get("today", EVENING))
    enter(cast, EVENING + HOUR, temperature="36.9", symptoms=["vomiting"])
    assert "has seen this" not in words(wim.get("today", EVENING + HOUR))


def test_an_urgent_symptom_puts_the_emergency_number_first(cast, wim):
    # Which symptoms are urgent is the criteria's to say: of ebola 2023.1 it is bleeding.
    monitored(cast)
    answer = wim.send(EVENING, **BLEEDING)
    assert h1(answer) == "Stop, and call the emergency number"
    said = words(answer)
    assert (
        said.index(cast.site.emergency_phone)
        < said.index("I am being monitored")
        < said.index(cast.site.phone)
    )
    assert h1(wim.get("my_settings", EVENING)) == "Stop, and call the emergency number"


def test_settings_that_are_wrong_are_said_so_below_the_stop(cast, wim):
    fever(cast)
    wim.clock(EVENING)
    page = wim.client.post(
        reverse("my_settings"), {"unit": "C", "phone_only": "False", "quiet_from": "22:00"}
    )
    assert page.status_code == 422
    assert h1(page) == "Stop, and call"
    assert "Give both times" in words(page)


# What was typed when the session ended


def after_the_session_ended(wim, **typed):
    """The form is sent without a session; the page that the signed-out person then sees."""
    page = wim.get("today", EVENING).content.decode()
    wim.client.logout()
    return wim.post(
        EVENING, follow=True, submission_id=ID.search(page)[1], form_owner=TOKEN.search(page)[1], **typed
    )


def sign_in(wim, to="today"):
    wim.client.post(reverse("account_login"), {"login": "worker", "password": PASSWORD})
    return wim.client.get(reverse(to), follow=True)


@pytest.mark.parametrize("typed", [FEVER, BLEEDING, {"temperature": "101.5"}, {"felt_feverish": "on"}])
def test_a_kept_entry_that_would_be_a_stop_is_not_sent_telephone_now(cast, wim, typed):
    monitored(cast)
    after_the_session_ended(wim, **typed)
    page = sign_in(wim)
    assert h1(page) == "Not sent: telephone now"
    assert cast.site.phone in words(page)
    assert "Not sent yet" not in words(page)
    assert not Alert.objects.filter(
        cause__in=("fever", "symptom")
    ).exists()  # nobody has it yet: the page says so
    for name, value in typed.items():
        assert page.context["form"][name].value() in (value, True)
    uid = ID.search(page.content.decode())[1]
    wim.post(EVENING, submission_id=uid, **typed)
    assert Alert.objects.filter(cause__in=("fever", "symptom")).exists()


def test_of_an_urgent_symptom_the_emergency_number_stands_first_there_too(cast, wim):
    monitored(cast)
    after_the_session_ended(wim, **BLEEDING)
    said = words(sign_in(wim))
    assert said.index(f" {cast.site.emergency_phone} ") < said.index(cast.site.phone)


def test_a_kept_entry_that_is_no_stop_comes_back_to_be_sent(cast, wim):
    monitored(cast)
    after_the_session_ended(wim, temperature="36.9")
    page = sign_in(wim)
    assert h1(page) == "Take your temperature now"
    assert "Not sent yet" in words(page)


@pytest.mark.parametrize("to", ["home", "my_days", "what_this_means", "my_settings"])
def test_whatever_page_is_asked_for_after_the_sign_in_the_kept_entry_comes_first(cast, wim, to):
    monitored(cast)
    after_the_session_ended(wim, **FEVER)
    assert h1(sign_in(wim, to)) == "Not sent: telephone now"
    assert h1(wim.get("my_days", EVENING)) == "My days"  # it was shown once


def test_who_is_a_worker_no_longer_is_led_to_it_once_and_not_for_ever(cast, wim):
    monitored(cast)
    after_the_session_ended(wim, **FEVER)
    wim.client.post(reverse("account_login"), {"login": "worker", "password": PASSWORD})
    with doing("command:tests"):
        cast.worker.user = None
        cast.worker.save()
    assert [wim.client.get(reverse("home"), follow=True).status_code for _n in range(2)] == [404, 200]


def test_the_sign_in_page_says_the_same_of_a_fever_and_of_a_normal_reading(cast, wim):
    """Whoever stands beside must not learn from the sign-in page what was typed."""
    monitored(cast)
    shown = []
    for typed in (FEVER, {"temperature": "36.8"}, BLEEDING):
        wim.client.force_login(wim.user)
        shown.append(words(after_the_session_ended(wim, **typed)))
    assert len(set(shown)) == 1
    assert "do not wait for that: telephone now" in shown[0]


def test_somebody_else_who_signs_in_is_not_led_to_it(cast, wim):
    monitored(cast)
    after_the_session_ended(wim, **FEVER)
    wim.client.post(reverse("account_login"), {"login": "nurse", "password": PASSWORD})
    page = wim.client.get(reverse("home"), follow=True)
    assert page.status_code == 200
    assert "Not sent" not in page.content.decode()


def test_an_entry_that_was_refused_and_kept_stands_in_my_days(cast, wim):
    refused(cast)
    row = UnplacedReading.objects.get()
    page = words(wim.get("my_days", EVENING + HOUR))
    assert "Today, not taken as a reading day 0 kept for occupational health alert “101.5” 19:00" in page
    assert row.refused_because in page


def test_somebody_elses_refused_entry_does_not(cast, wim, client):
    refused(cast)
    with doing("command:tests"):
        Worker.objects.create(site=cast.site, user=cast.nurse, number="SG-7", name="Nora Teal")
    client.force_login(cast.nurse)
    page = wim.get("my_days", EVENING)
    assert page.status_code == 200
    assert "101.5" not in page.content.decode()


def test_a_confirmed_and_an_unconfirmed_exposure_do_not_hide_the_stop(cast, wim):
    first = report(cast)
    tell(cast, first)
    confirm(cast, first)
    second = report(cast, at=EVENING, occurred_at=EVENING.isoformat())
    tell(cast, second, at=EVENING)
    enter(cast, EVENING, **FEVER)
    page = wim.get("today", EVENING)
    assert h1(page) == "Stop, and call"
    assert "Please start no shift with patients" in words(page)


def test_whom_nobody_has_told_reads_only_please_ring_whatever_was_entered_for_them(cast, wim):
    report(cast)
    with doing(cast.nurse, at=MONDAY):
        enter(cast, MONDAY, **FEVER)
    for name in ("today", "my_days", "what_this_means"):
        assert words(wim.get(name, MONDAY)) == f"Please ring {cast.site.phone}"
    assert words(open_page(wim, "reading_taken", MONDAY)) == f"Please ring {cast.site.phone}"
