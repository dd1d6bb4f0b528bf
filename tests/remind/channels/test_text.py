"""Text messages over a gateway that is really there."""

import json
import threading
import time
from uuid import UUID

import pytest

from config.reach import TextGateway
from exposure.remind.channels import post, text
from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused
from tests.remind.channels import gateways
from tests.remind.channels.gateways import nobody_listens, serving

UID = UUID("6f1c2b7e-3a51-4c6e-9d3f-0a1b2c3d4e5f")
# From the numbers that the United Kingdom's regulator keeps free for drama (Ofcom).
LETTER = Letter(
    UID, "+44 7700 900123", "Saltmarsh", "Saltmarsh: please open your page. https://x.example/r/1"
)
BODY = {
    "messages": [{"to": "{to}", "text": "{text}", "reference": "{reference}", "urgent": True}],
    "version": 2,
}


@pytest.fixture
def send_to(settings):
    """Sends a letter through the gateway at that address."""

    def send(url, letter=LETTER, body=BODY):
        settings.SMS_GATEWAY = TextGateway(f"{url}/send?channel=sms", body, {"Authorization": "Bearer a-key"})
        text.send(letter)

    return send


def test_the_gateway_gets_the_words_the_number_and_our_reference_as_idempotency_key(send_to):
    with serving() as gateway:
        send_to(gateway.url)
    [(path, headers, body)] = gateway.requests
    assert path == "/send?channel=sms"
    assert (headers["authorization"], headers["content-type"]) == ("Bearer a-key", "application/json")
    assert headers["idempotency-key"] == str(UID)
    assert json.loads(body) == {
        "messages": [{"to": "+447700900123", "text": LETTER.body, "reference": str(UID), "urgent": True}],
        "version": 2,
    }


@pytest.mark.parametrize(
    "words",
    ['"}, "to": "+447700900999', "{to} {reference} {text}", "été\n\\u0000 \\", "{}"],
)
def test_what_is_put_in_stays_text_whatever_it_holds(send_to, words):
    with serving() as gateway:
        send_to(gateway.url, Letter(UID, "+447700900123", "", words))
    [(_path, _headers, body)] = gateway.requests
    assert json.loads(body)["messages"][0] == {
        "to": "+447700900123", "text": words, "reference": str(UID), "urgent": True,
    }  # fmt: skip


def test_a_placeholder_may_stand_among_other_words():
    values = {"to": "+1", "text": "t", "reference": "r"}
    assert text.filled({"{to}": ["tel:{to}", 7, None, {"a": "{text}-{reference}-{other}"}]}, values) == {
        "{to}": ["tel:+1", 7, None, {"a": "t-r-{other}"}]
    }


@pytest.mark.parametrize("code", [200, 201, 202, 204])
def test_every_2xx_is_a_yes(send_to, code):
    with serving(gateways.status(code)) as gateway:
        send_to(gateway.url)
    assert len(gateway.requests) == 1


# RFC 9110: 408 and 5xx may pass; 425: RFC 8470, section 5.2; 429: RFC 6585, section 4. The rest stays as it is.
@pytest.mark.parametrize("code", [408, 425, 429, 500, 502, 503, 504])
def test_what_may_pass_is_tried_again(send_to, code):
    with serving(gateways.status(code)) as gateway, pytest.raises(Refused) as refused:
        send_to(gateway.url)
    assert (refused.value.permanent, str(refused.value)) == (False, f"HTTP {code}")


@pytest.mark.parametrize("code", [400, 401, 403, 404, 410, 413, 422])
def test_what_would_be_answered_alike_is_not_tried_again(send_to, code):
    with serving(gateways.status(code)) as gateway, pytest.raises(Refused) as refused:
        send_to(gateway.url)
    assert (refused.value.permanent, str(refused.value)) == (True, f"HTTP {code}")


@pytest.mark.parametrize("code", [301, 302, 303, 307, 308])
def test_a_redirect_is_never_followed(send_to, code):
    with serving() as elsewhere, serving(gateways.status(code, Location=f"{elsewhere.url}/steal")) as gateway:
        with pytest.raises(Refused) as refused:
            send_to(gateway.url)
        assert refused.value.permanent
    assert elsewhere.requests == []


@pytest.mark.parametrize("answer", [gateways.reset, gateways.garbage])
def test_a_connection_cut_before_the_answer_is_tried_again_under_the_same_key(send_to, answer):
    with serving(answer) as gateway:
        for _attempt in range(2):
            with pytest.raises(Refused) as refused:
                send_to(gateway.url)
            assert not refused.value.permanent
    assert {headers["idempotency-key"] for _path, headers, _body in gateway.requests} == {str(UID)}
    assert len(gateway.requests) == 2


def test_a_connection_cut_after_the_yes_is_a_yes(send_to):
    with serving(gateways.reset_after(202)) as gateway:
        send_to(gateway.url)
    assert len(gateway.requests) == 1


def test_a_gateway_that_is_not_there_is_tried_again(send_to):
    with pytest.raises(Refused) as refused:
        send_to(nobody_listens())
    assert (refused.value.permanent, str(refused.value)) == (False, "ConnectionRefusedError")


def test_a_gateway_that_says_nothing_is_left_after_a_while_and_tried_again(send_to, monkeypatch):
    monkeypatch.setattr(post, "SECONDS", 0.3)
    over = threading.Event()
    with serving(gateways.silent_for(30, over)) as gateway:
        began = time.monotonic()
        with pytest.raises(Refused) as refused:
            send_to(gateway.url)
        taken = time.monotonic() - began
        over.set()
    assert (refused.value.permanent, str(refused.value)) == (False, "TimeoutError")
    assert 0.3 <= taken < 5


def test_an_endless_answer_is_not_read(send_to):
    with serving(gateways.endless) as gateway:
        began = time.monotonic()
        send_to(gateway.url)
    assert time.monotonic() - began < 5


@pytest.mark.parametrize(
    "address", ["", "07700 900123", "+44", "+44 7700 900123 x", "+447700900123\r\nX: y", "a@b.c"]
)
def test_what_is_no_number_never_reaches_the_gateway(send_to, address):
    with serving() as gateway, pytest.raises(Refused) as refused:
        send_to(gateway.url, Letter(UID, address, "", "words"))
    assert refused.value.permanent
    assert gateway.requests == []


def test_no_refusal_repeats_the_number_or_the_words(send_to):
    for answer in (gateways.status(400), gateways.status(503), gateways.reset, gateways.garbage):
        with serving(answer) as gateway, pytest.raises(Refused) as refused:
            send_to(gateway.url)
        assert "7700" not in str(refused.value)
        assert "please" not in str(refused.value)


def test_without_a_gateway_it_is_refused_for_good(settings):
    settings.SMS_GATEWAY = None
    with pytest.raises(Refused) as refused:
        text.send(LETTER)
    assert refused.value.permanent
