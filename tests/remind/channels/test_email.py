"""E-mail through a mail server that is really there."""

import smtplib
import socket
from contextlib import contextmanager
from email import message_from_bytes
from uuid import UUID

import pytest
from aiosmtpd.controller import Controller

from exposure.remind.channels import email
from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused

UID = UUID("6f1c2b7e-3a51-4c6e-9d3f-0a1b2c3d4e5f")
LETTER = Letter(UID, "wim@example.org", "Saltmarsh", "Saltmarsh: please open your page.")


class Mailbox:
    """Answers each command of a delivery as told, and keeps what it takes."""

    def __init__(self, **answers):
        self.answers, self.taken = answers, []

    async def handle_EHLO(self, server, session, envelope, hostname, responses):
        session.host_name = hostname
        return [self.answers["ehlo"]] if "ehlo" in self.answers else responses

    async def handle_HELO(self, server, session, envelope, hostname):
        session.host_name = hostname
        return self.answers.get("ehlo", "250 mailbox")

    async def handle_MAIL(self, server, session, envelope, address, options):
        envelope.mail_from = address
        return self.answers.get("mail", "250 OK")

    async def handle_RCPT(self, server, session, envelope, address, options):
        envelope.rcpt_tos.append(address)
        return self.answers.get("rcpt", "250 OK")

    async def handle_DATA(self, server, session, envelope):
        self.taken.append(envelope.content)
        if self.answers.get("data") == "cut":
            server.transport.abort()
        return self.answers.get("data", "250 OK")

    async def handle_QUIT(self, server, session, envelope):
        if self.answers.get("quit") == "cut":
            server.transport.abort()
        return self.answers.get("quit", "221 Bye")


@contextmanager
def serving(settings, **answers):
    mailbox = Mailbox(**answers)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(mailbox, hostname="127.0.0.1", port=port)
    controller.start()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", port, 5
    settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
    try:
        yield mailbox
    finally:
        controller.stop()


def refusal(settings, **answers):
    with serving(settings, **answers), pytest.raises(Refused) as refused:
        email.send(LETTER)
    assert "wim" not in str(refused.value)
    return str(refused.value), refused.value.permanent


def test_the_letter_arrives_and_every_attempt_has_the_same_message_id(settings):
    settings.DEFAULT_FROM_EMAIL = "Follow-up <follow-up@exposure.example>"
    with serving(settings) as mailbox:
        email.send(LETTER)
        email.send(LETTER)
    first, second = map(message_from_bytes, mailbox.taken)
    assert (first["To"], first["Subject"]) == ("wim@example.org", "Saltmarsh")
    assert "please open your page" in first.get_payload()
    assert first["Message-ID"] == second["Message-ID"] == f"<{UID}@exposure.example>"


# RFC 5321, section 4.2.1: 5yz is a permanent negative completion reply, 4yz a transient one.
@pytest.mark.parametrize("at", ["mail", "rcpt", "data"])
@pytest.mark.parametrize(
    ("code", "permanent"),
    [(421, False), (450, False), (451, False), (452, False), (550, True), (552, True), (554, True)],
)
def test_a_letter_refused_with_5yz_is_refused_for_good(settings, at, code, permanent):
    detail, for_good = refusal(settings, **{at: f"{code} wim@example.org is not welcome"})
    assert for_good is permanent
    assert str(code) in detail


@pytest.mark.parametrize("code", [530, 535])  # RFC 4954, section 6
def test_what_is_wrong_with_our_own_set_up_is_tried_again(settings, code):
    assert refusal(settings, mail=f"{code} Authentication required") == (f"SMTPSenderRefused {code}", False)


def test_a_greeting_that_is_refused_is_tried_again(settings):
    assert refusal(settings, ehlo="550 who are you") == ("SMTPHeloError 550", False)


def test_a_sign_in_that_is_refused_is_tried_again(settings, monkeypatch):
    settings.EMAIL_HOST_USER, settings.EMAIL_HOST_PASSWORD = "somebody", "secret"

    def login(self, user, password):
        raise smtplib.SMTPAuthenticationError(535, b"no such somebody")

    monkeypatch.setattr(smtplib.SMTP, "login", login)
    assert refusal(settings) == ("SMTPAuthenticationError 535", False)


def test_a_connection_cut_before_the_yes_is_tried_again(settings):
    assert refusal(settings, data="cut") == ("SMTPServerDisconnected", False)


@pytest.mark.parametrize("answer", ["cut", "500 never heard of it"])
def test_whatever_comes_after_the_yes_leaves_it_a_yes(settings, answer):
    with serving(settings, quit=answer) as mailbox:
        email.send(LETTER)
    assert len(mailbox.taken) == 1


def test_a_mail_server_that_is_not_there_is_tried_again(settings):
    with serving(settings):
        pass
    with pytest.raises(Refused) as refused:
        email.send(LETTER)
    assert (str(refused.value), refused.value.permanent) == ("ConnectionRefusedError", False)


def test_a_mail_server_that_says_nothing_is_left_after_a_while(settings):
    with socket.create_server(("127.0.0.1", 0)) as silent, serving(settings):
        settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = silent.getsockname()[1], 0.3
        with pytest.raises(Refused) as refused:
            email.send(LETTER)
    assert (str(refused.value), refused.value.permanent) == ("SMTPServerDisconnected", False)


@pytest.mark.parametrize(
    "letter",
    [
        Letter(UID, "wim@example.org\nBcc: all@example.org", "Saltmarsh", "words"),
        Letter(UID, "wim@example.org", "Salt\nBcc: all@example.org", "words"),
    ],
)
def test_what_cannot_be_a_header_is_refused_for_good_and_nothing_leaves(settings, letter):
    with serving(settings) as mailbox, pytest.raises(Refused) as refused:
        email.send(letter)
    assert refused.value.permanent
    assert mailbox.taken == []
