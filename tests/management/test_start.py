"""`manage.py start`: everything on one machine, in one process tree."""

import signal
import socket
import sys
from pathlib import Path

import pytest

from tests.processes import alive, children_of, environment, free_port, manage, page, running, wait_for

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes as Linux shows them")
LAY_OUT = "from exposure.management.new_database import lay_out_tables; lay_out_tables()"


def test_it_serves_prints_the_sign_ins_and_keeps_the_demo_as_it_is(tmp_path: Path):
    port, log, var = free_port(), tmp_path / "log", tmp_path / "var"
    env = environment(VAR_DIR=str(var))
    with running([sys.executable, "manage.py", "start", "--port", str(port)], env, log):
        wait_for(lambda: "Ctrl-C" in log.read_text(), why=log.read_text())
        assert "Sign in" in page(port, "/account/login/")
    said, password = log.read_text(), var / "demo-password"
    assert f"http://localhost:{port}/" in said
    assert "observer, worker, nurse" in said
    assert password.read_text() in said
    assert password.stat().st_mode & 0o777 == 0o600
    again = manage("demo", env=env).stdout
    assert "unchanged" in again
    assert password.read_text() in again


@pytest.mark.parametrize("stop", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_every_process_stops(tmp_path: Path, stop: signal.Signals):
    port, log = free_port(), tmp_path / "log"
    command = [sys.executable, "manage.py", "start", "--empty", "--port", str(port)]
    with running(command, environment(VAR_DIR=str(tmp_path / "var")), log) as service:
        wait_for(lambda: "Ctrl-C" in log.read_text(), why=log.read_text())
        family = [service.pid, *children_of(service.pid)]
        assert len(family) >= 5, "start, web server, its worker, clock, sending"
        service.send_signal(stop)
        assert service.wait(15) == 0, log.read_text()
    wait_for(lambda: not any(map(alive, family)), seconds=5, why="a process is left")


def test_the_demo_refuses_a_database_with_real_people(tmp_path: Path):
    env = environment(VAR_DIR=str(tmp_path))
    manage("shell", "-v0", "-c", LAY_OUT, env=env)
    manage("administrator", "alf", env=env)
    refused = manage("demo", env=env, check=False)
    assert refused.returncode != 0
    assert "holds people already" in refused.stderr


def test_a_taken_port_says_so(tmp_path: Path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        refused = manage("start", "--port", str(port), env=environment(VAR_DIR=str(tmp_path)), check=False)
    assert refused.returncode != 0
    assert f"Port {port} is taken" in refused.stderr


def test_it_does_not_run_against_a_production_database(tmp_path: Path):
    env = environment(
        VAR_DIR=str(tmp_path),
        SITE_URL="https://exposure.test",
        SECRET_KEY="x" * 50,
        EMAIL_URL="smtp://localhost",
    )
    refused = manage("start", env=env | {"EMAIL_FROM": "a@exposure.test"}, check=False)
    assert refused.returncode != 0
    assert "one machine" in refused.stderr
