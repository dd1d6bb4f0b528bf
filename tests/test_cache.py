"""The service goes on while the cache is away: sign-in, pages, readings; limits count nothing meanwhile."""

import time

import pytest
from django.core.cache import cache, caches
from django.core.cache.backends.locmem import LocMemCache
from django.urls import reverse

from config.cache import GoesOn
from exposure.followup.models import Reading
from exposure.web.worker.forms import NONE_OF_THESE
from tests.cast import MONDAY, PASSWORD
from tests.walk import follow_up_told_and_confirmed, hours


class Away(LocMemCache):
    """Raises on every call, as the client of a server that is away does."""

    def _fail(self, *args, **kwargs):
        raise ConnectionError("away")

    add = get = set = touch = delete = incr = has_key = clear = get_many = set_many = delete_many = _fail


class GoesOnAlthoughAway(GoesOn, Away):
    pass


@pytest.fixture
def away(settings):
    settings.CACHES = {"default": {"BACKEND": "tests.test_cache.GoesOnAlthoughAway"}}


@pytest.mark.django_db
def test_sign_in_pages_and_readings_go_on_and_readyz_says_that_the_cache_is_away(
    away, cast, client, standing_clock
):
    follow_up_told_and_confirmed(cast)
    at = standing_clock(MONDAY + hours(11))
    for _try in range(7):
        wrong = client.post(reverse("account_login"), {"login": "worker", "password": "wrong"})
        assert wrong.status_code == 200
    signed_in = client.post(reverse("account_login"), {"login": "worker", "password": PASSWORD})
    assert signed_in.status_code == 302
    assert client.get(reverse("today")).status_code == 200
    fields = {"temperature": "36.6", "unit": "C", "method": "oral", "taken_at": at.strftime("%Y-%m-%dT%H:%M")}
    fields["symptoms"] = NONE_OF_THESE
    assert client.post(reverse("today"), fields).status_code in (200, 302)
    body = cast.reading(taken_at=at.isoformat())
    assert client.post("/api/v1/readings/", body, content_type="application/json").status_code == 201
    assert Reading.objects.filter(uid=body["submission_id"]).exists()
    ready = client.get("/readyz")
    assert ready.status_code == 503
    assert ready.json()["cache"] is False
    assert ready.json()["database"] is True


def test_a_cache_that_is_away_is_an_empty_one_that_takes_everything(away):
    assert cache.get("key", "nothing") == "nothing"
    assert cache.add("key", 1)
    assert cache.get_many(["key"]) == {}
    assert cache.incr("key") == 1
    assert "key" not in cache
    assert cache.set_many({"key": 1}) == ["key"]
    assert not cache.delete("key")


def test_a_server_that_is_not_there_costs_one_short_wait(settings):
    address = {
        "BACKEND": "config.cache.Redis",
        "LOCATION": "redis://127.0.0.1:1",
        "OPTIONS": {"socket_timeout": 1},
    }
    settings.CACHES = {"default": address}
    began = time.monotonic()
    assert [caches["default"].get("key", number) for number in range(50)] == list(range(50))
    assert time.monotonic() - began < 3


def test_it_counts_again_when_the_cache_is_back(away, monkeypatch):
    assert cache.get("key") is None
    for name in ("get", "set"):
        monkeypatch.setattr(Away, name, getattr(LocMemCache, name))
    cache.set("key", "kept")
    assert cache.get("key") is None, "left alone for some seconds"
    monkeypatch.setattr("config.cache.time.monotonic", lambda: time.time() + 10**9)
    cache.set("key", "kept")
    assert cache.get("key") == "kept"
