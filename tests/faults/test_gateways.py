"""A gateway that drips, hangs, refuses or is cut off: one message takes no longer than its time, nobody gets it twice
without anybody knowing, and once the gateway is well again everything leaves."""

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest

from exposure.attend.models import Alert
from exposure.remind import outbox
from exposure.remind.models import AttemptOutcome, Heartbeat, Message
from exposure.remind.outbox import deliver
from tests.cast import Cast, doing
from tests.faults.gateways import Gateway
from tests.remind.test_claimed import became
from tests.walk import follow_up_told_and_confirmed, sweep_at

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
SOON = EVENING + timedelta(minutes=1)
DEADLINE = 0.8  # seconds, here
# What it does -> what became of the message then, and how often it has come once the gateway is well again. Two, where
# the gateway had it and never said so: RFC 5321, section 4.5.4.1, wants it sent again, and RFC 1047 tells of the price.
MANNERS = {
    "takes": ("sent", 1),
    "slow": ("sent", 1),
    "resets after yes": ("sent", 1),
    "421 greeting": ("waits", 1),
    "450 recipient": ("waits", 1),
    "451 recipient": ("waits", 1),
    "drips at greeting": ("waits", 1),
    "hangs at greeting": ("waits", 1),
    "resets at greeting": ("waits", 1),
    "drips at data": ("waits", 2),
    "hangs at data": ("waits", 2),
    "resets at data": ("waits", 2),
    "550 recipient": ("given up", 0),
    "554 data": ("given up", 0),
}


@pytest.fixture
def gateway(settings, monkeypatch) -> Iterator[Gateway]:
    gateway = Gateway()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", gateway.port, 30
    settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
    monkeypatch.setattr(outbox, "DEADLINE", DEADLINE)
    yield gateway
    gateway.end()


def deliver_at(at):
    with doing("command:sender", at=at):
        return deliver(now=lambda: at)


@pytest.mark.parametrize("manner", MANNERS)
def test_whatever_a_gateway_does_with_one_message(cast: Cast, gateway: Gateway, manner: str):
    then, times = MANNERS[manner]
    follow_up_told_and_confirmed(cast)
    sweep_at(EVENING)
    uid = str(Message.objects.get().uid)
    gateway.manner = manner
    began = time.monotonic()
    deliver_at(EVENING)
    assert time.monotonic() - began < 10 * DEADLINE, "not the socket's half minute"
    assert became() == [then]
    gateway.manner = "takes"
    deliver_at(SOON)
    deliver_at(SOON + timedelta(minutes=1))
    assert gateway.received[uid] == times
    assert became() == ["given up" if times == 0 else "sent"]
    assert AttemptOutcome.objects.filter(accepted=True).count() == min(times, 1)
    assert Alert.objects.filter(cause="unreachable").exists() is (times == 0)


def test_what_a_refusal_leaves_on_record_names_no_address(cast: Cast, gateway: Gateway):
    follow_up_told_and_confirmed(cast)
    sweep_at(EVENING)
    gateway.manner = "550 recipient"
    deliver_at(EVENING)
    detail = AttemptOutcome.objects.get().detail
    assert "550" in detail
    assert "worker@" not in detail


def test_the_sending_process_beats_while_a_gateway_hangs(cast: Cast, gateway: Gateway):
    """Each batch beats; a batch of the slowest takes less than the three minutes after which /readyz speaks."""
    follow_up_told_and_confirmed(cast)
    sweep_at(EVENING)
    gateway.manner = "hangs at greeting"
    deliver_at(EVENING)
    assert Heartbeat.objects.get(name="sender").at == EVENING
    assert outbox.BATCH * 20.0 < 180
