"""What the gateway for text messages may tell us, and who may not."""

import hashlib
import hmac
import json
import logging

import pytest
from django.test import Client
from django.urls import reverse

from config.reach import TextGateway
from exposure.attend.models import Alert
from exposure.people.models import Worker
from exposure.remind.models import DeliveryReport, Message, Reply
from exposure.web import gateway as hooks
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, sweep_at

pytestmark = pytest.mark.database

SECRET = "0123456789-0123456789-0123456789"
EVENING = MONDAY.replace(hour=18)
NUMBER = "+351900000042"
HOOKS = ["text_delivery", "text_answer"]


@pytest.fixture(autouse=True)
def _gateway(cast, settings, standing_clock):
    settings.SMS_GATEWAY = TextGateway("https://sms.example.org/", {}, {}, SECRET)
    standing_clock(EVENING)
    with doing("command:tests"):
        cast.worker.mobile = NUMBER
        cast.worker.save()


def tell(name, body, *, stamp=None, secret=SECRET, **headers):
    """As the gateway does it: signed over what is sent, by a client that holds no session."""
    raw = body if isinstance(body, bytes) else json.dumps(body).encode()
    stamp = str(int(EVENING.timestamp())) if stamp is None else stamp
    signature = hmac.new(secret.encode(), stamp.encode() + b"." + raw, hashlib.sha256).hexdigest()
    signed = {"X-Timestamp": stamp, "X-Signature": signature, **headers}
    client = Client(enforce_csrf_checks=True)
    return client.post(reverse(name), raw, content_type="application/json", headers=signed)


def answer(text="call me", **changes):
    return tell("text_answer", {"id": "gw-1", "from": NUMBER, "text": text, **changes})


def stamp(seconds):
    return str(int(EVENING.timestamp()) + seconds)


@pytest.fixture
def message(cast):
    follow_up_told_and_confirmed(cast)
    sweep_at(EVENING)
    Message.objects.update(channel="text", address=NUMBER, sent_at=EVENING)
    return Message.objects.get()


# Who may tell


def test_a_signature_is_the_hmac_of_time_full_stop_and_body(rf):
    """Computed with `openssl dgst -sha256 -hmac Jefe` over the time 1 and the text of RFC 4231's test case 2."""
    signature = "a9049465ce89cfb8e9aac62333abda66f80e3403f51f57f6bae3c3a4485eca38"
    request = rf.post("/", headers={"X-Timestamp": "1", "X-Signature": signature})
    assert hooks._is_signed(request, b"what do ya want for nothing?", "Jefe")
    assert not hooks._is_signed(request, b"what do ya want for nothing.", "Jefe")
    request = rf.post("/", headers={"X-Timestamp": "1", "X-Signature": signature.upper()})
    assert hooks._is_signed(request, b"what do ya want for nothing?", "Jefe")


@pytest.mark.parametrize("name", HOOKS)
@pytest.mark.parametrize(
    ("changes", "because"),
    [
        ({"secret": "another-secret-another-secret-another"}, "another secret"),
        ({"X-Signature": ""}, "no signature"),
        ({"X-Signature": "é"}, "no hexadecimal"),
        ({"stamp": stamp(-301)}, "too old"),
        ({"stamp": stamp(301)}, "not yet"),
        ({"stamp": ""}, "no time"),
        ({"stamp": "now"}, "no number"),
        ({"stamp": "9" * 40}, "no time at all"),
        ({"X-Timestamp": stamp(1)}, "another time than was signed"),
    ],
)
def test_whoever_does_not_hold_the_secret_is_refused_before_the_body_is_read(name, changes, because):
    told = tell(name, b"no JSON, and nobody is told so", **changes)
    assert told.status_code == 403, because
    assert told["Content-Type"] == "application/problem+json"
    assert "JSON" not in told.json()["detail"]
    assert not Reply.objects.exists()


@pytest.mark.parametrize("seconds", [-300, 300])
def test_clocks_may_differ_by_five_minutes(seconds):
    body = {"id": "1", "from": NUMBER, "text": "done"}
    assert tell("text_answer", body, stamp=stamp(seconds)).status_code == 200


@pytest.mark.parametrize("name", HOOKS)
@pytest.mark.parametrize("gateway", [None, TextGateway("https://sms.example.org/", {})])
def test_without_a_secret_there_is_no_such_address(settings, name, gateway):
    settings.SMS_GATEWAY = gateway
    assert tell(name, {}).status_code == 404


@pytest.mark.parametrize("name", HOOKS)
def test_it_is_told_by_post_alone_and_without_a_session(client, name):
    assert client.get(reverse(name)).status_code == 405
    told = tell(name, {})
    assert told.status_code == 400
    assert not told.cookies


@pytest.mark.parametrize("name", HOOKS)
def test_a_body_over_64_kb_is_refused_unread(name):
    assert tell(name, b" " * (64 * 1024)).status_code == 400
    told = tell(name, b" " * (64 * 1024 + 1), **{"X-Signature": ""})
    assert told.status_code == 413


# What is told wrongly


