"""One part of a round: rows are noticed by one statement and settled together; a row that fails is set aside alone.

What is set aside is left out until its next try, is told by `/readyz` and on the pages of nurse and administrator, and
keeps nothing else waiting.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import OperationalError, transaction
from django.db.models import Model, QuerySet

from exposure.outage import is_outage
from exposure.remind.models import SetAside

log = logging.getLogger(__name__)
BATCH = 1000
FIRST_WAIT = timedelta(minutes=1)
LONGEST_WAIT = timedelta(hours=1)


@dataclass(frozen=True)
class Part:
    """`notice` gives the rows that are due at an instant, each of which `settle` takes out of them; `settle` returns
    how much it did. `batch` rows are settled in one transaction."""

    name: str
    notice: Callable[[datetime], QuerySet]
    settle: Callable[[Sequence[Any], datetime], int]
    batch: int = BATCH
    at_most: int | None = None  # rows a round, for what costs more than a few statements each


def run(part: Part, *, at: datetime) -> int:
    """Settle all that is due. Returns how much was done. Raises only where noticing fails, or the database does."""
    done, taken = 0, 0
    aside = list(SetAside.objects.filter(part=part.name, settled_at=None))
    left_out = [int(row.row) for row in aside if row.retry_at > at]
    settled: set[int] = set()
    while part.at_most is None or taken < part.at_most:
        with transaction.atomic():
            noticed = list(part.notice(at).exclude(pk__in=left_out)[: part.batch])
            if not noticed:
                _no_longer_due(part, [row for row in aside if row.retry_at <= at], at)
                break
            # Settled a moment ago and noticed all the same: nothing can be done about it in this round.
            left_out += [row.pk for row in noticed if row.pk in settled]
            rows = [row for row in noticed if row.pk not in settled]
            settled = {row.pk for row in noticed}
            taken += len(rows)
            done += _settle(part, rows, aside, left_out, at) if rows else 0
    return done


def _no_longer_due(part: Part, aside: list[SetAside], at: datetime) -> None:
    """What was to be tried again and is not due any more, because somebody has done it or its cause has ended: nothing
    is wrong with it now."""
    if aside:
        waiting = SetAside.objects.filter(pk__in=[row.pk for row in aside], settled_at=None, retry_at__lte=at)
        waiting.update(settled_at=at)


def _settle(part: Part, rows: list[Model], aside: list[SetAside], left_out: list[int], at: datetime) -> int:
    """Together; where that fails, each by itself."""
    try:
        with transaction.atomic():
            done = part.settle(rows, at)
    except Exception as error:
        if isinstance(error, OperationalError) or is_outage(error):
            raise  # the database is locked, full or away: nobody's row is at fault
        if len(rows) == 1:
            put_aside(part.name, rows[0].pk, error, at)
            left_out.append(rows[0].pk)
            return 0
        half = len(rows) // 2
        halves = rows[:half], rows[half:]
        return sum(_settle(part, some, aside, left_out, at) for some in halves)
    keys = {str(row.pk) for row in rows}
    if retried := [row.pk for row in aside if row.row in keys]:
        SetAside.objects.filter(pk__in=retried, settled_at=None).update(settled_at=at)
    return done


def put_aside(part: str, row: int, error: Exception, at: datetime) -> None:
    """Leave the row with this primary key out until its next try."""
    log.exception("Row %s of the part “%s” of this round is set aside.", row, part, exc_info=error)
    aside, fresh = SetAside.objects.get_or_create(
        part=part,
        row=str(row),
        settled_at=None,
        defaults={
            "first_at": at,
            "last_at": at,
            "retry_at": at + FIRST_WAIT,
            "error": type(error).__name__,
        },
    )
    if not fresh:
        aside.tries += 1
        aside.last_at = at
        aside.retry_at = at + min(FIRST_WAIT * 2 ** min(aside.tries, 10), LONGEST_WAIT)
        aside.error = type(error).__name__
        aside.save()


def set_aside(*, at: datetime) -> list[SetAside]:
    """What waits for somebody to look at it, oldest first."""
    return list(SetAside.objects.filter(settled_at=None, first_at__lte=at))
