"""Nothing that people type about people is in what is logged (OWASP ASVS 5.0, 16.2.5): names, numbers, readings, notes,
keys, passwords and reply links go through pages, calls, gateway, sweep and sending, what is refused, malformed or
breaks included, with every logger at its most talkative; and nor is the secret of a link in the history.
"""

import io
import json
import logging
import re
from uuid import uuid4

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.urls import reverse
from django.utils.module_loading import import_string

from config.reach import TextGateway
from exposure.people import tokens
from exposure.people.models import Worker
from exposure.pipeline.report import report_breach
from exposure.remind.models import Reply
from exposure.remind.rounds import put_aside
from tests.cast import MONDAY, doing
from tests.people.matrix import client_of
from tests.people.test_matrix import ASKED, address_of, rows  # noqa: F401  a fixture
from tests.walk import hours, pass_time
from tests.web import test_gateway

pytestmark = pytest.mark.database
NAME, EMPLOYER, NOTE, PASSWORD, CODE = (
    "Zqname Vex",
    "Zqemployer",
    "Zqnote says",
    "zqpassword-heron-7",
    "zqcode",
)
PHONE, EMAIL, READING = "+351 900 111 733", "zqmail@example.org", "39.87"
EVENING = MONDAY.replace(hour=18)


@pytest.fixture
def logged(settings):
    """What every logger says, at its most talkative, in the words that the console would get."""
    form = settings.LOGGING["formatters"][settings.LOGGING["handlers"]["console"]["formatter"]]["()"]
    heard = io.StringIO()
    handler = logging.StreamHandler(heard)
    handler.setFormatter(import_string(form)())
    loggers = [logging.getLogger(), *(logging.getLogger(name) for name in logging.root.manager.loggerDict)]
    before = [(each, each.level, each.disabled) for each in loggers]
    for each in loggers:
        each.setLevel(logging.DEBUG)
        each.disabled = False
        if not each.propagate or each is logging.root:
            each.addHandler(handler)
    yield heard
    for each, level, disabled in before:
        each.setLevel(level)
        each.disabled = disabled
        each.removeHandler(handler)


class Breaks(EmailBackend):
    """A channel that breaks, and quotes recipient and text."""

    def send_messages(self, messages):
        [recipient], body = messages[0].to, messages[0].body
        raise RuntimeError(f"{recipient} unknown, {body}")


def planted(cast):
    """Names and numbers of the people of the record; returns a key to the interface too."""
    with doing("command:tests"):
        for worker in Worker.objects.all():
            worker.name, worker.employer, worker.phone, worker.email = NAME, EMPLOYER, PHONE, EMAIL
            worker.save()
        key, _token = tokens.issue(cast.nurse, label=NAME, days=1, at=MONDAY)
    return key


def broken(error):
    def breaks(*_anything, **_more):
        raise error

    return breaks


def open_every_page(cast, rows):  # noqa: F811
    """Every address, by those who may do most, with a form of nonsense and a search for the name."""
    for who in ("anonymous", "nurse", "worker", "observer"):
        client = client_of(cast, who)
        client.raise_request_exception = False
        for route in ASKED:
            address = address_of(route, rows)
            client.get(address, {"find": NAME, "reference": NAME, "number": PHONE})
            client.post(
                address,
                {"name": NAME, "note": NOTE, "temperature": READING, "phone": PHONE, "reason": "\x00" + NOTE},
            )


def call_with_bodies_that_are_wrong(key):
    client = Client(raise_request_exception=False, headers={"Authorization": f"Bearer {key}"})
    person = {"name": NAME, "employer": EMPLOYER, "phone": PHONE}
    whole = json.dumps(
        {"submission_id": str(uuid4()), "person": person, "narrative": NOTE, "temperature": READING}
    )
    for path in ("/api/v1/breaches/", "/api/v1/readings/", "/api/v1/calls/"):
        for body in (whole, whole[:-20], f"[{whole}", whole * 40_000, whole.replace("Zq", "\\u0000Zq")):
            client.post(path, body, content_type="application/json")
    Client(headers={"Authorization": f"Bearer zqforged-{key}"}).get("/api/v1/alerts/")


