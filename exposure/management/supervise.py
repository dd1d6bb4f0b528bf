"""Child processes that live and die together."""

import contextlib
import ctypes
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence

PR_SET_PDEATHSIG = 1
STOP_WITHIN = 8.0  # seconds; then a child is killed


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


def _die_with_parent() -> None:
    """On Linux the child gets SIGTERM when this process dies, also by SIGKILL. Ctrl-C is the parent's business."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


def start(command: Sequence[str], environment: dict[str, str]) -> subprocess.Popen[bytes]:
    """Start one child."""
    return subprocess.Popen(list(command), env=environment, preexec_fn=_die_with_parent)


def stop(children: Sequence[subprocess.Popen[bytes]]) -> None:
    """SIGTERM to all, a few seconds to finish what is under way, then SIGKILL."""
    for child in children:
        if child.poll() is None:
            child.terminate()
    until = time.monotonic() + STOP_WITHIN
    for child in children:
        try:
            child.wait(max(0.1, until - time.monotonic()))
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
