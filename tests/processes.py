"""Run the service's own processes as an operator would, apart from the test's Django."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OURS = ("DATABASE_URL", "REDIS_URL", "SITE_URL", "EMAIL_URL", "EMAIL_FROM", "SECRET_KEY", "VAR_DIR", "PORT")


def environment(**ours: str) -> dict[str, str]:
    """This process's environment without our variables, and those that are given."""
    bare = {
        key: value for key, value in os.environ.items() if key not in OURS and key != "DJANGO_SETTINGS_MODULE"
    }
    return {**bare, **ours}


def manage(*arguments: str, env: dict[str, str], check: bool = True) -> subprocess.CompletedProcess[str]:
    """One management command, to its end."""
    command = [sys.executable, "manage.py", *arguments]
    done = subprocess.run(
        command, cwd=ROOT, env=env, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0 or not check, done.stderr
    return done


@contextmanager
def running(command: Sequence[str], env: dict[str, str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process for the time of a block; its output goes to `log`."""
    with log.open("ab") as output:
        process = subprocess.Popen(command, cwd=ROOT, env=env, stdout=output, stderr=subprocess.STDOUT)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for(what: Callable[[], object], *, seconds: float = 180, why: str = "") -> object:
    """Poll until `what` answers something true; what it raises counts as not yet."""
    until = time.monotonic() + seconds
    while True:
        try:
            if found := what():
                return found
        except OSError:
            pass
        assert time.monotonic() < until, f"not within {seconds} s: {why}"
        time.sleep(0.1)


def children_of(pid: int) -> list[int]:
    """Every process below this one."""
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in map(int, task.read_text().split()):
            found += [child, *children_of(child)]
    return found


def alive(pid: int) -> bool:
    stat = Path(f"/proc/{pid}/stat")
    try:
        return stat.read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def page(port: int, path: str) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
        return answer.read().decode()
