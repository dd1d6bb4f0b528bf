"""One round by hand."""

from argparse import ArgumentParser
from datetime import datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from exposure import clock
from exposure.management.instants import instant
from exposure.pipeline.remind import pass_time
from exposure.record import acting
from exposure.remind import jumps


class Command(BaseCommand):
    help = "Does once what the clock process does: what time causes. `sender --once` sends what waits."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--at", metavar="INSTANT", help="as of this instant, such as 2026-11-25T07:40:00+01:00"
        )

    def handle(self, *args: Any, at: str | None, **options: Any) -> None:
        moment = instant(at) if at else clock.now()
        _refuse_the_past(moment)
        with acting("command:sweep", "command line", at=moment):
            done = pass_time(at=moment)
        self.stdout.write(", ".join(f"{kind.replace('_', ' ')}: {count}" for kind, count in done.items()))


def _refuse_the_past(moment: datetime) -> None:
    newest = jumps.ahead_of(moment)
    if newest is not None and moment < clock.now() - jumps.TOLERANCE:
        raise CommandError(
            f"A round was at {newest.isoformat()} already: one at {moment.isoformat()} would be taken for a clock that "
            "has gone back, and everything since would be asked again. Leave --at out or name a later one."
        )
