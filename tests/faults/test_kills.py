"""Kills with -9 at random over all processes under load: nothing acknowledged is lost, nothing is half. Once in between
the broker loses everything, once it stands still for five seconds.

EXPOSURE_KILLS says how many (30), EXPOSURE_SEED where the chance begins; the seed is printed.
"""

import os
import random
import signal
import subprocess
import sys
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import psycopg
import pytest
from redis import Redis

from exposure.remind.outbox import LEASE
from tests.deploy.test_compose import Inbox, command_of, inbox, service, token_for  # noqa: F401
from tests.faults import invariants
from tests.faults.load import HOST, Load
from tests.processes import ROOT, alive, children_of, free_port, manage, wait_for

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes as Linux shows them")

KILLS = int(os.environ.get("EXPOSURE_KILLS", "30"))
WORKERS = [f"K-{number}" for number in range(24)]
PEOPLE = """
from exposure import clock
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.record import acting
with acting("command:tests", "tests", at=clock.now()):
    for number in {workers}:
        Worker.objects.create(site=Site.objects.get(code="saltmarsh"), number=number, name=f"Crew {{number}}",
                              email=f"{{number}}@example.org".lower())
"""
# While all else goes on, somebody leaves: whatever was asked about them is asked no more.
LEAVING = """
from exposure import clock
from exposure.followup.models import FollowUp
from exposure.people.models import User
from exposure.pipeline.clear import end_follow_up
from exposure.record import acting
at, physician = clock.now(), User.objects.get(name="physician")
with acting(physician.actor, "tests", at=at):
    for follow_up in FollowUp.objects.filter(ended_at=None)[:2]:
        end_follow_up(follow_up=follow_up, kind="left", reason="Moved away.", basis="agreed", by=physician, at=at)
"""


class Part:
    """One process and its children, started again when it is gone."""

    def __init__(self, command: list[str], env: dict[str, str], log: Path) -> None:
        self.command, self.env, self.log = command, env, log
        self.known: set[int] = set()
        self.start()

    def start(self) -> None:
        with self.log.open("ab") as output:
            self.process = subprocess.Popen(
                self.command, cwd=ROOT, env=self.env, stdout=output, stderr=output, start_new_session=True
            )

    def family(self) -> list[int]:
        return [self.process.pid, *children_of(self.process.pid)]

    def kill_one(self, chance: random.Random) -> None:
        """One process of it, whichever. Without the main one the rest goes too, and it is started again."""
        family = self.family()
        self.known.update(family)
        with suppress(ProcessLookupError):
            os.kill(chance.choice(family), signal.SIGKILL)

    def look_after(self) -> None:
        if self.process.poll() is not None:
            self.end()
            self.start()

    def end(self) -> None:
        """All of it, at once: nothing of an old one may stay beside a new one."""
        family = self.known | set(self.family())
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        wait_for(lambda: not any(map(alive, family)), seconds=30, why="a process is left")
        self.known = set()


@contextmanager
def parts(env: dict[str, str], port: int, logs: Path) -> Iterator[dict[str, Part]]:
    clock = [sys.executable, "manage.py", "clock", "--every", "1"]
    commands = {"web": command_of("web", port), "clock": clock} | {
        name: command_of(name) for name in ("reminders", "sending", "beat")
    }
    second = logs / "second"  # whose clock is nobody's: two beats ask for the same, twice
    second.mkdir()
    own = {"second beat": {**env, "VAR_DIR": str(second)}}
    with ExitStack() as ends:
        running = {}
        for name, command in (commands | {"second beat": command_of("beat")}).items():
            running[name] = Part(command, own.get(name, env), logs / f"{name}.log")
            ends.callback(running[name].end)
        yield running


def serves(port: int) -> bool:
    address = urllib.request.Request(f"http://127.0.0.1:{port}/healthz", headers={"Host": HOST})
    with urllib.request.urlopen(address, timeout=5) as answer:
        return answer.status == 200


