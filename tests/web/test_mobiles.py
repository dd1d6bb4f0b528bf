"""A mobile number answers before it receives anything: by a code, for ten minutes, in three tries."""

import re
from datetime import timedelta

import pytest
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from config.reach import TextGateway
from exposure.audit.models import AccessEntry
from exposure.people.models import Worker
from exposure.remind.channels import text
from exposure.remind.channels.refusal import Refused
from exposure.web.account import mobiles
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]
OLD, NEW = "+44 1632 960 001", "+44 1632 960 002"
CONFIRM = "/account/mobile/"


@pytest.fixture
def letters(settings, monkeypatch):
    """What leaves; a gateway is set up."""
    settings.SMS_GATEWAY = TextGateway("https://texts.example/send", {})
    sent = []
    monkeypatch.setattr(text, "send", sent.append)
    cache.clear()
    return sent


@pytest.fixture
def wim(cast, letters, standing_clock):
    standing_clock(MONDAY)
    with doing("command:tests"):
        cast.worker.mobile = OLD
        cast.worker.save()
    client = Client()
    client.force_login(cast.worker.user)
    client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    return client


def choose(client, number=NEW):
    return client.post(
        reverse("my_settings"), {"unit": "C", "phone_only": "False", "reach_by": "text", "mobile": number}
    )


def number_of(cast):
    return Worker.objects.get(pk=cast.worker.pk).mobile


def code_in(letter):
    return re.search(r"\b\d{6}\b", letter.body)[0]


def test_a_number_is_taken_once_its_code_is_entered(wim, cast, letters):
    assert choose(wim)["Location"] == CONFIRM
    assert not letters, "nothing leaves by looking"
    assert NEW in wim.get(CONFIRM).content.decode()
    wim.post(CONFIRM)
    [letter] = letters
    assert letter.address == NEW
    assert number_of(cast) == OLD
    code = code_in(letter)
    answer = wim.post(CONFIRM, {"code": f" {code[:3]} {code[3:]}"})
    assert answer["Location"] == reverse("my_settings")
    assert number_of(cast) == NEW
    assert AccessEntry.objects.filter(kind=AccessEntry.Kind.ADDRESS, user=cast.worker.user).count() == 1
    assert wim.get(CONFIRM)["Location"] == "/"


def test_the_text_says_nothing_of_health_nor_who(wim, cast, letters):
    choose(wim)
    wim.post(CONFIRM)
    words = letters[0].body.lower()
    assert len(words) < 160
    assert not any(word in words for word in ("ebola", "exposure", "fever", "temperature", "wim", "alder"))


def test_everything_else_that_was_chosen_is_saved_at_once(wim, cast):
    sent = {
        "unit": "F",
        "phone_only": "False",
        "reach_by": "text",
        "mobile": NEW,
        "quiet_from": "22:00",
        "quiet_until": "06:00",
    }
    wim.post(reverse("my_settings"), sent)
    worker = Worker.objects.get(pk=cast.worker.pk)
    assert (worker.unit, worker.quiet_from.hour, worker.mobile) == ("F", 22, OLD)


@pytest.mark.parametrize("number", [OLD, ""])
def test_the_same_number_and_none_need_no_code(wim, cast, letters, number):
    sent = {"unit": "C", "phone_only": "False", "reach_by": "email", "mobile": number}
    assert wim.post(reverse("my_settings"), sent)["Location"] == reverse("my_settings")
    assert number_of(cast) == number
    assert wim.get(CONFIRM)["Location"] == "/"


def test_three_wrong_codes_end_it_and_the_right_one_comes_too_late(wim, cast, letters):
    choose(wim)
    wim.post(CONFIRM)
    code = code_in(letters[0])
    wrong = f"{(int(code) + 1) % 10**6:06d}"
    for _try in range(mobiles.MOST_WRONG):
        assert wim.post(CONFIRM, {"code": wrong}).status_code == 422
    answer = wim.post(CONFIRM, {"code": code})
    assert "Have another one sent" in answer.content.decode()
    assert number_of(cast) == OLD


@pytest.mark.sessions_end
@pytest.mark.parametrize(("after", "kept"), [(timedelta(0), NEW), (timedelta(minutes=10, seconds=1), OLD)])
def test_a_code_works_for_ten_minutes(wim, cast, letters, standing_clock, after, kept):
    choose(wim)
    wim.post(CONFIRM)
    standing_clock(MONDAY + after)
    wim.post(CONFIRM, {"code": code_in(letters[0])})
    assert number_of(cast) == kept


def test_a_code_is_for_the_number_it_was_sent_to(wim, cast, letters):
    choose(wim)
    wim.post(CONFIRM)
    choose(wim, "+44 1632 960 003")
    assert wim.post(CONFIRM, {"code": code_in(letters[0])}).status_code == 422
    assert number_of(cast) == OLD


def test_no_more_than_six_codes_a_day(wim, letters):
    choose(wim)
    for _try in range(mobiles.MOST_A_DAY + 2):
        answer = wim.post(CONFIRM, follow=True)
    assert len(letters) == mobiles.MOST_A_DAY
    assert "No more codes today" in answer.content.decode()


def test_without_a_cache_a_code_still_goes(wim, letters, monkeypatch):
    def nothing_counted(key):
        raise ValueError(key)  # as Django's caches do for a key that they have not kept

    monkeypatch.setattr(mobiles.cache, "incr", nothing_counted)
    choose(wim)
    assert wim.post(CONFIRM, follow=True).status_code == 200
    assert len(letters) == 1


def test_a_gateway_that_refuses_is_said_and_nothing_changes(wim, cast, monkeypatch):
    def refuse(letter):
        raise Refused("HTTP 503", permanent=False)

    monkeypatch.setattr(text, "send", refuse)
    choose(wim)
    assert "Your earlier one stays" in wim.post(CONFIRM, follow=True).content.decode()
    assert number_of(cast) == OLD


def test_who_signed_in_long_ago_is_asked_again_first(wim, standing_clock, monkeypatch, letters):
    choose(wim)
    monkeypatch.setattr("allauth.account.internal.flows.reauthentication.time.time", lambda: 4e9)
    assert wim.post(CONFIRM)["Location"].startswith("/account/reauthenticate/")
    assert not letters


def test_a_clinicians_number_is_asked_too(cast, letters, standing_clock):
    standing_clock(MONDAY)
    client = Client()
    client.force_login(cast.nurse)
    client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    assert client.post(reverse("how_told"), {"mobile": NEW, "reach_by": "text"})["Location"] == CONFIRM
    client.post(CONFIRM)
    cast.nurse.refresh_from_db()
    assert cast.nurse.mobile == ""
    client.post(CONFIRM, {"code": code_in(letters[0])})
    cast.nurse.refresh_from_db()
    assert (cast.nurse.mobile, cast.nurse.reach_by) == (NEW, "text")
