"""Who came in, who was refused, whose password changed: each an entry, and told to the auditor of their site only."""

import pytest
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]


@pytest.fixture
def door(cast, standing_clock):
    standing_clock(MONDAY)
    return lambda **said: Client().post(reverse("account_login"), said)


def entries():
    return [(one.kind, one.user.name, one.recorded_by) for one in AccessEntry.objects.all()]


def test_a_sign_in_and_a_sign_out_are_entries_of_the_person(cast, standing_clock):
    standing_clock(MONDAY)
    client = Client()
    client.post(reverse("account_login"), {"login": "nurse", "password": PASSWORD})
    client.post(reverse("account_logout"))
    assert entries() == [("signed_in", "nurse", cast.nurse.actor), ("signed_out", "nurse", cast.nurse.actor)]


@pytest.mark.parametrize("login", ["nurse", "NURSE"])
def test_a_wrong_password_is_an_entry_of_the_account_by_nobody_known(cast, door, login):
    assert door(login=login, password="wrong" * 4).status_code == 200
    assert entries() == [("refused", "nurse", "anonymous")]


def test_a_wrong_password_beside_an_address_is_noted_too(cast, door):
    with doing("command:tests"):
        cast.nurse.email = "nora@exposure.test"
        cast.nurse.save()
    door(login="nora@exposure.test", password="wrong" * 4)
    assert entries() == [("refused", "nurse", "anonymous")]


def test_a_name_that_is_no_account_leaves_no_entry_and_the_same_answer(cast, door):
    nobody, known = door(login="nobody", password="x" * 20), door(login="nurse", password="x" * 20)
    assert nobody.status_code == known.status_code == 200
    assert [kind for kind, *_who in entries()] == ["refused"]


def test_a_password_set_anew_is_an_entry(cast, standing_clock):
    standing_clock(MONDAY)
    client = Client()
    client.force_login(cast.nurse)
    new = "heron-saltmarsh-quay-9"
    answer = client.post(
        reverse("account_change_password"),
        {"oldpassword": PASSWORD, "password1": new, "password2": new},
    )
    assert answer.status_code == 302
    assert ("password", "nurse", cast.nurse.actor) in entries()


def test_the_auditor_reads_who_came_in_at_their_site_and_nowhere_else(cast, door):
    door(login="nurse", password=PASSWORD)
    door(login="outsider", password=PASSWORD)
    client = Client()
    client.force_login(cast.auditor)
    words = client.get(reverse("history")).content.decode()
    assert "Sign-in: signed in" in words
    assert words.count("Sign-in: signed in") == 1, "not the outsider's"


def test_what_another_site_looks_for_is_not_told(cast, standing_clock):
    standing_clock(MONDAY)
    there, here = Client(), Client()
    there.force_login(cast.outsider)
    there.get(reverse("monitoring"), {"find": "Quay Person"})
    here.force_login(cast.auditor)
    assert "Quay Person" not in here.get(reverse("history")).content.decode()


def test_signing_out_empties_the_browsers_cache(cast, standing_clock):
    """W3C, Clear Site Data. Not its storage: what a phone has still to send would go too."""
    standing_clock(MONDAY)
    client = Client()
    client.force_login(cast.worker.user)
    assert "Clear-Site-Data" not in client.get(reverse("today")).headers
    assert client.post(reverse("account_logout"))["Clear-Site-Data"] == '"cache"'


def test_who_is_refused_stands_in_the_process_log(cast, standing_clock, caplog):
    """OWASP ASVS 5.0, 16.3.2. What they sent does not."""
    standing_clock(MONDAY)
    client = Client()
    client.force_login(cast.observer)
    assert client.get(reverse("monitoring"), {"find": "Wim"}).status_code == 403
    [line] = [record.getMessage() for record in caplog.records if record.name == "exposure.web.errors"]
    assert line == f"Refused: {cast.observer.actor}, at monitoring/"
