"""Everything on one machine with nothing else installed."""

import os
import signal
import sys
import time
from argparse import ArgumentParser
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from exposure import clock
from exposure.management import supervise
from exposure.management.content import load_published
from exposure.management.new_database import lay_out_tables
from exposure.management.scenario import has_people, is_unfinished, load_demo, sign_ins
from exposure.record import acting

READY_WITHIN = 60.0  # seconds
STOP_SIGNALS = [signal.SIGTERM, signal.SIGINT, signal.SIGHUP]


class Command(BaseCommand):
    help = (
        "Runs the service on this machine: database, web server, clock and sending, with the demo scenario."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--empty", action="store_true", help="without the demo scenario")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, empty: bool, port: int, **options: Any) -> None:
        if not settings.LOCAL_USE:
            raise CommandError(
                "start is for one machine: unset DATABASE_URL and SITE_URL, or see docker-compose.yml."
            )
        try:
            with supervise.only_one_in(settings.VAR):
                self._start(empty, port)
        except supervise.AlreadyRunning as running:
            raise CommandError(
                f"Another start runs on {settings.VAR} already: stop it, or give this one a VAR_DIR of its own."
            ) from running

    def _start(self, empty: bool, port: int) -> None:
        if not supervise.port_is_free(port):
            raise CommandError(
                f"Port {port} is taken. Stop what uses it, or choose another: start --port {port + 1}"
            )
        for number in STOP_SIGNALS:
            signal.signal(number, self._interrupt)
        try:
            self._prepare(empty)
            self._run(port)
        except KeyboardInterrupt:
            self.stdout.write("Stopped before it served.")

    def _interrupt(self, number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    def _prepare(self, empty: bool) -> None:
        for kept in settings.VAR.rglob("*"):
            kept.chmod(0o700 if kept.is_dir() else 0o600)
        lay_out_tables()
        call_command("migrate", verbosity=0)
        at = clock.now()
        if not empty and (is_unfinished() or not has_people()):
            self.stdout.write("Loading the demo scenario ...")
            self.stdout.flush()
            load_demo(at=at)
        with acting("command:start", "command line", at=at):
            load_published(at=at)

    def _run(self, port: int) -> None:
        environment = {**os.environ, "PORT": str(port), "DJANGO_SETTINGS_MODULE": "config.settings"}
        stopped: list[int] = []
        # From here on a signal only leaves a note: raised between a fork and its entry here, it would leave a child.
        for number in STOP_SIGNALS:
            signal.signal(number, lambda number, _frame: stopped.append(number))
        children = [
            supervise.Child("web server", self._web_server(port), environment),
            supervise.Child("clock process", [sys.executable, "manage.py", "clock"], environment),
            supervise.Child("sending process", [sys.executable, "manage.py", "sender"], environment),
        ]
        try:
            for child in children:
                child.start()
            if self._is_ready(children, port, stopped):
                self._greet(port)
                supervise.keep_running(children, stopping=lambda: bool(stopped), say=self._say)
            self._say("Stopping ...")
        finally:
            supervise.stop(children)

    def _web_server(self, port: int) -> list[str]:
        listen = ["--host", "127.0.0.1", "--port", str(port)]
        size = ["--workers", "1", "--workers-kill-timeout", "5", "--no-ws", "--log-level", "warning"]
        return [
            sys.executable,
            "-m",
            "granian",
            "--interface",
            "rsgi",
            "config.web:application",
            *listen,
            *size,
        ]

    def _is_ready(self, children: list[supervise.Child], port: int, stopped: list[int]) -> bool:
        """Wait until the web server answers: False when told to stop meanwhile."""
        until = time.monotonic() + READY_WITHIN
        while not stopped and not supervise.answers(port):
            if time.monotonic() > until or any(child.look_after() for child in children):
                raise CommandError("The service did not come up; its messages stand above.")
            time.sleep(0.1)
        return not stopped

    def _say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()

    def _greet(self, port: int) -> None:
        messages = f"Messages that would leave: {settings.MESSAGE_FILES}"
        self._say(
            "\n".join(
                [f"\nOpen http://localhost:{port}/", *sign_ins(), messages, "Ctrl-C stops everything.\n"]
            )
        )
