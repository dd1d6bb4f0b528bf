"""The clock process: everything that time causes, every few seconds, without a broker."""

import logging
import signal
import threading
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import close_old_connections

from exposure import clock
from exposure.audit.keeping import keep
from exposure.interop import handover_files
from exposure.pipeline.remind import pass_time, tidy
from exposure.record import acting

log = logging.getLogger(__name__)


class Command(BaseCommand):
    help = "Runs the clock process: everything that time causes, every few seconds until it is stopped. Sends nothing."

    writing: threading.Thread | None = None

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--every", type=float, default=settings.TICK_SECONDS, help="seconds between two rounds"
        )

    def handle(self, *args: Any, every: float, **options: Any) -> None:
        stopped = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stopped.set())
        seal_next = clock.running()
        while not stopped.is_set():
            self.round()
            if clock.running() >= seal_next:
                self.seal()
                seal_next = clock.running() + settings.SEAL_SECONDS
            stopped.wait(every)

    def round(self) -> None:
        """One round; whatever goes wrong is said, and the next round tries again."""
        close_old_connections()
        at = clock.now()
        try:
            with acting("command:clock", "clock process", at=at):
                pass_time(at=at, running=clock.running())
                tidy(at=at)
        except Exception:
            log.exception("This round of the clock failed; the next one tries again.")
        self.hand_over()

    def hand_over(self) -> None:
        """Write the hand-over lists that are due, beside the rounds: a folder that hangs holds no round up."""
        if settings.HANDOVER_FOLDER and not (self.writing and self.writing.is_alive()):
            self.writing = threading.Thread(target=write_lists, daemon=True)
            self.writing.start()

    def seal(self) -> None:
        """What has no seal yet, after all that people wait for."""
        try:
            keep(at=clock.now())
        except Exception:
            log.exception("Sealing failed; the next time tries again.")


def write_lists() -> None:
    """What is due now, on a connection of its own."""
    at = clock.now()
    try:
        with acting("command:clock", "clock process", at=at):
            handover_files.write_due(at=at)
    except Exception:
        log.exception("The hand-over lists were not written; the next round tries again.")
    finally:
        close_old_connections()
