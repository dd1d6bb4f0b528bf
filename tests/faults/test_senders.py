"""Several sending processes at once, one of them stopped past its lease and woken, some killed: real processes on
PostgreSQL, a real mail gateway on this machine."""

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import UUID

import psycopg
import pytest

from exposure.remind.outbox import DEADLINE
from tests.deploy.test_compose import Inbox, inbox, service  # noqa: F401
from tests.processes import ROOT, manage, wait_for

pytestmark = [
    pytest.mark.redis,
    pytest.mark.skipif(sys.platform != "linux", reason="stops processes as Linux does"),
]

COUNT = 120
PAGES = f"""
from datetime import timedelta
from exposure import clock
from exposure.attend.models import Alert
from exposure.people.models import Role, User, Worker
from exposure.places.models import Site
from exposure.record import acting
from exposure.remind.models import Message
at = clock.now()
with acting("command:tests", "tests", at=at):
    site = Site.objects.get(code="saltmarsh")
    about = Worker.objects.filter(site=site).first()
    alert = Alert.objects.create(site=site, worker=about, cause="fever", because="39", raised_at=at, round_at=at)
    for number in range({COUNT}):
        user = User.objects.create_user(f"night{{number}}", full_name="Night", email=f"{{number}}@night.example.org")
        Role.objects.create(user=user, site=site, kind="nurse", from_at=at)
        Message.objects.create(site=site, alert=alert, alert_round=1, page_rung=0, user=user, channel="email",
            address=user.email, created_at=at, due_at=at, pointless_at=at + timedelta(hours=12))
"""
# What a process that was stopped for longer than its lease finds when it wakes.
LEASES_RUN_OUT = (
    "UPDATE exposure_message SET lease_until = now() - interval '1 second' WHERE lease_until IS NOT NULL"
)


@contextmanager
def senders(count: int, env: dict[str, str], logs: Path) -> Iterator[list[subprocess.Popen[bytes]]]:
    command = [sys.executable, "manage.py", "sender", "--every", "0.3"]
    running = []
    for number in range(count):
        with (logs / f"sender{number}.log").open("wb") as log:
            running.append(subprocess.Popen(command, cwd=ROOT, env=env, stdout=log, stderr=log))
    try:
        yield running
    finally:
        for process in running:
            process.kill()
            process.wait()


def received(mails: Inbox) -> Counter[UUID]:
    return Counter(UUID(mail["Message-ID"].strip("<>").partition("@")[0]) for mail in mails.mails)


def rows(env: dict[str, str], query: str) -> list[tuple]:
    with psycopg.connect(env["DATABASE_URL"], autocommit=True) as database:
        return database.execute(query).fetchall()


def unsent(env: dict[str, str]) -> int:
    return rows(env, "SELECT count(*) FROM exposure_message WHERE sent_at IS NULL AND given_up_at IS NULL")[
        0
    ][0]


def is_stopped(process: subprocess.Popen[bytes]) -> bool:
    return Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


def without_a_yes(env: dict[str, str]) -> set[UUID]:
    """The messages with an attempt of which no yes of the gateway is on record."""
    found = rows(
        env, "SELECT DISTINCT m.uid FROM exposure_message m JOIN exposure_attempt a ON a.message_id = m.id "
        "LEFT JOIN exposure_attemptoutcome o ON o.attempt_id = a.id AND o.accepted WHERE o.id IS NULL"
    )  # fmt: skip
    return {uid for (uid,) in found}


def test_four_at_once_send_each_message_once(service, inbox, tmp_path):  # noqa: F811
    manage("shell", "-v0", "-c", PAGES, env=service)
    with senders(4, service, tmp_path):
        wait_for(lambda: not unsent(service), seconds=120, why="all are sent")
    assert set(received(inbox[0]).values()) == {1}
    assert len(inbox[0].mails) == COUNT
    [(attempts, outcomes)] = rows(
        service, "SELECT count(*), count(o.id) FROM exposure_attempt a "
        "LEFT JOIN exposure_attemptoutcome o ON o.attempt_id = a.id AND o.accepted"
    )  # fmt: skip
    assert attempts == outcomes == COUNT


def test_one_that_was_stopped_past_its_lease_sends_nothing_again(service, inbox, tmp_path):  # noqa: F811
    manage("shell", "-v0", "-c", PAGES, env=service)
    with senders(2, service, tmp_path) as running:
        wait_for(lambda: len(inbox[0].mails) > 5, seconds=60, why="they send")
        os.kill(running[0].pid, signal.SIGSTOP)
        stopped_at = time.monotonic()
        wait_for(lambda: is_stopped(running[0]), seconds=10, why="it is stopped")
        in_flight = without_a_yes(service)  # what it was sending, and the other
        with psycopg.connect(service["DATABASE_URL"], autocommit=True) as database:
            database.execute(LEASES_RUN_OUT)
        wait_for(lambda: not unsent(service), seconds=120, why="the other sends all")
        time.sleep(max(0.0, stopped_at + DEADLINE + 1 - time.monotonic()))  # a lease is far longer
        os.kill(running[0].pid, signal.SIGCONT)
        time.sleep(2)
    came = received(inbox[0])
    twice = {uid for uid, count in came.items() if count > 1}
    cut_off = without_a_yes(service)
    assert len(in_flight) <= 2, "one of each"
    assert cut_off <= in_flight
    assert len(cut_off) <= 1
    assert twice <= in_flight, "only what it was sending in the moment when it was stopped"
    assert len(twice) <= 1
    assert sum(came.values()) == COUNT + len(twice)
    assert len(came) == COUNT


def test_killed_ones_leave_nothing_behind(service, inbox, tmp_path):  # noqa: F811
    manage("shell", "-v0", "-c", PAGES, env=service)
    kills = 5
    with senders(kills, service, tmp_path) as running:
        for number, process in enumerate(running):
            wait_for(lambda least=number * 10 + 3: len(inbox[0].mails) > least, seconds=60, why="they send")
            process.send_signal(signal.SIGKILL)
            process.wait()
    with psycopg.connect(service["DATABASE_URL"], autocommit=True) as database:
        database.execute(LEASES_RUN_OUT)
    with senders(1, service, tmp_path):
        wait_for(lambda: not unsent(service), seconds=120, why="all are sent")
    came = received(inbox[0])
    assert len(came) == COUNT
    assert sum(count - 1 for count in came.values()) <= kills, (
        "one each at the most, in the moment of the kill"
    )