@pytest.mark.parametrize(
    ("name", "body", "pointer"),
    [
        ("text_answer", b"[", ""),
        ("text_answer", b"[]", ""),
        ("text_answer", b"[" * 60_000, ""),
        ("text_answer", b"\xff", ""),
        ("text_answer", {"from": NUMBER, "text": "x"}, "/id"),
        ("text_answer", {"id": " ", "from": NUMBER, "text": "x"}, "/id"),
        ("text_answer", {"id": "1", "text": "x"}, "/from"),
        ("text_answer", {"id": "1", "from": [NUMBER], "text": "x"}, "/from"),
        ("text_answer", {"id": "1", "from": NUMBER}, "/text"),
        ("text_answer", {"id": True, "from": NUMBER, "text": "x"}, "/id"),
        ("text_answer", {"id": "1", "from": NUMBER, "text": "x", "reference": {}}, "/reference"),
        ("text_delivery", {"status": "failed"}, "/reference"),
        ("text_delivery", {"reference": "x", "status": "perhaps"}, "/status"),
        ("text_delivery", {"reference": "x", "status": "failed", "detail": 1.5}, "/detail"),
    ],
)
def test_what_cannot_be_taken_names_the_field(message, name, body, pointer):
    if name == "text_delivery" and isinstance(body, dict) and body.get("reference") == "x":
        body = {**body, "reference": str(message.uid)}
    told = tell(name, body)
    assert told.status_code == 400
    assert [error["pointer"] for error in told.json()["errors"]] == [pointer]
    assert not Reply.objects.exists()
    assert not DeliveryReport.objects.exists()


# Answers


def test_an_answer_is_kept_under_the_gateway_s_name_and_heeded(cast, message):
    assert answer(reference=str(message.uid)).status_code == 200
    kept = Reply.objects.get()
    assert (kept.worker, kept.kind, kept.road, kept.message, kept.at) == (
        cast.worker, "call_me", "text", message, EVENING,
    )  # fmt: skip
    assert kept.recorded_by == "task:text-gateway"
    assert Alert.objects.get().cause == "call_me"


def test_the_same_answer_told_again_is_no_news(message):
    for _again in range(2):
        assert answer().status_code == 200
    assert Reply.objects.count() == 1
    assert Alert.objects.get().times == 1


def test_who_shares_a_number_is_asked_after_each(cast):
    with doing("command:tests"):
        ida = Worker.objects.create(site=cast.site, name="Ida Fell", mobile=NUMBER)
    for _again in range(2):
        assert answer().status_code == 200
    assert {alert.worker for alert in Alert.objects.all()} == {cast.worker, ida}
    assert Reply.objects.count() == 2


def test_a_number_that_nobody_has_given_is_kept_nowhere_and_nothing_is_told(message, caplog):
    with caplog.at_level(logging.WARNING):
        told = answer(**{"from": "+447700900123"}, text="I am Wim")
    assert (told.status_code, told.json()) == (200, {})
    assert not Reply.objects.exists()
    assert "nobody has given" in caplog.text
    assert "7700" not in caplog.text
    assert "Wim" not in caplog.text


@pytest.mark.parametrize(
    ("own_id", "text"), [("x" * 5000, "x" * 50_000), ("a\0b", "a\0b"), ("\ud800", "\ud800"), (17, "17")]
)
def test_whatever_an_answer_holds_is_kept(cast, own_id, text):
    for _again in range(2):
        assert answer(text, id=own_id).status_code == 200
    assert Reply.objects.get().kind == "other"


def test_an_answer_that_names_another_message_is_the_number_s(cast, message):
    with doing("command:tests"):
        ida = Worker.objects.create(site=cast.site, name="Ida Fell", mobile="+447700900123")
    answer(**{"from": "+447700900123"}, reference=str(message.uid))
    kept = Reply.objects.get()
    assert (kept.worker, kept.message) == (ida, None)


# Deliveries


def delivery(reference, status="delivered", **more):
    return tell("text_delivery", {"reference": str(reference), "status": status, **more})


def test_a_delivery_is_kept_once(message):
    for _again in range(2):
        assert delivery(message.uid, detail="at the handset").status_code == 200
    kept = DeliveryReport.objects.get()
    assert (kept.message, kept.delivered, kept.detail) == (message, True, "at the handset")


def test_what_failed_goes_another_way(message):
    assert delivery(message.uid, "failed").status_code == 200
    assert list(Message.objects.values_list("channel", flat=True).order_by("pk")) == ["text", "email"]


@pytest.mark.parametrize("reference", ["6f1c2b7e-3a51-4c6e-9d3f-0a1b2c3d4e5f", "x", "a\0b"])
def test_a_reference_that_is_none_of_ours_is_answered_alike(message, reference):
    known, unknown = delivery(message.uid), delivery(reference)
    assert (known.status_code, known.content) == (unknown.status_code, unknown.content) == (200, b"{}")
    assert DeliveryReport.objects.count() == 1


def test_no_gateway_says_anything_of_a_message_that_went_another_way(message):
    Message.objects.update(channel="email")
    assert delivery(message.uid, "failed").status_code == 200
    assert not DeliveryReport.objects.exists()
