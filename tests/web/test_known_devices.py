"""Nobody keeps anybody out: whoever guesses from the same address spends tries of their own, not those of a browser in
which the holder has signed in before."""

import pytest
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from tests.cast import MONDAY, PASSWORD

pytestmark = [pytest.mark.database, pytest.mark.django_db]


@pytest.fixture(autouse=True)
def _fresh(standing_clock):
    standing_clock(MONDAY)
    cache.clear()


def tries(client, password, name="nurse"):
    return client.post(reverse("account_login"), {"login": name, "password": password}).status_code


def guess(count=40):
    """Somebody at the same address, in a browser of their own."""
    stranger = Client()
    return [tries(stranger, f"wrong {number}") for number in range(count)]


def test_the_holder_gets_in_where_they_have_before_while_somebody_guesses_beside_them(cast):
    desk = Client()
    assert tries(desk, PASSWORD) == 302
    desk.post(reverse("account_logout"))
    assert guess()[-1] == 429
    assert tries(Client(), PASSWORD) == 429
    assert tries(desk, PASSWORD) == 302


def test_the_own_browser_has_a_limit_of_its_own(cast):
    desk = Client()
    tries(desk, PASSWORD)
    desk.post(reverse("account_logout"))
    answers = [tries(desk, f"wrong {number}") for number in range(8)]
    assert answers[-1] == 429
    assert answers.count(200) == 5


def test_what_is_known_is_known_of_that_account_alone(cast):
    desk = Client()
    tries(desk, PASSWORD, name="observer")
    desk.post(reverse("account_logout"))
    guess()
    assert tries(desk, PASSWORD) == 429


@pytest.mark.parametrize("made", ["", "x", "eyJpZCI6ICJhIiwgImFjY291bnRzIjogWzEsMiwzXX0:1abc:forged"])
def test_a_cookie_that_somebody_made_up_is_none(cast, made):
    guess()
    forger = Client()
    forger.cookies["device"] = made
    assert tries(forger, PASSWORD) == 429


def test_the_cookie_is_out_of_reach_of_scripts_and_opens_nothing(cast):
    desk = Client()
    tries(desk, PASSWORD)
    cookie = desk.cookies["device"]
    assert (cookie["httponly"], cookie["samesite"]) == (True, "Lax")
    thief = Client()
    thief.cookies["device"] = cookie.value
    assert thief.get(reverse("needs_action")).status_code == 302