def test_nothing_planted_is_logged(cast, rows, logged, settings, monkeypatch, standing_clock):  # noqa: F811
    key = planted(cast)
    open_every_page(cast, rows)
    call_with_bodies_that_are_wrong(key)

    # Signing in, and another password.
    for name in ("nurse", NAME, EMAIL):
        Client().post(reverse("account_login"), {"login": name, "password": PASSWORD})

    # Views that break with what was sent in the error's words, at the database too.
    nurse = client_of(cast, "nurse")
    nurse.raise_request_exception = False
    with monkeypatch.context() as patched:
        patched.setattr("exposure.web.nurse.views.visible", broken(ValueError(f"{NAME} {NOTE} {READING}")))
        assert nurse.get("/reports/").status_code == 500
        detail = IntegrityError(f"Failing row contains ({NAME}, {PHONE}, {EMAIL}).")
        patched.setattr("exposure.web.nurse.views.visible", broken(detail))
        assert nurse.get("/reports/").status_code == 500

    # What the rounds set aside: refused by the database, with the row in its words.
    with pytest.raises(IntegrityError) as refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO exposure_worker (name, phone, email) VALUES (%s, %s, %s)", [NAME, PHONE, EMAIL]
        )
    with doing("command:clock", at=EVENING):
        put_aside("planted", cast.worker.pk, refused.value, EVENING)

    # Reports that the criteria break on.
    with monkeypatch.context() as patched:
        patched.setattr("exposure.classify.assess._classified", broken(ValueError(f"{NOTE} {NAME}")))
        with doing(cast.observer):
            report_breach(body=cast.body(narrative=NOTE), reporter=cast.observer, at=MONDAY)

    # Sending: taken, refused by a mail server that quotes everything, and the link that left opened and mistyped.
    pass_time(EVENING)
    secrets = [re.search(r"/r/([\w-]+)/", letter.body)[1] for letter in mail.outbox if "/r/" in letter.body]
    assert secrets, "a reminder left"
    settings.EMAIL_BACKEND = f"{__name__}.{Breaks.__name__}"
    pass_time(EVENING + hours(13))
    standing_clock(EVENING)
    for secret in (*secrets, f"{secrets[0]}x"):
        Client().get(f"/r/{secret}/")
        Client().post(f"/r/{secret}/", {"answer": "ill"})
        Client(raise_request_exception=False).put(f"/r/{secret}/{CODE}/")

    # What gateways tell, in their own words, signed or not.
    settings.SMS_GATEWAY = TextGateway("https://sms.example.org/", {}, {}, test_gateway.SECRET)
    for secret in (test_gateway.SECRET, "x" * 40):
        for name in test_gateway.HOOKS:
            whole = {"id": NAME, "from": PHONE, "text": NOTE, "status": NOTE}
            for body in (whole, json.dumps(whole).encode()[:-9]):
                test_gateway.tell(name, body, secret=secret)

    heard = logged.getvalue()
    for said in (
        "Not Found",
        "IntegrityError",
        "ValueError",
        "RuntimeError",
        "set aside",
        "Unauthorized",
    ):
        assert said in heard, f"the log says what went wrong: {said}"
    marks = ["Zq", "zq", PHONE, PHONE.replace(" ", ""), READING, PASSWORD, key, *secrets]
    assert [(mark, line) for line in heard.splitlines() for mark in marks if mark in line][:5] == []
    kept = Reply.objects.values_list("origin", flat=True)
    assert kept, "an answer by the link is kept"
    assert [origin for origin in kept if any(secret in origin for secret in secrets)] == []


def test_an_exception_is_logged_with_where_it_arose_and_without_its_words(logged):
    try:
        try:
            int(NAME)
        except ValueError as error:
            raise KeyError(NOTE) from error
    except KeyError:
        logging.getLogger("exposure").exception("Broken at /r/%s/ill/ again.", CODE)
    heard = logged.getvalue()
    assert "Broken at /r/... again." in heard
    assert "builtins.KeyError" in heard
    assert "builtins.ValueError" in heard
    assert re.search(rf"{__file__}:\d+ test_an_exception", heard)
    assert "Zq" not in heard
    assert CODE not in heard
