"""Notifications on devices, by a push service that is really there and reads what a browser would read."""

import base64
import json
from urllib.parse import urlsplit
from uuid import UUID

import http_ece
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from py_vapid import Vapid02

from config import reach
from exposure.people.models import PushSubscription
from exposure.remind.channels import push
from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused
from tests.cast import MONDAY, doing
from tests.remind.channels import gateways
from tests.remind.channels.gateways import serving

UID = UUID("6f1c2b7e-3a51-4c6e-9d3f-0a1b2c3d4e5f")
RAW = (serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)


def b64(data):
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def unb64(text):
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


class Device:
    """The browser's side: it keeps the private key, and reads what was sent to it."""

    def __init__(self):
        self.key, self.secret = ec.generate_private_key(ec.SECP256R1()), bytes(range(16))
        self.p256dh, self.auth = b64(self.key.public_key().public_bytes(*RAW)), b64(self.secret)

    def read(self, body):
        clear = http_ece.decrypt(body, private_key=self.key, auth_secret=self.secret, version="aes128gcm")
        return json.loads(clear)


@pytest.fixture(autouse=True)
def _keys(settings, standing_clock):
    standing_clock(MONDAY)
    settings.PUSH_HOSTS = ("127.0.0.1", ".push.example")
    settings.VAPID_PRIVATE_KEY = reach.new_vapid_key()
    settings.DEFAULT_FROM_EMAIL = "Follow-up <follow-up@exposure.example>"


@pytest.fixture
def device():
    return Device()


@pytest.fixture
def subscribe(cast, device):
    """A subscription of Wim's device at an address."""

    def subscribe(endpoint, **changes):
        keys = {"p256dh": device.p256dh, "auth": device.auth, **changes}
        with doing(cast.worker.user):
            return PushSubscription.objects.create(
                user=cast.worker.user, endpoint=endpoint, created_at=MONDAY, **keys
            )

    return subscribe


def send(subscription):
    with doing("task:sender"):
        push.send(Letter(UID, str(subscription.pk), "Saltmarsh", "not this", "https://x.example/r/1"))


def refusal(subscription):
    with pytest.raises(Refused) as refused:
        send(subscription)
    return str(refused.value), refused.value.permanent


def test_only_the_device_can_read_it_and_it_holds_the_neutral_words_and_the_link(subscribe, device):
    with serving(gateways.status(201)) as service:
        send(subscribe(f"{service.url}/push/abc?x=1"))
    [(path, headers, body)] = service.requests
    assert path == "/push/abc?x=1"
    assert b"Saltmarsh" not in body
    assert device.read(body) == {"title": "Saltmarsh", "link": "https://x.example/r/1"}
    assert headers["content-encoding"] == "aes128gcm"  # RFC 8291, section 4
    assert len(body) <= 4096  # the least that a push service takes: RFC 8030, section 7.2


def test_the_push_service_is_told_how_long_how_urgent_and_what_it_replaces(subscribe):
    with serving() as service:
        subscription = subscribe(f"{service.url}/push/abc")
        send(subscription)
        send(subscription)
    first, second = (headers for _path, headers, _body in service.requests)
    assert (first["ttl"], first["urgency"]) == ("1800", "high")
    # RFC 8030, section 5.4: at most 32 characters of the base64url alphabet; a later one replaces one that waits.
    assert first["topic"] == second["topic"] == UID.hex
    assert len(first["topic"]) == 32


def test_it_is_signed_for_that_push_service_for_less_than_a_day(subscribe):
    with serving() as service:
        send(subscribe(f"{service.url}/push/abc"))
    header = service.requests[0][1]["authorization"]
    assert Vapid02.verify(header)
    scheme, _space, parameters = header.partition(" ")
    parts = dict(part.split("=", 1) for part in parameters.split(","))
    claims = json.loads(unb64(parts["t"].split(".")[1]))
    assert (scheme, parts["k"]) == ("vapid", push.public_key())
    assert claims == {
        "aud": service.url,
        "exp": int(MONDAY.timestamp()) + 12 * 3600,
        "sub": "mailto:follow-up@exposure.example",
    }
    with pytest.raises(AssertionError):
        assert Vapid02.verify(header.replace(parts["t"], parts["t"][:-4] + "AAAA"))


