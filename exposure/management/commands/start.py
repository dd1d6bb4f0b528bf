"""Everything on one machine with nothing else installed."""

import os
import signal
import subprocess
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
from exposure.management.scenario import has_people, load_demo, sign_ins
from exposure.record import acting

READY_WITHIN = 60.0  # seconds


class Command(BaseCommand):
    help = "Runs the service on this machine: database, web server and clock process, with the demo scenario."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--empty", action="store_true", help="without the demo scenario")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, empty: bool, port: int, **options: Any) -> None:
        if not settings.LOCAL_USE:
            raise CommandError(
                "start is for one machine: unset DATABASE_URL and SITE_URL, or see docker-compose.yml."
            )
        if not supervise.port_is_free(port):
            raise CommandError(
                f"Port {port} is taken. Stop what uses it, or choose another: start --port {port + 1}"
            )
        self._prepare(empty)
        self._run(port)

    def _prepare(self, empty: bool) -> None:
        call_command("migrate", verbosity=0)
        at = clock.now()
        if not empty and not has_people():
            self.stdout.write("Loading the demo scenario ...")
            load_demo(at=at)
        with acting("command:start", "command line", at=at):
            load_published(at=at)

    def _run(self, port: int) -> None:
        environment = {**os.environ, "PORT": str(port), "DJANGO_SETTINGS_MODULE": "config.settings"}
        signal.signal(signal.SIGTERM, self._stop)
        signal.signal(signal.SIGINT, self._stop)
        children = [
            supervise.start(self._web_server(port), environment),
            supervise.start([sys.executable, "manage.py", "clock"], environment),
        ]
        try:
            self._wait_until_ready(children, port)
            self._greet(port)
            while all(child.poll() is None for child in children):
                time.sleep(0.5)
            raise CommandError("A part of the service has ended by itself; everything is stopped.")
        except KeyboardInterrupt:
            self.stdout.write("Stopping ...")
        finally:
            supervise.stop(children)

    def _web_server(self, port: int) -> list[str]:
        listen = ["--host", "127.0.0.1", "--port", str(port)]
        size = ["--workers", "1", "--blocking-threads", "4", "--no-ws", "--log-level", "warning"]
        return [
            sys.executable,
            "-m",
            "granian",
            "--interface",
            "wsgi",
            "config.wsgi:application",
            *listen,
            *size,
        ]

    def _stop(self, number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    def _wait_until_ready(self, children: list[subprocess.Popen[bytes]], port: int) -> None:
        until = time.monotonic() + READY_WITHIN
        while not supervise.answers(port):
            if time.monotonic() > until or any(child.poll() is not None for child in children):
                raise CommandError("The web server did not come up; its messages stand above.")
            time.sleep(0.1)

    def _greet(self, port: int) -> None:
        messages = f"Messages that would leave: {settings.MESSAGE_FILES}"
        lines = [f"\nOpen http://localhost:{port}/", *sign_ins(), messages, "Ctrl-C stops everything.\n"]
        self.stdout.write("\n".join(lines))
        self.stdout.flush()
