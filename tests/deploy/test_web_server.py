"""The web server as the image runs it: slow senders hold nobody up, a dead worker comes back, nothing half is taken."""

import os
import signal
import socket
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.deploy.test_compose import command_of
from tests.processes import alive, children_of, environment, free_port, manage, page, running, wait_for

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes as Linux shows them")
LAY_OUT = "from exposure.management.new_database import lay_out_tables; lay_out_tables()"
SLOW = 40  # connections; the image's two workers have eight threads each


@pytest.fixture(scope="module")
def web(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, int]]:
    """(port, process id) of the image's command, on SQLite."""
    folder, port = tmp_path_factory.mktemp("web"), free_port()
    env = environment(VAR_DIR=str(folder / "var"))
    manage("shell", "-v0", "-c", LAY_OUT, env=env)
    with running(command_of("web", port), env, folder / "log") as process:
        wait_for(lambda: page(port, "/healthz"), why="web")
        yield port, process.pid


def sent(port: int, head: str, body: bytes = b"") -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), timeout=10)
    connection.sendall(f"POST /account/login/ HTTP/1.1\r\nHost: localhost\r\n{head}\r\n\r\n".encode() + body)
    return connection


def status_of(connection: socket.socket) -> int:
    return int(connection.recv(4000).split()[1])


def workers(pid: int) -> list[int]:
    return [
        child
        for child in children_of(pid)
        if b"resource_tracker" not in Path(f"/proc/{child}/cmdline").read_bytes()
    ]


def test_slow_bodies_do_not_keep_others_waiting(web):
    port, _ = web
    form = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 60"
    with ExitStack() as stack:
        slow = [stack.enter_context(sent(port, form, b"login=")) for _ in range(SLOW)]
        slow += [stack.enter_context(socket.create_connection(("127.0.0.1", port))) for _ in range(SLOW)]
        time.sleep(0.5)
        for _again in range(5):
            began = time.monotonic()
            assert "Sign in" in page(port, "/account/login/")
            assert time.monotonic() - began < 10, "far less than the slow ones are given"
        with sent(port, "Content-Length: 3", b"a=b") as quick:
            assert status_of(quick) == 403, "no token: Django has answered"
        slow[0].sendall(b"x" * 54)
        assert status_of(slow[0]) == 403, "and the slow one is answered once it has all been said"


def test_half_a_body_is_never_taken_for_the_whole(web):
    with sent(web[0], "Content-Length: 30", b"temperature=38") as half:
        half.shutdown(socket.SHUT_WR)
        answer = half.recv(4000)
    assert answer.startswith(b"HTTP/1.1 400 ")
    assert b"The body ended early." in answer


def test_a_body_of_unknown_length_is_refused(web):
    with sent(web[0], "Transfer-Encoding: chunked", b"3\r\na=b\r\n0\r\n\r\n") as chunked:
        assert status_of(chunked) == 411


def test_a_dead_worker_is_replaced_while_the_other_serves(web):
    port, pid = web
    before = wait_for(lambda: len(workers(pid)) == 2 and workers(pid), why="both workers")
    os.kill(before[0], signal.SIGKILL)
    assert sum(serves(port) for _again in range(10)) >= 8, "what was on its way to the dead one is cut off"
    wait_for(lambda: len(workers(pid)) == 2 and before[0] not in workers(pid), seconds=30, why="a new worker")
    assert alive(pid)
    assert alive(before[1])
    wait_for(lambda: all(serves(port) for _again in range(5)), seconds=30, why="all served")


def serves(port: int) -> bool:
    """Whether a request is answered; a client that is cut off would send it again."""
    time.sleep(0.1)
    try:
        return urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=10).status == 200
    except OSError:
        return False
