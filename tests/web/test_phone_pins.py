"""Six digits on one's own phone: they open its owner's page there and nothing anywhere else, and after five wrong tries
in a row not even that. Lengths and counts: NIST SP 800-63B-4, 3.2.10 and 3.2.2 (from memory)."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from allauth.usersessions.models import UserSession
from django.db import connection
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from exposure.people import invitations, pins
from exposure.people.models import PhonePin, Role, User, Worker
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

DIGITS = "492716"
WRONG = "492717"


@pytest.fixture(autouse=True)
def _monday(standing_clock):
    standing_clock(MONDAY)


@pytest.fixture
def clara(cast):
    """An agency cleaner with a staff number and no account."""
    with doing(cast.nurse):
        return Worker.objects.create(site=cast.site, name="Clara Reed", number="SG-2001")


def invite(cast, worker):
    with doing(cast.nurse):
        secret, _row = invitations.invite(worker=worker, at=MONDAY)
    return reverse("invitation", args=[secret])


def come_in(cast, worker, digits=DIGITS, answer="SG-2001"):
    """The worker's phone, after the invitation."""
    phone = Client()
    taken = phone.post(invite(cast, worker), {"answer": answer, "pin": digits})
    assert taken["Location"] == reverse("today"), taken.content.decode()
    return phone


def signed_out(phone):
    phone.post(reverse("account_logout"))
    return phone


def say(phone, digits, **more):
    return phone.post(reverse("open_by_pin"), {"pin": digits, **more})


def test_from_the_sheet_to_today_without_a_name_or_a_password(cast, clara):
    phone = come_in(cast, clara)
    assert phone.get(reverse("today")).status_code == 200
    clara.refresh_from_db()
    assert clara.user.full_name == "Clara Reed"
    assert not clara.user.has_usable_password()
    kinds = set(AccessEntry.objects.filter(user=clara.user).values_list("kind", flat=True))
    assert {"factor", "signed_in"} <= kinds


def test_the_digits_open_the_page_again_and_lead_on_to_where_somebody_was_going(cast, clara):
    phone = signed_out(come_in(cast, clara))
    page = phone.get(reverse("my_days"), follow=True)
    assert "Your six digits" in page.content.decode()
    answer = say(phone, DIGITS, next=reverse("my_days"))
    assert answer["Location"] == reverse("my_days")
    assert phone.get(reverse("my_days")).status_code == 200
    assert phone.session["own_device"]


def test_they_lead_to_no_other_service(cast, clara):
    phone = signed_out(come_in(cast, clara))
    assert say(phone, DIGITS, next="https://elsewhere.example/")["Location"] == reverse("home")


def test_on_another_phone_they_open_nothing(cast, clara):
    come_in(cast, clara)
    stranger = Client()
    assert "Your six digits" not in stranger.get(reverse("account_login")).content.decode()
    assert say(stranger, DIGITS)["Location"] == reverse("account_login")
    assert stranger.get(reverse("today")).status_code == 302


def test_five_wrong_tries_lock_the_phone_and_say_what_to_do(cast, clara):
    phone = signed_out(come_in(cast, clara))
    for left in ("4 more times", "3 more times", "2 more times", "once more"):
        assert left in say(phone, WRONG).content.decode()
    page = say(phone, WRONG)
    assert page.status_code == 403
    assert "Ring occupational health" in page.content.decode()
    assert f"tel:{cast.site.phone.replace(' ', '')}" in page.content.decode()
    assert say(phone, DIGITS)["Location"] == reverse("account_login")
    assert phone.get(reverse("today")).status_code == 302
    assert AccessEntry.objects.filter(user__worker=clara, kind="refused").count() == 5


def test_a_right_try_begins_the_count_anew(cast, clara):
    phone = signed_out(come_in(cast, clara))
    for _round in range(3):
        for _try in range(4):
            say(phone, WRONG)
        assert say(phone, DIGITS).status_code == 302
        signed_out(phone)


