"""A way in that is over says what to do next, with the number to ring, whatever ended it."""

from datetime import timedelta

import pytest
from allauth.usersessions.models import UserSession
from django.test import Client
from django.urls import reverse

from exposure.people import invitations
from exposure.people.models import Worker
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

ANSWERS = {"answer": "0417", "pin": "492716"}


@pytest.fixture
def clara(cast, standing_clock):
    standing_clock(MONDAY)
    with doing(cast.nurse):
        return Worker.objects.create(site=cast.site, name="Clara Reed", phone="+44 1632 960 417")


def invited(cast, worker):
    with doing(cast.nurse):
        secret, _row = invitations.invite(worker=worker, at=MONDAY)
    return reverse("invitation", args=[secret])


def used(cast, clara, clock):
    link = invited(cast, clara)
    assert Client().post(link, ANSWERS).status_code == 302
    return Client().get(link)


def expired(cast, clara, clock):
    link = invited(cast, clara)
    clock(MONDAY + timedelta(hours=72))
    return Client().get(link)


def replaced(cast, clara, clock):
    link = invited(cast, clara)
    invited(cast, clara)
    return Client().get(link)


def guessed_last(cast, clara, clock):
    """The page that the last wrong answer leads to."""
    link = invited(cast, clara)
    for _try in range(4):
        Client().post(link, {**ANSWERS, "answer": "9999"})
    return Client().post(link, {**ANSWERS, "answer": "9999"})


def guessed(cast, clara, clock):
    link = invited(cast, clara)
    for _try in range(5):
        Client().post(link, {**ANSWERS, "answer": "9999"})
    return Client().get(link)


def never_was(cast, clara, clock):
    return Client().get(reverse("invitation", args=["x" * 43]))


def revoked_device(cast, clara, clock):
    """A phone that was signed out from another one."""
    phone = Client()
    phone.post(reverse("account_login"), {"login": "worker", "password": PASSWORD, "remember": "on"})
    assert phone.get(reverse("today")).status_code == 200
    UserSession.objects.get(user=cast.worker.user).end()
    return phone.get(reverse("today"), follow=True)


@pytest.mark.parametrize(
    ("state", "next_step"),
    [
        (used, "If it was not you, ring occupational health now"),
        (expired, "It worked for three days, and they are over. Ask whoever gave it to you for another"),
        (replaced, "You were given a newer one: use that."),
        (guessed_last, "Ring occupational health: they put it right, and give you another."),
        (guessed, "Ring occupational health: they put it right, and give you another."),
        (never_was, "ask whoever gave it to you for another"),
        (revoked_device, "Sign in"),
    ],
)
def test_it_says_what_to_do_next_with_the_number_to_ring(cast, clara, standing_clock, state, next_step):
    page = state(cast, clara, standing_clock)
    text = " ".join(page.content.decode().split())
    assert next_step in text
    assert reverse("account_login") in text
    assert f'href="tel:{cast.site.phone.replace(" ", "")}"' in text
    assert clara.name not in text
