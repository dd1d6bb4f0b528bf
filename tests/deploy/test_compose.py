"""The compose file, and its very commands run by hand on real servers: a report by API, a reminder by SMTP."""

import json
import os
import socket
import subprocess
import sys
import urllib.request
import uuid
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
import yaml
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Message as KeepingHandler

from tests.processes import ROOT, environment, free_port, manage, running, wait_for
from tests.servers import ON_SQLITE

COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
APPLICATION = "exposure_application"
PREPARE = """
from datetime import time
from exposure import clock
from exposure.places.models import SiteWindow
from exposure.record import acting
from tests.cast import assemble
cast = assemble()
at = clock.now()
with acting("command:tests", "tests", at=at):
    cast.site.zone = f"Etc/GMT{at.hour - 12:+d}"  # noon there, whenever this runs: no window over midnight
    cast.site.save()
    SiteWindow.objects.create(site=cast.site, name="now", opens=time(11), due=time(14), closes=time(16))
"""


def test_the_file_follows_the_compose_specification():
    checked = subprocess.run(
        [
            sys.executable,
            "-m",
            "check_jsonschema",
            "--builtin-schema",
            "vendor.compose-spec",
            "docker-compose.yml",
        ],
        cwd=ROOT,
        check=False,
        capture_output=True,
        text=True,
    )
    assert checked.returncode == 0, checked.stdout


def test_no_secret_stands_in_the_file_and_every_service_is_watched():
    text = (ROOT / "docker-compose.yml").read_text()
    for name in ("SECRET_KEY", "POSTGRES_PASSWORD", "APPLICATION_PASSWORD", "READER_PASSWORD", "EMAIL_URL"):
        assert f"{name}: ${{{name}:?" in text
    watched = {name for name, service in COMPOSE["services"].items() if "healthcheck" in service}
    assert watched == set(COMPOSE["services"]) - {"migrate"}


def test_each_worker_is_asked_for_itself():
    workers = {
        name: service
        for name, service in COMPOSE["services"].items()
        if "worker" in service.get("command", [])
    }
    assert set(workers) == {"reminders", "sending", "slow"}
    for name, service in workers.items():
        assert service["command"][service["command"].index("--hostname") + 1] == f"{name}@%h"
        assert f"--destination {name}@$$HOSTNAME" in service["healthcheck"]["test"][1]


def test_every_service_has_time_to_stop_and_the_web_server_is_quicker_than_that():
    for name, service in COMPOSE["services"].items():
        assert int(service["stop_grace_period"].removesuffix("s")) >= 30, name
    words = command_of("web")
    assert int(words[words.index("--workers-kill-timeout") + 1]) < 30
    assert "--respawn-failed-workers" in words


def test_the_password_stands_in_no_address_and_postgres_is_asked_over_the_network():
    for service in COMPOSE["services"].values():
        environment = service.get("environment", {})
        assert not [
            name for name, value in environment.items() if "PASSWORD" in value and "PASSWORD" not in name
        ]
    assert "pg_isready -h 127.0.0.1 " in COMPOSE["services"]["postgres"]["healthcheck"]["test"][1]


def test_only_what_migrates_knows_the_owners_password_and_all_else_signs_in_as_the_application():
    for name, service in COMPOSE["services"].items():
        environment = service.get("environment", {})
        if name in ("postgres", "redis"):
            continue
        user = urlsplit(environment["DATABASE_URL"]).username
        passwords = {name for name, value in environment.items() if "POSTGRES_PASSWORD" in value}
        if name == "migrate":
            assert user == COMPOSE["services"]["postgres"]["environment"]["POSTGRES_USER"]
            assert passwords == {"DATABASE_PASSWORD"}
            assert f" grant --application {APPLICATION} " in service["command"][-1]
        else:
            assert (user, passwords) == (APPLICATION, set()), name
            assert environment["DATABASE_PASSWORD"].startswith("${APPLICATION_PASSWORD:")


def test_what_is_written_outside_the_database_has_a_place_to_go():
    slow = COMPOSE["services"]["slow"]
    mounted = {volume.rsplit(":", 1)[-1] for volume in slow["volumes"]}
    folders = {slow["environment"][name] for name in ("SEAL_HEADS_DIR", "HANDOVER_FOLDER")}
    assert {folder.removeprefix("${HANDOVER_FOLDER:+").removesuffix("}") for folder in folders} == mounted


def test_the_image_is_built_from_what_it_copies_and_nothing_else():
    lines = (ROOT / ".dockerignore").read_text().splitlines()
    copied = [
        line.split()[1].split("/")[0]
        for line in (ROOT / "config" / "Dockerfile").read_text().splitlines()
        if line.startswith("COPY ")
    ]
    assert lines[1] == "*"
    assert {line[1:] for line in lines if line.startswith("!")} == set(copied)


def test_the_image_does_not_run_as_root():
    users = [
        line for line in (ROOT / "config" / "Dockerfile").read_text().splitlines() if line.startswith("USER ")
    ]
    assert users
    assert users[-1] != "USER root"


class Inbox(KeepingHandler):
    def __init__(self) -> None:
        super().__init__()
        self.mails: list[Any] = []

    def handle_message(self, message: Any) -> None:
        self.mails.append(message)

    def to(self, address: str) -> list[Any]:
        return [mail for mail in self.mails if mail["To"] == address]


