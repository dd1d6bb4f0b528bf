"""One round by hand."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from exposure import clock
from exposure.management.instants import instant
from exposure.pipeline.remind import pass_time
from exposure.record import acting


class Command(BaseCommand):
    help = "Does once what the clock process does: what time causes. `sender --once` sends what waits."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--at", metavar="INSTANT", help="as of this instant, such as 2026-11-25T07:40:00+01:00"
        )

    def handle(self, *args: Any, at: str | None, **options: Any) -> None:
        moment = instant(at) if at else clock.now()
        with acting("command:sweep", "command line", at=moment):
            done = pass_time(at=moment)
        self.stdout.write(", ".join(f"{kind.replace('_', ' ')}: {count}" for kind, count in done.items()))
