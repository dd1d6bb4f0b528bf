"""An e-mail address is a way in: the new one answers before it receives anything, and each change is in the history."""

import re

import pytest
from django.core import mail
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

OLD, NEW = "nora@saltmarsh.example", "nora.teal@saltmarsh.example"


@pytest.fixture
def nora(cast, standing_clock):
    """Nora's browser; she has an address, and has said her password once more."""
    standing_clock(MONDAY)
    cache.clear()
    with doing("command:tests"):
        cast.nurse.email = OLD
        cast.nurse.save()
    client = Client()
    client.force_login(cast.nurse)
    client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    return client


def link_in(message):
    return re.findall(r"https?://[^/\s]+(/account/confirm-email/\S+/)", message.body)[0]


def test_the_old_address_stays_until_the_new_one_has_answered(nora, cast):
    nora.post(reverse("account_email"), {"action_add": "", "email": NEW})
    cast.nurse.refresh_from_db()
    assert cast.nurse.email == OLD
    [sent] = [message for message in mail.outbox if message.to == [NEW]]
    page = nora.get(reverse("account_email")).content.decode()
    assert OLD in page
    assert NEW in page
    nora.get(link_in(sent))  # whoever looks a mail through for its reader has changed nothing
    cast.nurse.refresh_from_db()
    assert cast.nurse.email == OLD
    nora.post(link_in(sent))
    cast.nurse.refresh_from_db()
    assert cast.nurse.email == NEW
    versions = cast.nurse.history.order_by("-history_id").values_list("email", "history_user_id")
    assert list(versions[:2]) == [(NEW, cast.nurse.actor), (OLD, "command:tests")]
    assert AccessEntry.objects.filter(user=cast.nurse, kind="address").exists()


def test_a_link_that_somebody_else_opens_changes_nothing_of_theirs(nora, cast):
    nora.post(reverse("account_email"), {"action_add": "", "email": NEW})
    other = Client()
    other.force_login(cast.observer)
    other.post(link_in(mail.outbox[-1]))
    before = cast.observer.email
    cast.observer.refresh_from_db()
    assert cast.observer.email == before


def test_an_address_that_somebody_has_is_not_taken_from_them(nora, cast):
    with doing("command:tests"):
        cast.physician.email = NEW
        cast.physician.save()
    nora.post(reverse("account_email"), {"action_add": "", "email": NEW})
    for message in mail.outbox:
        if "confirm-email" in message.body:
            nora.post(link_in(message))
    cast.nurse.refresh_from_db()
    assert cast.nurse.email == OLD


def test_a_code_by_mail_opens_once(nora, cast):
    for opened in (True, False):
        fresh = Client()
        fresh.post(reverse("account_request_login_code"), {"email": OLD})
        if opened:
            code = re.findall(r"^\s*([A-Z0-9-]{6,12})\s*$", mail.outbox[-1].body, re.MULTILINE)[0]
        fresh.post(reverse("account_confirm_login_code"), {"code": code})
        assert (fresh.get(reverse("needs_action")).status_code == 200) is opened


def test_who_has_no_account_is_answered_like_who_has_one(nora):
    answers = []
    for address in (OLD, "nobody@saltmarsh.example"):
        answer = Client().post(reverse("account_request_login_code"), {"email": address}, follow=True)
        answers.append(re.sub(r'value="[^"]+"', "", answer.content.decode()).replace(address, ""))
    assert answers[0] == answers[1]


@pytest.mark.parametrize("page", ["account_request_login_code", "account_login", "account_reset_password"])
def test_what_stands_before_signing_in_has_the_number_to_ring(nora, page, cast):
    assert "tel:" in Client().get(reverse(page)).content.decode()
