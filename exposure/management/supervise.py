"""Child processes that live and die together, and one start per folder.

Each child leads a process group of its own, so that what it started goes with it, and on Linux the kernel ends it
when this process dies, by whatever signal (prctl(2), PR_SET_PDEATHSIG). What a child starts itself must ask for the
same: `end_with_parent`, which config/wsgi.py calls in every worker of the web server.
"""

import contextlib
import ctypes
import fcntl
import multiprocessing
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

PR_SET_PDEATHSIG = 1
STOP_WITHIN = 8.0  # seconds; then a child's whole group is killed
SLOWEST_RESTART = 30.0  # seconds between an end and the next start, doubled each time from 1
STEADY_AFTER = 60.0  # seconds; whoever lived this long is restarted at once again


class AlreadyRunning(RuntimeError):
    """Another process holds the folder."""


@contextlib.contextmanager
def only_one_in(folder: Path) -> Iterator[None]:
    """Hold the folder; the kernel lets go when this process dies, however it does. Raises AlreadyRunning."""
    with (folder / "start.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as held:
            raise AlreadyRunning from held
        yield


def port_is_free(port: int) -> bool:
    """Whether this machine can serve on the port."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def answers(port: int) -> bool:
    """Whether something serves on the port."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False


def end_with_parent(number: int, *, parent: int) -> None:
    """On Linux: this process gets the signal when its parent dies, and ends at once if it has died already."""
    if sys.platform != "linux":
        return
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, number)
    if os.getppid() != parent:
        os._exit(1)


def end_with_web_server() -> None:
    """For a worker of the web server: killed when the server's main process is, so that no port stays taken.

    Until the worker has handlers of its own it holds those of the main process, which would swallow a stop.
    """
    main = multiprocessing.parent_process()
    if main is not None and main.pid is not None:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_DFL)
        end_with_parent(signal.SIGKILL, parent=main.pid)


@dataclass
class Child:
    """One process that is started again whenever it ends: after 1 s, 2 s, 4 s ... while it keeps ending soon."""

    name: str
    command: Sequence[str]
    environment: dict[str, str]
    process: subprocess.Popen[bytes] | None = None
    ended: int = 0
    started_at: float = field(default=0.0)
    start_again_at: float = field(default=0.0)

    def start(self) -> None:
        parent = os.getpid()
        self.started_at = time.monotonic()
        self.process = subprocess.Popen(
            list(self.command),
            env=self.environment,
            process_group=0,
            preexec_fn=lambda: end_with_parent(signal.SIGTERM, parent=parent),
        )

    def look_after(self) -> str:
        """Start it again if it is time to; what there is to say, if it has just ended."""
        if self.process is None:
            if time.monotonic() >= self.start_again_at:
                self.start()
            return ""
        if not _has_ended(self.process):
            return ""
        _kill_group(self.process)
        code = self.process.wait()
        self.process = None
        lived = time.monotonic() - self.started_at
        self.ended = 1 if lived >= STEADY_AFTER else self.ended + 1
        wait = min(2.0 ** (self.ended - 1), SLOWEST_RESTART)
        self.start_again_at = time.monotonic() + wait
        how = f"signal {-code}" if code < 0 else f"exit code {code}"
        return f"The {self.name} has ended ({how}); it starts again in {wait:.0f} s."


def _has_ended(process: subprocess.Popen[bytes]) -> bool:
    """Without reaping it: while it waits to be reaped, nobody else can get its process group's number."""
    return (
        os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None
        if process.returncode is None
        else True
    )


def _kill_group(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)


def stop(children: Sequence[Child]) -> None:
    """SIGTERM to all, a few seconds to finish what is under way, then SIGKILL to whatever they started."""
    processes = [child.process for child in children if child.process is not None]
    for process in processes:
        process.terminate()
    until = time.monotonic() + STOP_WITHIN
    while time.monotonic() < until and not all(_has_ended(process) for process in processes):
        time.sleep(0.05)
    for process in processes:
        _kill_group(process)
        process.wait()


def keep_running(
    children: Sequence[Child], *, stopping: Callable[[], bool], say: Callable[[str], None]
) -> None:
    """Look after the children until `stopping`."""
    while not stopping():
        for child in children:
            if news := child.look_after():
                say(news)
        time.sleep(0.2)
