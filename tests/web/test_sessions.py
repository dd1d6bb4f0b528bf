"""How long somebody stays signed in, by role; where they are signed in; and an end to any of it."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from exposure.people.models import Role
from exposure.people.policy import LASTING, ON_OWN_DEVICE, WITHOUT_ROLE
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db, pytest.mark.sessions_end]

SECOND = timedelta(seconds=1)


def signed_in(user, **more):
    client = Client()
    client.post(reverse("account_login"), {"login": user.name, "password": PASSWORD, **more})
    return client


def is_in(client):
    return client.get(reverse("mfa_index")).status_code == 200


CASES = [
    (kind, LASTING[kind], {})
    for kind in ("nurse", "physician", "auditor", "administrator", "observer", "lead")
]
CASES += [("worker", WITHOUT_ROLE, {}), ("worker", ON_OWN_DEVICE, {"remember": "on"})]
CASES += [("nurse", LASTING["nurse"], {"remember": "on"})]


def person(cast, who):
    return cast.worker.user if who == "worker" else getattr(cast, who)


@pytest.mark.parametrize(("who", "limits", "sent"), CASES)
def test_unused_it_ends_at_its_limit_and_not_before(cast, standing_clock, who, limits, sent):
    standing_clock(MONDAY)
    client = signed_in(person(cast, who), **sent)
    assert is_in(client)
    standing_clock(MONDAY + limits.idle - SECOND)
    assert is_in(client)
    standing_clock(MONDAY + 2 * limits.idle - SECOND)
    assert not is_in(client)


@pytest.mark.parametrize(("who", "limits", "sent"), CASES)
def test_used_all_the_time_it_ends_after_all_at_its_limit(cast, standing_clock, who, limits, sent):
    standing_clock(MONDAY)
    client = signed_in(person(cast, who), **sent)
    steps = limits.whole // (limits.idle / 2)
    for step in range(steps):
        standing_clock(MONDAY + step * limits.idle / 2)
        assert is_in(client)
    standing_clock(MONDAY + limits.whole)
    assert not is_in(client)


def test_of_several_roles_the_strictest_counts(cast, standing_clock):
    with doing("command:tests"):
        Role.objects.create(
            user=cast.observer, site=cast.site, kind="nurse", from_at=MONDAY - timedelta(days=1)
        )
    standing_clock(MONDAY)
    client = signed_in(cast.observer)
    assert is_in(client)
    standing_clock(MONDAY + LASTING["nurse"].idle)
    assert not is_in(client)


def test_the_end_is_an_entry_and_is_said(cast, standing_clock):
    standing_clock(MONDAY)
    client = signed_in(cast.nurse)
    is_in(client)
    standing_clock(MONDAY + timedelta(hours=2))
    page = client.get(reverse("needs_action"), follow=True)
    assert "it was so long ago" in page.content.decode()
    ended = AccessEntry.objects.filter(user=cast.nurse, kind="signed_out").get()
    assert (ended.recorded_at, ended.recorded_by) == (MONDAY + timedelta(hours=2), cast.nurse.actor)


def test_a_clock_that_was_put_back_signs_nobody_out_and_keeps_nobody_in_for_ever(cast, standing_clock):
    standing_clock(MONDAY + timedelta(days=1))
    client = signed_in(cast.nurse)
    assert is_in(client)
    standing_clock(MONDAY)
    assert is_in(client)
    standing_clock(MONDAY + timedelta(days=2))
    assert not is_in(client)


def test_what_was_typed_when_it_ended_is_kept_for_its_owner(cast, standing_clock):
    standing_clock(MONDAY)
    client = signed_in(cast.worker.user)
    page = client.get(reverse("today"))
    owner = page.context["form_owner"]()
    standing_clock(MONDAY + timedelta(hours=2))
    answer = client.post(reverse("today"), {"form_owner": owner, "temperature": "38.4", "method": "oral"})
    assert answer["Location"].startswith("/account/login/")
    client.post(reverse("account_login"), {"login": cast.worker.user.name, "password": PASSWORD})
    kept = client.session["kept_form"]
    assert (kept["owner"], kept["path"]) == (cast.worker.user.pk, reverse("today"))
    assert "38.4" in kept["fields"]


def test_asking_how_long_is_left_is_no_use_and_staying_is(cast, standing_clock):
    standing_clock(MONDAY)
    client = signed_in(cast.nurse)
    client.get(reverse("needs_action"))
    left = reverse("session_left")
    standing_clock(MONDAY + timedelta(minutes=20))
    assert client.get(left).json() == {"seconds": 600}
    standing_clock(MONDAY + timedelta(minutes=25))
    assert client.get(left).json() == {"seconds": 300}
    assert client.post(left).json() == {"seconds": 1800}
    standing_clock(MONDAY + timedelta(minutes=55))
    assert client.get(left).json() == {"seconds": 0}
    assert not is_in(client)


def test_other_devices_are_listed_and_signed_out(cast, standing_clock):
    standing_clock(MONDAY)
    here, phone, desk = (signed_in(cast.nurse) for _device in range(3))
    for client in (here, phone, desk):
        assert is_in(client)
    rows = here.get(reverse("sessions")).context["rows"]
    assert [row["is_this"] for row in rows] == [True, False, False]
    here.post(reverse("session_end", args=[rows[1]["session"].pk]))
    assert sorted(map(is_in, (phone, desk))) == [False, True]
    here.post(reverse("sessions_end_others"))
    assert [is_in(client) for client in (here, phone, desk)] == [True, False, False]


def test_nobody_signs_out_somebody_else(cast, standing_clock):
    standing_clock(MONDAY)
    theirs, mine = signed_in(cast.physician), signed_in(cast.nurse)
    key = theirs.get(reverse("sessions")).context["rows"][0]["session"].pk
    assert mine.post(reverse("session_end", args=[key])).status_code == 404
    assert is_in(theirs)


def test_another_password_signs_out_everywhere_else(cast, standing_clock):
    standing_clock(MONDAY)
    here, there = signed_in(cast.nurse), signed_in(cast.nurse)
    longer = "four words and a gull"
    change = {"oldpassword": PASSWORD, "password1": longer, "password2": longer}
    here.post(reverse("account_change_password"), change)
    assert (is_in(here), is_in(there)) == (True, False)


def test_an_account_that_is_switched_off_is_out_at_its_next_request(cast, standing_clock):
    standing_clock(MONDAY)
    client = signed_in(cast.nurse)
    assert is_in(client)
    cast.nurse.is_active = False
    with doing("command:tests"):
        cast.nurse.save()
    assert not is_in(client)