@pytest.fixture
def inbox() -> Iterator[tuple[Inbox, int]]:
    handler, port = Inbox(), free_port()
    server = Controller(handler, hostname="127.0.0.1", port=port)
    server.start()
    yield handler, port
    server.stop()


@pytest.fixture
def service(tmp_path: Path, inbox: tuple[Inbox, int]) -> Iterator[dict[str, str]]:
    """The environment of a fresh installation: its own database and Redis keys, migrated and published."""
    if ON_SQLITE or not os.environ.get("TEST_REDIS_URL"):
        pytest.skip("needs PostgreSQL and Redis")
    server, name = os.environ["DATABASE_URL"], f"exposure_by_hand_{os.getpid()}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    env = environment(
        DATABASE_URL=urlunsplit(urlsplit(server)._replace(path=f"/{name}")),
        REDIS_URL=os.environ["TEST_REDIS_URL"],
        SITE_URL="https://exposure.test",
        SECRET_KEY="for-this-test-only-" * 3,
        EMAIL_URL=f"smtp://127.0.0.1:{inbox[1]}?tls=no",
        EMAIL_FROM="follow-up@exposure.test",
        VAR_DIR=str(tmp_path / "var"),
    )
    (tmp_path / "var").mkdir()
    manage("migrate", "-v0", env=env)
    manage("publish", env=env)
    manage("collectstatic", "--noinput", "-v0", env=env)
    manage("shell", "-v0", "-c", PREPARE, env=env)
    yield env
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


def command_of(name: str, port: int = 0) -> list[str]:
    """What the container runs, with this machine's programs and port."""
    words = COMPOSE["services"][name].get("command") or json.loads(
        (ROOT / "config" / "Dockerfile").read_text().split("CMD ")[-1].replace("\\\n", "")
    )
    words = [str(port) if word == "8000" else "127.0.0.1" if word == "0.0.0.0" else word for word in words]
    return [str(Path(sys.executable).with_name(words[0])), *words[1:]]


def is_healthy(name: str, env: dict[str, str]) -> bool:
    """What the container's health check says, with this machine's programs and name."""
    check = COMPOSE["services"][name]["healthcheck"]["test"][1].replace("$$", "$")
    programs = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    here = env | {"HOSTNAME": socket.gethostname(), "PATH": programs}
    return (
        subprocess.run(["sh", "-c", check], cwd=ROOT, env=here, capture_output=True, check=False).returncode
        == 0
    )


def call(port: int, token: str, path: str, body: dict[str, Any]) -> tuple[int, dict[str, Any]]:
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}/api/v1/{path}",
        data=json.dumps(body).encode(),
        headers={
            "Host": "exposure.test",
            "X-Forwarded-Proto": "https",
            "Authorization": f"Bearer {token}",
            "Content-Type": "application/json",
        },
    )
    with urllib.request.urlopen(request, timeout=20) as answer:
        return answer.status, json.load(answer)


def token_for(name: str, env: dict[str, str]) -> str:
    return next(
        word for word in manage("token", name, env=env).stdout.split() if word.startswith("exposure_")
    )


@pytest.mark.redis
def test_a_report_by_api_leads_to_a_reminder_by_smtp_and_a_killed_queue_is_made_good(
    service: dict[str, str], inbox: tuple[Inbox, int], tmp_path: Path
):
    mails, port = inbox[0], free_port()
    observer, nurse = token_for("observer", service), token_for("nurse", service)

    def process(name: str):
        return running(command_of(name, port), service, tmp_path / f"{name}.log")

    with ExitStack() as outer:
        outer.enter_context(process("web"))
        with ExitStack() as first:
            queue = [first.enter_context(process(name)) for name in ("reminders", "sending", "slow", "beat")]
            address = urllib.request.Request(
                f"http://127.0.0.1:{port}/healthz", headers={"Host": "exposure.test"}
            )
            wait_for(lambda: urllib.request.urlopen(address, timeout=5).status == 200, why="web")
            body = {
                "submission_id": str(uuid.uuid4()),
                "station": "heron",
                "worker": "SG-1042",
                "occurred_at": datetime.now(UTC).isoformat(),
                "facts": {"contact": "splash"},
            }
            status, reported = call(port, observer, "breaches/", body)
            assert status == 201
            told = {"by": "phone", "at": datetime.now(UTC).isoformat()}
            assert call(port, nurse, f"breaches/{reported['id']}/told/", told)[0] in (200, 201)
            wait_for(lambda: mails.to("worker@example.org"), seconds=60, why="the reminder")
            for one in queue:
                one.kill()
        assert (
            call(port, observer, "breaches/", {"submission_id": str(uuid.uuid4()), "station": "nowhere"})[0]
            == 201
        )
        assert not mails.to("nurse@example.org")
        with ExitStack() as second:
            for name in ("reminders", "sending", "beat"):
                second.enter_context(process(name))
            wait_for(lambda: mails.to("nurse@example.org"), seconds=60, why="the page after the restart")
            assert is_healthy("reminders", service)
            assert not is_healthy("slow", service), "only the other workers run"
    assert len(mails.to("worker@example.org")) == 1
    text = mails.to("worker@example.org")[0].as_string()
    assert "please open your page" in text
    assert not any(
        word in text.lower() for word in ("ebola", "fever", "exposure to", "temperature", "wim", "alder")
    )
