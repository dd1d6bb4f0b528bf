"""The sending process: what waits in the outbox, every few seconds, without a broker."""

import logging
import signal
import threading
from argparse import ArgumentParser
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import close_old_connections

from exposure import clock
from exposure.management.instants import instant
from exposure.record import acting
from exposure.remind.outbox import deliver

log = logging.getLogger(__name__)


class Command(BaseCommand):
    help = "Runs the sending process: delivers what waits, every few seconds until it is stopped."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--every", type=float, default=settings.TICK_SECONDS, help="seconds between two rounds"
        )
        parser.add_argument("--once", action="store_true", help="one round by hand")
        parser.add_argument("--at", metavar="INSTANT", help="with --once: as of this instant")

    def handle(self, *args: Any, every: float, once: bool, at: str | None, **options: Any) -> None:
        stopped = threading.Event()
        if at and not once:
            raise CommandError("--at goes with --once only: the sending process reads the clock.")
        if once:
            moment = instant(at) if at else None
            done = self.round(stopped, (lambda: moment) if moment else clock.now)
            self.stdout.write(
                ", ".join(f"{kind}: {count}" for kind, count in done.items()) or "nothing waits"
            )
            return
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stopped.set())
        while not stopped.is_set():
            close_old_connections()
            try:
                self.round(stopped, clock.now)
            except Exception:
                log.exception("This round of sending failed; the next one tries again.")
            stopped.wait(every)

    def round(self, stopped: threading.Event, now: Callable[[], datetime]) -> Counter[str]:
        with acting("command:sender", "sending process", at=now()):
            return deliver(now=now, going_on=lambda: not stopped.is_set())
