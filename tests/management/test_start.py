"""`manage.py start`: everything on one machine, in one process tree."""

import socket
import sys
from pathlib import Path

import pytest

from tests.processes import alive, children_of, environment, free_port, manage, page, running, wait_for

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes as Linux shows them")
STOPS = ["SIGTERM", "SIGINT"]


@pytest.mark.parametrize("stop", STOPS)
def test_it_serves_prints_the_sign_ins_and_stops_every_process(tmp_path: Path, stop: str):
    port, log = free_port(), tmp_path / "log"
    env = environment(VAR_DIR=str(tmp_path / "var"))
    with running([sys.executable, "manage.py", "start", "--port", str(port)], env, log) as service:
        wait_for(lambda: "Ctrl-C" in log.read_text(), why=log.read_text())
        assert "Sign in" in page(port, "/account/login/")
        family = [service.pid, *children_of(service.pid)]
        service.send_signal(getattr(__import__("signal"), stop))
        assert service.wait(15) == 0, log.read_text()
    said = log.read_text()
    assert f"http://localhost:{port}/" in said
    assert "observer, worker, nurse" in said
    assert len(family) >= 3, "web server and clock process"
    wait_for(lambda: not any(map(alive, family)), seconds=5, why="a process is left")


def test_the_demo_password_is_readable_by_its_owner_only_and_stays(tmp_path: Path):
    env = environment(VAR_DIR=str(tmp_path))
    manage("migrate", "-v0", env=env)
    manage("demo", env=env)
    password = tmp_path / "demo-password"
    assert password.stat().st_mode & 0o777 == 0o600
    again = manage("demo", env=env).stdout
    assert "unchanged" in again
    assert password.read_text() in again


def test_the_demo_refuses_a_database_with_real_people(tmp_path: Path):
    env = environment(VAR_DIR=str(tmp_path))
    manage("migrate", "-v0", env=env)
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