def serves_again(web: Part, port: int) -> bool:
    """A server whose workers were killed a moment after each other gives up, and is started again as any is."""
    web.look_after()
    return serves(port)


def test_after_kills_at_random_nothing_acknowledged_is_lost_and_nothing_is_half(
    servers: None,
    service: dict[str, str],  # noqa: F811
    inbox: tuple[Inbox, int],  # noqa: F811
    tmp_path: Path,
):
    seed = int(os.environ.get("EXPOSURE_SEED") or random.SystemRandom().randrange(10**6))
    print(f"\nEXPOSURE_SEED={seed}")
    chance, port, killed = random.Random(seed), free_port(), Counter()
    manage("shell", "-v0", "-c", PEOPLE.format(workers=WORKERS), env=service)
    observer, nurse = token_for("observer", service), token_for("nurse", service)
    broker = Redis.from_url(service["REDIS_URL"])
    began = time.monotonic()
    with parts(service, port, tmp_path) as running:
        wait_for(lambda: serves(port), seconds=240, why="web")
        with Load(port, observer, nurse, WORKERS, seed) as load:
            wait_for(lambda: len(load.acknowledged["confirmed"]) >= 4, seconds=240, why="the load has begun")
            for number in range(KILLS):
                time.sleep(chance.uniform(0.2, 2))
                name = chance.choice(["web", "web", "clock", "reminders", "reminders", "sending", "sending"])
                running[name].kill_one(chance)
                killed[name] += 1
                time.sleep(0.2)
                for part in running.values():
                    part.look_after()
                if name == "web":
                    wait_for(lambda: serves_again(running["web"], port), seconds=120, why="web again")
                if number == KILLS // 2:
                    manage("shell", "-v0", "-c", LEAVING, env=service)
                if number == KILLS // 3:
                    broker.flushdb()
                if number == 2 * KILLS // 3:
                    broker.client_pause(5000)
            before = len(load.acknowledged["reports"])
            wait_for(
                lambda: len(load.acknowledged["reports"]) > before + 2, seconds=240, why="the load goes on"
            )
    took = time.monotonic() - began
    at = datetime.now(UTC) + LEASE + timedelta(minutes=1)  # what a killed process has claimed is free again
    manage("sweep", "--at", at.isoformat(), env=service)
    manage("sender", "--once", "--at", at.isoformat(), env=service)
    amounts = {kind: len(acknowledged) for kind, acknowledged in load.acknowledged.items()}
    print(f"{dict(killed)} killed in {took:.0f} s; acknowledged {amounts}; answers {dict(load.answers)}")
    print(f"refused {load.refused.most_common(5)}")
    assert load.failures == []
    assert load.wrong == []
    assert min(amounts.values()) > 0
    received = Counter(UUID(mail["Message-ID"].strip("<>").partition("@")[0]) for mail in inbox[0].mails)
    with psycopg.connect(service["DATABASE_URL"]) as database:
        invariants.what_was_acknowledged_is_there(database, load)
        invariants.every_report_has_its_assessment_and_follow_up(database)
        rows = invariants.the_newest_version_is_the_live_row(database)
        invariants.one_open_alert_per_subject_and_cause(database)
        invariants.every_rung_that_has_passed_is_settled(database, at)
        twice = invariants.a_message_that_came_twice_was_cut_off_by_a_crash(database, received)
        invariants.nothing_is_asked_of_an_ended_follow_up(database)
        invariants.nothing_was_set_aside(database)
    print(f"{rows} rows equal their newest version; {twice} of {len(received)} messages came twice")


@pytest.fixture
def servers() -> None:
    """Here nothing is left out: without the real servers it fails."""
    for name in ("DATABASE_URL", "TEST_REDIS_URL"):
        assert os.environ.get(name), f"{name}: this needs a real PostgreSQL and Redis"