@pytest.mark.parametrize(
    ("digits", "taken"),
    [
        ("492716", True),
        ("49 27 16", True),
        ("123456", False),
        ("654321", False),
        ("890123", False),
        ("111111", False),
        ("121212", False),
        ("123123", False),
        ("49271", False),
        ("4927163", False),
        ("49271a", False),
        ("４９２７１６", False),  # digits of another script: not what the number pad types next time
        ("", False),
    ],
)
def test_which_digits_are_taken(cast, clara, digits, taken):
    page = Client().post(invite(cast, clara), {"answer": "SG-2001", "pin": digits})
    assert (page.status_code == 302) is taken
    assert PhonePin.objects.exists() is taken


def test_neither_secret_nor_digits_are_kept_anywhere_to_be_read(cast, clara):
    phone = come_in(cast, clara)
    row = PhonePin.objects.get()
    secret = phone.cookies["phone"].value if "phone" in phone.cookies else phone.cookies["__Host-phone"].value
    assert secret not in (row.sha256, row.code)
    assert DIGITS not in row.code
    assert not hasattr(row.history.latest(), "sha256")
    assert not hasattr(row.history.latest(), "code")
    with doing("anonymous"):
        assert not pins.opens(row, "another secret", DIGITS, at=MONDAY)


ENDS = {
    "switched off": lambda user, at: _switch_off(user),
    "has a role now": lambda user, at: Role.objects.create(user=user, kind=Role.Kind.OBSERVER, from_at=at),
    "ended by its holder": lambda user, at: pins.end_all(user, at=at),
}


def _switch_off(user):
    user.is_active = False
    user.save()


@pytest.mark.parametrize("cause", ENDS)
def test_when_they_open_nothing_any_more(cast, clara, cause):
    phone = signed_out(come_in(cast, clara))
    clara.refresh_from_db()
    with doing(cast.administrator):
        ENDS[cause](clara.user, MONDAY)
    assert say(phone, DIGITS)["Location"] == reverse("account_login")
    assert phone.get(reverse("today")).status_code == 302


@pytest.mark.parametrize(("after", "opens"), [(timedelta(days=179), True), (timedelta(days=180), False)])
def test_a_phone_that_was_not_used_for_long_opens_nothing(cast, clara, standing_clock, after, opens):
    phone = signed_out(come_in(cast, clara))
    standing_clock(MONDAY + after)
    say(phone, DIGITS)
    assert ("_auth_user_id" in phone.session) is opens


def test_a_nurse_lets_somebody_in_anew_who_has_lost_the_phone_and_the_lost_one_is_out(cast, clara):
    lost = come_in(cast, clara)
    nurse = Client()
    nurse.force_login(cast.nurse)
    page = nurse.post(reverse("invite_worker", args=[clara.uid]), {"by": "paper"}).content.decode()
    assert "/i/" in page
    link = invite(cast, clara)
    assert Client().get(link + "?with=password").context["form"].with_password is False
    found = Client()
    found.post(link, {"answer": "SG-2001", "pin": "583920"})
    assert found.get(reverse("today")).status_code == 200
    assert User.objects.filter(worker=clara).count() == 1
    page = lost.get(reverse("today"), follow=True)
    assert "signed out here" in page.content.decode()
    assert say(lost, DIGITS)["Location"] == reverse("account_login")
    assert AccessEntry.objects.filter(recorded_by=cast.nurse.actor, kind="invited").exists()


def test_who_has_a_password_is_not_invited_anew(cast):
    nurse = Client()
    nurse.force_login(cast.nurse)
    page = nurse.post(reverse("invite_worker", args=[cast.worker.uid]), {"by": "paper"})
    assert "/i/" not in page.content.decode()
    with doing(cast.nurse):
        secret, _row = invitations.invite(worker=cast.worker, at=MONDAY)
    assert Client().get(reverse("invitation", args=[secret])).status_code == 410


@pytest.mark.parametrize("waiting", [False, True])
def test_a_nurse_lets_nobody_into_an_account_with_a_role(cast, clara, waiting):
    lost = come_in(cast, clara)
    clara.refresh_from_db()
    link = invite(cast, clara)
    with doing(cast.administrator):
        Role.objects.create(
            user=clara.user, kind=Role.Kind.NURSE, site=cast.site, from_at=MONDAY, waiting=waiting
        )
    nurse = Client()
    nurse.force_login(cast.nurse)
    page = nurse.post(reverse("invite_worker", args=[clara.uid]), {"by": "paper"})
    assert "/i/" not in page.content.decode()
    assert Client().get(link).status_code == 410
    assert (say(signed_out(lost), DIGITS)["Location"] == reverse("account_login")) is not waiting


