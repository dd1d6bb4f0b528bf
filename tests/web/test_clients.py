"""Whose address counts, and that limits on sign-in keep out who guesses and nobody else."""

import time
from ipaddress import ip_network

import pytest
from django.core.cache import cache
from django.urls import reverse

from exposure.checks import trusted_proxies
from exposure.people.models import Worker
from exposure.web.middleware import client_address
from tests.cast import MONDAY, PASSWORD

PROXY, ELSEWHERE, HOME = "192.0.2.1", "198.51.100.7", "203.0.113.9"  # RFC 5737: addresses for documentation


@pytest.fixture(autouse=True)
def _nobody_has_tried_yet():
    cache.clear()


@pytest.fixture
def behind(settings):
    """Behind one proxy that is trusted."""
    settings.TRUSTED_PROXIES = [ip_network(PROXY), ip_network("2001:db8::/32")]
    settings.TRUSTED_PROXY_HOPS = 1


@pytest.mark.parametrize(
    ("peer", "forwarded_for", "client", "because"),
    [
        (PROXY, HOME, HOME, "the proxy names the client"),
        (
            PROXY,
            f"{ELSEWHERE}, {HOME}",
            HOME,
            "what the client itself wrote stands before what the proxy adds",
        ),
        (PROXY, f"{ELSEWHERE},{HOME}:51812", HOME, "with a port"),
        (PROXY, "[2001:db9::5]:443", "2001:db9::5", "IPv6 with a port"),
        ("::ffff:" + PROXY, HOME, HOME, "an IPv4 proxy on an IPv6 socket"),
        ("2001:db8::1", HOME, HOME, "a proxy out of a trusted network"),
        (ELSEWHERE, HOME, ELSEWHERE, "nobody else may name one"),
        (PROXY, "", PROXY, "nothing was named"),
        (PROXY, "unknown", PROXY, "no address"),
        (PROXY, f"{HOME}, <b>", PROXY, "the proxy's own entry is what counts"),
        ("", HOME, "", "no peer, as on a socket file"),
    ],
)
def test_the_client_is_whom_the_trusted_proxy_names(behind, peer, forwarded_for, client, because):
    assert client_address(peer, forwarded_for) == client, because


def test_behind_two_proxies_the_outer_one_names_the_client(behind, settings):
    settings.TRUSTED_PROXY_HOPS = 2
    assert client_address(PROXY, f"{ELSEWHERE}, {HOME}, 10.0.0.3") == HOME
    assert client_address(PROXY, HOME) == PROXY, "only one entry: it did not come through both"


def sign_in(client, password, *, address, **headers):
    fields = {"login": "nurse", "password": password}
    return client.post(reverse("account_login"), fields, REMOTE_ADDR=address, headers=headers)


def test_wrong_tries_from_elsewhere_lock_nobody_out(cast, client):
    got = [sign_in(client, "wrong", address=ELSEWHERE).status_code for _try in range(8)]
    assert got == [200] * 5 + [429] * 3
    assert sign_in(client, PASSWORD, address=ELSEWHERE).status_code == 429, "no more tries from there"
    assert sign_in(client, PASSWORD, address=HOME).status_code == 302


def test_behind_the_proxy_each_client_is_counted_alone(cast, client, behind):
    for _try in range(8):
        sign_in(client, "wrong", address=PROXY, x_forwarded_for=ELSEWHERE)
    assert sign_in(client, PASSWORD, address=PROXY, x_forwarded_for=ELSEWHERE).status_code == 429
    assert sign_in(client, PASSWORD, address=PROXY, x_forwarded_for=HOME).status_code == 302


@pytest.mark.usefixtures("behind")
@pytest.mark.parametrize("peer", [ELSEWHERE, PROXY])
def test_a_forged_header_buys_no_further_tries(cast, client, peer):
    for number in range(8):
        forged = f"203.0.113.{number}" if peer == ELSEWHERE else f"203.0.113.{number}, {ELSEWHERE}"
        sign_in(client, "wrong", address=peer, x_forwarded_for=forged)
    forged = HOME if peer == ELSEWHERE else f"{HOME}, {ELSEWHERE}"
    assert sign_in(client, PASSWORD, address=peer, x_forwarded_for=forged).status_code == 429


def test_too_many_tries_say_when_to_go_on(cast, client, settings):
    settings.ACCOUNT_RATE_LIMITS = {"login": "1/m/ip"}
    sign_in(client, "wrong", address=HOME)
    refused = sign_in(client, PASSWORD, address=HOME)
    assert refused.status_code == 429
    assert refused["Retry-After"] == "60"
    assert "Wait a minute" in refused.text


def test_what_is_left_of_a_limit_is_said_and_grows_with_the_wrong_tries(cast, client, monkeypatch):
    """RFC 9110, section 10.2.3: seconds from the answer on. Five in five minutes, ten in an hour, twenty in four."""
    now, waits = [time.time()], []
    monkeypatch.setattr(time, "time", lambda: now[0])
    for _try in range(21):
        answer = sign_in(client, "wrong", address=HOME)
        if answer.status_code == 429:
            waits.append(int(answer["Retry-After"]))
            assert f"Wait {-(-waits[-1] // 60)} minutes" in answer.text
            now[0] += waits[-1]
            assert sign_in(client, "wrong", address=HOME).status_code == 200, "as it was said"
        now[0] += 1
    # What is left of five minutes after five tries, of the hour after ten, of the next five minutes, of four hours.
    assert waits == [300 - 5, 3600 - 305, 300 - 5, 4 * 3600 - 3905]


def test_a_whole_ward_behind_one_address_signs_in(cast, client):
    for _someone in range(60):
        assert sign_in(client, PASSWORD, address=HOME).status_code == 302
        client.logout()


@pytest.mark.usefixtures("behind")
def test_history_names_the_true_client(cast, client, standing_clock):
    standing_clock(MONDAY)
    client.force_login(cast.worker.user)
    fields = {"unit": "F", "phone_only": "False"}
    for peer, named in ((PROXY, HOME), (ELSEWHERE, HOME)):
        fields["unit"] = "C" if fields["unit"] == "F" else "F"
        client.post(reverse("my_settings"), fields, REMOTE_ADDR=peer, headers={"x-forwarded-for": named})
    origins = Worker.history.filter(uid=cast.worker.uid).values_list("origin", flat=True)
    assert [origin.split()[0] for origin in origins[:2]] == [ELSEWHERE, HOME]


def test_a_deployment_without_a_trusted_proxy_is_warned(settings):
    settings.LOCAL_USE, settings.TRUSTED_PROXIES = False, []
    assert [message.id for message in trusted_proxies(None)] == ["exposure.W003"]
    settings.TRUSTED_PROXIES = [ip_network(PROXY)]
    assert trusted_proxies(None) == []
