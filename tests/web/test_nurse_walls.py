"""The nurse's pages: who is kept out, sessions that end, and people without a page."""

import pytest
from django.urls import reverse

from exposure.attend.models import Alert, Call, Promise
from exposure.people.models import Role, User
from tests.cast import MONDAY, PASSWORD, doing
from tests.walk import pass_time
from tests.web.nora import DAY, HOUR, TOKEN, follow_up_of, measure, report, rows_of, words

pytestmark = pytest.mark.database


# Who is kept out


def addresses(cast, breach):
    measure(cast, MONDAY + HOUR, "38.4")
    follow_up = follow_up_of(breach)
    alert, task = Alert.objects.get(cause="fever"), Promise.objects.filter(kind="task").first()
    return [
        ("alert", alert.uid),
        ("alert_acknowledge", alert.uid),
        ("alert_close", alert.uid),
        ("breach", breach.uid),
        ("breach_told", breach.uid),
        ("breach_confirm", breach.uid),
        ("breach_answers", breach.uid),
        ("breach_override", breach.uid, "ebola"),
        ("person", cast.worker.uid),
        ("person_call", cast.worker.uid),
        ("person_reading", cast.worker.uid),
        ("excuse", follow_up.checks.first().uid),
        ("task_done", task.uid),
        ("clear", follow_up.uid),
    ]


@pytest.mark.parametrize("who", ["outsider", "lead", "observer", "auditor", "administrator", "the worker"])
def test_what_is_not_yours_is_not_there(cast, nurse, who):
    user = cast.worker.user if who == "the worker" else getattr(cast, who)
    theirs = addresses(cast, report(cast))
    nurse.sign_in(user)
    for address in theirs:
        assert nurse.open(*address).status_code == 404, address
        assert nurse.send(*address, outcome="evaluated", answered="yes", reason="x").status_code == 404, (
            address
        )
    assert not Call.objects.exists()


@pytest.mark.parametrize("role", [Role.Kind.NURSE, Role.Kind.PHYSICIAN])
def test_nobody_sees_or_decides_on_their_own_record_as_a_clinician(cast, nurse, role):
    theirs = addresses(cast, report(cast))
    with doing("command:tests"):
        Role.objects.create(user=cast.worker.user, site=cast.site, kind=role, from_at=MONDAY - DAY)
    nurse.sign_in(cast.worker.user)
    for address in theirs:
        assert nurse.open(*address, at=MONDAY + HOUR).status_code == 404, address
        assert nurse.send(*address, at=MONDAY + HOUR).status_code == 404, address
    for page in ("needs_action", "monitoring", "reports"):
        assert rows_of(nurse.open(page, at=MONDAY + HOUR)) == []


def test_a_nurse_of_another_site_sees_empty_lists_in_their_own_time(cast, nurse):
    report(cast)
    nurse.sign_in(cast.outsider)
    for page in ("needs_action", "monitoring", "reports"):
        response = nurse.open(page)
        assert rows_of(response) == []
        assert "America/Halifax" in words(response)


@pytest.mark.parametrize("who", ["lead", "observer", "auditor", "administrator"])
@pytest.mark.parametrize("page", ["needs_action", "monitoring", "reports"])
def test_the_lists_are_for_nurses_and_physicians(cast, nurse, who, page):
    assert nurse.sign_in(getattr(cast, who)).open(page).status_code == 403


# Sessions that end, and people without a page


def test_what_was_typed_survives_the_end_of_the_session(cast, nurse):
    report(cast)
    form = nurse.open("person_call", cast.worker.uid).content.decode()
    nurse.client.logout()
    nurse.send(
        "person_call", cast.worker.uid, form_owner=TOKEN.search(form)[1], answered="yes", note="Slept well."
    )
    assert not Call.objects.exists()
    nurse.client.post(reverse("account_login"), {"login": "nurse", "password": PASSWORD})
    page = nurse.open("person_call", cast.worker.uid)
    assert "Not sent yet" in words(page)
    assert "Slept well." in words(page)


def test_somebody_without_any_page_is_told_whom_to_ask(cast, nurse):
    with doing("command:tests"):
        newcomer = User.objects.create_user("newcomer", PASSWORD, full_name="Nell Sand")
    said = words(nurse.sign_in(newcomer).open("home"))
    assert "Ask the administrator" in said


def test_the_messages_show_what_left_and_what_waits(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    pass_time(MONDAY + HOUR)
    lines = rows_of(nurse.open("outgoing", at=MONDAY + HOUR))
    assert any("Sent Mon 2 Mar 2026" in line and "1 attempt" in line for line in lines)
    assert any("Not sent: one message said how much waits" in line for line in lines)
