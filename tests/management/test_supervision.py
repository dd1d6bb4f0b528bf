"""Whatever of `manage.py start` is killed: it is started again, or everything stops. Real processes, real signals."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.processes import ROOT, alive, children_of, environment, free_port, manage, page, running, wait_for

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes as Linux shows them")


class Service:
    """A running `start --empty`."""

    def __init__(self, process: subprocess.Popen[bytes], port: int, var: Path, log: Path) -> None:
        self.process, self.port, self.var, self.log = process, port, var, log

    def family(self) -> list[int]:
        return [self.process.pid, *children_of(self.process.pid)]

    def pids(self, part: str) -> list[int]:
        """The process ids of a part: `web` (main first, then its worker), `clock` or `sender`."""
        word = {"web": "granian", "clock": "clock", "sender": "sender"}[part]
        found = []
        for pid in children_of(self.process.pid):
            try:
                arguments = Path(f"/proc/{pid}/cmdline").read_bytes().decode().split("\0")
            except OSError:
                continue
            if word in arguments:
                found.append(pid)
        return found

    def serves(self) -> bool:
        return "Sign in" in page(self.port, "/account/login/")


def begin(port: int) -> list[str]:
    return [sys.executable, "manage.py", "start", "--empty", "--port", str(port)]


@contextmanager
def started(var: Path, log: Path, port: int) -> Iterator[Service]:
    with running(begin(port), environment(VAR_DIR=str(var)), log) as process:
        wait_for(lambda: "Ctrl-C" in log.read_text(), why="the start")
        yield Service(process, port, var, log)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """On a folder that stood open to everybody."""
    folder = tmp_path_factory.mktemp("service")
    old = folder / "var" / "messages" / "old.log"
    old.parent.mkdir(parents=True)
    old.write_text("a message")
    for path, mode in ((old, 0o644), (old.parent, 0o755), (old.parent.parent, 0o755)):
        path.chmod(mode)
    with started(folder / "var", folder / "log", free_port()) as found:
        yield found


@pytest.mark.parametrize("victim", ["worker", "web", "clock", "sender"])
def test_a_killed_part_is_started_again_and_nothing_of_the_old_one_stays(service: Service, victim: str):
    part, position = ("web", -1) if victim == "worker" else (victim, 0)
    name = {"web": "web server", "clock": "clock process", "sender": "sending process"}[part]
    wait_for(service.serves, why="it serves")
    wait_for(lambda: len(service.pids("web")) == 2 and service.pids(part), why="all parts")
    before = service.pids(part)
    os.kill(before[position], signal.SIGKILL)
    wait_for(lambda: not any(map(alive, before)), seconds=15, why="what is left of the old part")
    wait_for(lambda: len(service.pids(part)) == len(before), seconds=30, why="the part stands again")
    wait_for(service.serves, seconds=30, why="it serves again")
    assert f"The {name} has ended" in service.log.read_text()


@pytest.mark.parametrize(("part", "beat"), [("clock", "sweep"), ("sender", "sender")])
def test_a_process_that_was_started_again_beats(service: Service, part: str, beat: str):
    with sqlite3.connect(service.var / "exposure.sqlite3") as database:
        query = f"SELECT max(at) FROM exposure_heartbeat WHERE name = '{beat}'"
        before = database.execute(query).fetchone()
        os.kill(service.pids(part)[0], signal.SIGKILL)
        wait_for(lambda: database.execute(query).fetchone() != before, seconds=45, why="a new heartbeat")


def test_a_second_start_on_the_same_folder_says_so_in_one_sentence(service: Service):
    refused = manage(*begin(free_port())[2:], env=environment(VAR_DIR=str(service.var)), check=False)
    assert refused.returncode != 0
    assert refused.stderr.startswith("CommandError: Another start runs on ")
    assert refused.stderr.count("\n") == 1
    assert service.serves()


def test_everything_in_the_folder_is_for_its_owner_only(service: Service):
    modes = {path.name: path.stat().st_mode & 0o777 for path in service.var.rglob("*")}
    assert {"exposure.sqlite3", "exposure.sqlite3-wal", "secret-key", "messages", "old.log"} <= set(modes)
    assert {name: oct(mode) for name, mode in modes.items() if mode & 0o077} == {}
    assert service.var.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize("victims", [["start"], ["start", "web"]], ids=" and ".join)
def test_a_killed_start_takes_everything_along_and_another_one_can_begin(tmp_path: Path, victims: list[str]):
    port, var = free_port(), tmp_path / "var"
    with started(var, tmp_path / "log", port) as service:
        family = service.family()
        assert len(family) >= 5, "start, web server, its worker, clock, sending"
        pids = {"start": service.process.pid, "web": service.pids("web")[0]}
        for victim in victims:
            os.kill(pids[victim], signal.SIGKILL)
        service.process.wait()
        wait_for(lambda: not any(map(alive, family)), seconds=15, why="a process is left")
    with started(var, tmp_path / "again", port) as service:
        assert service.serves()


@pytest.mark.parametrize(
    "moment", ["python starts", "half a second", "the first child", "the third process below"]
)
def test_a_stop_during_the_start_leaves_nothing(tmp_path: Path, moment: str):
    """The instants before, during and after each of the forks."""
    log = tmp_path / "log"
    with log.open("wb") as output:
        env = environment(VAR_DIR=str(tmp_path / "var"))
        process = subprocess.Popen(begin(free_port()), cwd=ROOT, env=env, stdout=output, stderr=output)
    began = time.monotonic()
    is_now = {
        "python starts": lambda below: True,
        "half a second": lambda below: time.monotonic() > began + 0.5,
        "the first child": lambda below: len(below) >= 1,
        "the third process below": lambda below: len(below) >= 3,
    }[moment]
    family: set[int] = set()
    while not is_now(below := children_of(process.pid)):
        time.sleep(0.005)
        family.update(below)
        assert time.monotonic() < began + 60, log.read_text()
    process.terminate()
    while process.poll() is None:
        family.update(children_of(process.pid))
        assert time.monotonic() < began + 90, log.read_text()
        time.sleep(0.01)
    assert "Traceback" not in log.read_text()
    wait_for(lambda: not any(map(alive, family)), seconds=10, why="a process is left")
