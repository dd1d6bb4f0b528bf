"""Carries out what two people have ordered to go."""

from argparse import ArgumentParser
from collections.abc import Iterator
from datetime import datetime
from time import sleep
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import IntegrityError, OperationalError, ProgrammingError

from exposure import clock
from exposure.audit import purging, retention
from exposure.audit.models import Purge, PurgeOrder
from exposure.people.models import Worker
from exposure.record import acting

TRIES, PAUSE = 20, 0.5  # for tables that others are writing to; seconds


class Command(BaseCommand):
    help = (
        "Says what would go under the orders that two people have signed, and with --carry-out lets it go: rows and "
        "exact bytes, never the hashes. Run it as the owner of the tables; again, it goes on where it was cut off. "
        "What a purge does not reach (backups, exports, paper, the access log) is in README.md."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--carry-out", action="store_true", help="not only say it")

    def handle(self, *args: Any, carry_out: bool, **options: Any) -> None:
        at = clock.now()
        orders = list(PurgeOrder.objects.filter(agreed=True).order_by("answered_at", "pk"))
        work = [(order, uid) for order in orders for uid in retention.outstanding(order)]
        if not work:
            self.stdout.write("Nothing is ordered to go.")
        for order, uid in work:
            for line in self._one(order, uid, carry_out, at):
                self.stdout.write(line)

    def _one(self, order: PurgeOrder, uid: str, carry_out: bool, at: datetime) -> Iterator[str]:
        worker = Worker.objects.filter(uid=uid).select_related("site").first()
        if worker is None:
            raise CommandError(f"Order {order.uid} names {uid}, who is not there and never went: run verify.")
        if not carry_out or not purging.is_ready(order):
            done: Purge | purging.Going = purging.going(worker, at=at)
        else:
            done = self._carry_out(order, worker, at)
        if isinstance(done, Purge):
            yield f"{uid} has gone under order {order.uid}: {_words(done.counts, done.entries)}."
            return
        waiting = [] if purging.is_ready(order) else ["its order is not under a signed head yet"]
        in_the_way = [*waiting, *done.in_the_way]
        if in_the_way:
            yield f"{uid} stays, order {order.uid}: {', '.join(in_the_way)}."
        else:
            yield f"{uid} would go under order {order.uid}: {_words(done.counts, len(done.leaves))}."

    def _carry_out(self, order: PurgeOrder, worker: Worker, at: datetime) -> Purge | purging.Going:
        for _try in range(TRIES):
            try:
                with acting("command:purge", "command line", f"order {order.uid}", at=at):
                    return purging.carry_out(order, worker, at=at)
            except ProgrammingError as error:
                raise CommandError(f"Run it as the owner of the tables: {error}".strip()) from None
            except (OperationalError, IntegrityError):  # or somebody added to the record meanwhile
                sleep(PAUSE)
        raise CommandError("Others are writing to these tables all the time: run it again in a quieter hour.")


def _words(counts: dict[str, int], entries: int) -> str:
    rows = purging.total([counts])
    kinds = ", ".join(f"{name} {count}" for name, count in sorted(rows.items()))
    return f"{sum(rows.values())} rows ({kinds}), {entries} entries"
