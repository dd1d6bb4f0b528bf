"""Keys to the interface on a page: made and shown once, listed, ended; nobody else's."""

import re
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from exposure.people import tokens
from exposure.people.models import ApiToken, Role
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]


@pytest.fixture
def nora(cast, standing_clock):
    standing_clock(MONDAY)
    client = Client()
    client.force_login(cast.nurse)
    return client


def works(key):
    client = Client(headers={"authorization": f"Bearer {key}"})
    return client.get("/api/v1/alerts/").status_code == 200


def test_a_key_is_made_shown_once_and_opens_what_its_holder_may(nora):
    made = nora.post(reverse("keys"), {"label": "Ward screen", "role": "all", "days": "30"}).content.decode()
    [key] = re.findall(r"exposure_[\w-]{20,}", made)
    assert works(key)
    again = nora.get(reverse("keys")).content.decode()
    assert "Ward screen" in again
    assert key not in again


def test_an_ended_key_opens_nothing_and_stays_in_the_list(nora, cast):
    with doing(cast.nurse):
        key, row = tokens.issue(cast.nurse, label="Old", days=30, at=MONDAY)
    assert works(key)
    for _twice in range(2):
        assert nora.post(reverse("key_end", args=[row.uid])).status_code == 302
        assert not works(key)
    row.refresh_from_db()
    assert row.revoked_at == MONDAY
    assert "ended" in nora.get(reverse("keys")).content.decode()


def test_somebody_elses_key_is_not_there(nora, cast):
    with doing(cast.physician):
        key, row = tokens.issue(cast.physician, label="Hers", days=30, at=MONDAY)
    assert "Hers" not in nora.get(reverse("keys")).content.decode()
    assert nora.post(reverse("key_end", args=[row.uid])).status_code == 404
    assert works(key)


WHOLE = {"label": "x", "role": "all", "days": "30"}


@pytest.mark.parametrize(
    "wrong", [{}, WHOLE | {"days": "9999"}, WHOLE | {"label": ""}, WHOLE | {"role": "auditor"}]
)
def test_what_is_missing_is_asked_for_and_nothing_is_made(nora, wrong):
    assert "Make a key" in nora.post(reverse("keys"), wrong).content.decode()
    assert not ApiToken.objects.exists()


@pytest.mark.parametrize("asked", [True, False])
def test_with_another_password_keys_end_when_that_is_asked_for(nora, cast, asked):
    with doing(cast.nurse):
        key, _row = tokens.issue(cast.nurse, label="Old", days=30, at=MONDAY)
    new = {"password1": "heron-saltmarsh-quay-9", "password2": "heron-saltmarsh-quay-9"}
    sent = {"oldpassword": PASSWORD, **new, **({"end_keys": "on"} if asked else {})}
    assert nora.post(reverse("account_change_password"), sent).status_code == 302
    assert works(key) is not asked


@pytest.mark.parametrize(("role", "may"), [("", True), ("nurse", True), ("auditor", False), ("own", False)])
def test_what_the_chosen_role_may_not_the_key_may_not(cast, role, may, standing_clock):
    standing_clock(MONDAY)
    with doing("command:tests"):
        Role.objects.create(
            user=cast.nurse, site=cast.site, kind="auditor", from_at=MONDAY - timedelta(days=1)
        )
        key, _row = tokens.issue(cast.nurse, label="x", days=30, role=role, at=MONDAY)
    client = Client(headers={"authorization": f"Bearer {key}"})
    answer = client.post("/api/v1/calls/", {}, content_type="application/json")
    assert answer.status_code == (400 if may else 403)


def test_made_and_ended_are_entries(nora, cast):
    nora.post(reverse("keys"), WHOLE)
    nora.post(reverse("key_end", args=[cast.nurse.api_tokens.get().uid]))
    assert AccessEntry.objects.filter(user=cast.nurse, kind="key").count() == 2