def test_the_example_of_rfc_8291():
    """Appendix A, typed from memory of the text: https://www.rfc-editor.org/rfc/rfc8291#appendix-A"""
    sender = ec.derive_private_key(
        int.from_bytes(unb64("yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"), "big"), ec.SECP256R1()
    )
    key, secret = push.subscription_keys(
        "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4",
        "BTBZMqHH6r4Tts7J_aSIgg",
    )
    sealed = http_ece.encrypt(
        b"When I grow up, I want to be a watermelon",
        salt=unb64("DGv6ra1nlYgDCS1FRnbzlw"),
        private_key=sender,
        dh=key,
        auth_secret=secret,
        version="aes128gcm",
    )
    assert b64(sealed) == (
        "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3"
        "jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
    )


@pytest.mark.parametrize("code", [404, 410])  # RFC 8030, section 7.3
def test_a_subscription_that_the_push_service_has_given_up_ends(subscribe, code):
    with serving(gateways.status(code)) as service:
        subscription = subscribe(f"{service.url}/push/abc")
        assert refusal(subscription) == (f"HTTP {code}", True)
        assert refusal(subscription) == ("The subscription has ended.", True)
    subscription.refresh_from_db()
    assert subscription.ended_at == MONDAY
    assert subscription.history.count() == 2
    assert len(service.requests) == 1


@pytest.mark.parametrize(
    ("code", "permanent"), [(400, True), (403, True), (413, True), (429, False), (500, False)]
)
def test_any_other_no_leaves_the_subscription(subscribe, code, permanent):
    with serving(gateways.status(code)) as service:
        subscription = subscribe(f"{service.url}/push/abc")
        assert refusal(subscription) == (f"HTTP {code}", permanent)
    subscription.refresh_from_db()
    assert subscription.ended_at is None


def test_a_redirect_is_never_followed(subscribe):
    with serving() as elsewhere, serving(gateways.status(307, Location=elsewhere.url)) as service:
        assert refusal(subscribe(f"{service.url}/push/abc")) == ("HTTP 307", True)
    assert elsewhere.requests == []


@pytest.mark.parametrize(
    ("endpoint", "allowed"),
    [
        ("https://eu.push.example/x", True),
        ("https://EU.Push.Example:443/x", True),
        ("https://push.example/x", False),  # the entry stands for what is below
        ("https://notpush.example/x", False),
        ("https://push.example.evil.example/x", False),
        ("http://eu.push.example/x", False),
        ("https://eu.push.example:8443/x", False),
        ("https://eu.push.example@evil.example/x", False),
        ("https://evil.example\\@eu.push.example/x", False),
        ("https://u:p@eu.push.example/x", False),
        ("https://eu.push.example/x#y", False),
        ("https://192.0.2.1/x", False),
        ("https://[::1]/x", False),
        ("http://127.0.0.1:8000/x", True),
        ("http://localhost:8000/x", False),
        ("https://eu.push.example:x/", False),
        ("ftp://127.0.0.1/x", False),
        ("//eu.push.example/x", False),
        ("", False),
    ],
)
def test_only_hosts_that_are_named_are_sent_to(endpoint, allowed):
    assert push.is_allowed(endpoint) is allowed


def test_what_is_not_allowed_any_more_is_not_sent_to(subscribe, settings):
    with serving() as service:
        subscription = subscribe(f"{service.url}/push/abc")
        settings.PUSH_HOSTS = (".push.example",)
        assert refusal(subscription) == ("The endpoint's host is not in PUSH_HOSTS.", True)
    assert service.requests == []


@pytest.mark.parametrize(
    "keys", [{"auth": "AAAA"}, {"p256dh": "x"}, {"p256dh": b64(b"\4" + bytes(64))}, {"auth": "é"}]
)
def test_keys_that_are_none_are_refused_for_good(subscribe, keys):
    with serving() as service:
        assert refusal(subscribe(f"{service.url}/push/abc", **keys)) == (
            "The keys of the subscription are none.", True,
        )  # fmt: skip
    assert service.requests == []


@pytest.mark.parametrize("address", ["", "0", "-1", "x", "²", "999999999999"])
def test_an_address_that_names_no_subscription_is_refused_for_good(db, address):
    with pytest.raises(Refused) as refused:
        push.send(Letter(UID, address, "Saltmarsh", ""))
    assert refused.value.permanent


def test_the_address_of_the_push_service_has_a_port_in_the_signature_only_if_it_has_one():
    assert push._origin(urlsplit("https://eu.push.example/x/y?z")) == "https://eu.push.example"