def test_signing_out_all_others_ends_their_digits_and_keeps_this_phones(cast, clara):
    here = come_in(cast, clara)
    clara.refresh_from_db()
    with doing(clara.user):
        pins.set_pin(clara.user, "583920", at=MONDAY)
    here.post(reverse("sessions_end_others"))
    assert PhonePin.objects.filter(ended_at=None).count() == 1
    assert say(signed_out(here), DIGITS).status_code == 302
    assert here.get(reverse("today")).status_code == 200


def test_a_phone_that_is_signed_out_from_another_opens_no_more(cast, clara):
    lost = come_in(cast, clara)
    clara.refresh_from_db()
    lost.get(reverse("today"))
    other = Client()
    other.force_login(clara.user)
    other.get(reverse("today"))
    session = UserSession.objects.exclude(session_key=other.session.session_key).get()
    other.post(reverse("session_end", args=[session.pk]))
    assert "signed out here" in lost.get(reverse("today"), follow=True).content.decode()
    assert say(lost, DIGITS)["Location"] == reverse("account_login")


def test_somebody_with_a_password_chooses_digits_for_their_phone_and_ends_them(cast):
    phone = Client()
    phone.post(reverse("account_login"), {"login": "worker", "password": PASSWORD})
    phone.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    assert phone.post(reverse("new_pin"), {"pin": DIGITS})["Location"] == reverse("sessions")
    assert say(signed_out(phone), DIGITS).status_code == 302
    row = PhonePin.objects.get()
    phone.post(reverse("end_pin", args=[row.uid]))
    assert say(signed_out(phone), DIGITS)["Location"] == reverse("account_login")


def test_nobody_ends_somebody_elses(cast, clara):
    come_in(cast, clara)
    other = Client()
    other.force_login(cast.worker.user)
    assert other.post(reverse("end_pin", args=[PhonePin.objects.get().uid])).status_code == 404
    assert PhonePin.objects.get().ended_at is None


@pytest.mark.parametrize("role", ["observer", "nurse", "physician", "lead", "auditor", "administrator"])
def test_other_peoples_records_are_not_opened_by_six_digits(cast, role):
    client = Client()
    client.post(reverse("account_login"), {"login": role, "password": PASSWORD})
    client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    assert client.post(reverse("new_pin"), {"pin": DIGITS}).status_code == 403
    assert not PhonePin.objects.exists()


def test_before_the_account_is_opened_to_others_the_digits_are_asked_again(cast, clara, standing_clock):
    phone = come_in(cast, clara)
    standing_clock(MONDAY + timedelta(hours=1))
    for page in ("mfa_index", "account_set_password", "account_email", "new_pin"):
        answer = phone.get(reverse(page))
        assert answer["Location"].startswith(reverse("open_by_pin")), page
    assert "Is it you?" in phone.get(reverse("open_by_pin")).content.decode()
    assert say(phone, DIGITS, next=reverse("mfa_index"))["Location"] == reverse("mfa_index")
    assert phone.get(reverse("mfa_index")).status_code == 200


@pytest.mark.django_db(transaction=True)
def test_wrong_tries_at_the_same_instant_are_all_counted(cast, clara):
    if connection.vendor == "sqlite":
        pytest.skip("one writer at a time there")
    signed_out(come_in(cast, clara))
    with doing(clara):
        secret, row = pins.set_pin(User.objects.get(worker=clara), DIGITS, at=MONDAY)

    def guess(number):
        try:
            with doing("anonymous"):
                return pins.opens(row, secret, f"{number:06d}", at=MONDAY)
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as threads:
        assert not any(threads.map(guess, range(300000, 300024)))
    row.refresh_from_db()
    assert row.ended_at
    assert row.wrong_tries == pins.MOST_WRONG_TRIES
