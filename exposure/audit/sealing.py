"""Sealing: whatever is written and has no entry yet gets one, in the order in which it is found.

No mark is kept of how far sealing has come: a row counts as sealed when its entry stands, so that one whose
transaction ends late is found later. A quick look asks about the newest rows of each table, by index; a thorough one,
in the first minutes of each hour, about all of them. Writers wait for nothing: no row or table that they write is
locked, and what is sealed is read and hashed before the one short transaction that stores it. Two at once: the
sequence is unique, the later one loses its batch and finds nothing left to do.
"""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from operator import itemgetter

from django.db import IntegrityError, models
from django.db.models import BigIntegerField, CharField, F, Max, Value
from django.db.models.functions import Coalesce

from exposure.audit import heads
from exposure.audit.leaves import Source, by_name, leaf_bytes, sources, unsealed
from exposure.audit.merkle import leaf_hash
from exposure.audit.models import SealEntry
from exposure.audit.storing import Leaf, store

log = logging.getLogger(__name__)

BATCH = 5_000  # entries in one transaction
MOST_BATCHES = 2  # in one call, so that nothing else waits long for it
QUICK_LOOK = 2_000  # rows back from the newest one sealed, in each table
THOROUGH_MINUTES = 2  # of each hour; longer than one interval
HEAD_EVERY = timedelta(minutes=10)
LATEST_HEAD = timedelta(hours=1)


@dataclass(frozen=True)
class Sealed:
    """How many entries were added, and whether a head was signed; `caught_up`: nothing was left to seal."""

    entries: int
    caught_up: bool
    head: bool


def seal(*, at: datetime, thorough: bool | None = None, head_every: timedelta = HEAD_EVERY) -> Sealed:
    """Seal what is new, and sign a head if the newest is `head_every` old and does not cover all. The minute of `at`
    decides how thorough the look is, where `thorough` does not.

    Raises OSError where the heads cannot be written outside the database; everything else is stored by then.
    """
    if thorough is None:
        thorough = at.minute < THOROUGH_MINUTES
    added, waiting = 0, True
    for _batch in range(MOST_BATCHES):
        found = _find(thorough)
        count = _add(found) if found else 0
        added += count
        waiting = len(found) == BATCH
        if not waiting or not count:
            break
    head = False if waiting else _sign_if_due(at, head_every)
    heads.write_out()
    return Sealed(added, not waiting, head)


def size() -> int:
    """How many entries there are."""
    last = SealEntry.objects.aggregate(last=Max("sequence"))["last"]
    return 0 if last is None else last + 1


def unsigned() -> int:
    """How many entries no head covers yet."""
    last = heads.newest()
    return size() - (last.size if last else 0)


def heads_late(*, at: datetime) -> bool:
    """Whether there is a key, and entries that it should have signed long ago: nobody could prove them outside."""
    if heads.own_key() is None:
        return False
    last = heads.newest()
    if last is not None and at - last.at <= LATEST_HEAD:
        return False
    return size() > (last.size if last else 0)


def _find(thorough: bool) -> list[tuple[str, int]]:
    """Up to a batch of rows without an entry, as (source, key): one statement over all tables."""
    asked = [_asked(source, thorough) for source in sources() if thorough or not source.is_withdrawal]
    return list(asked[0].union(*asked[1:], all=True)[:BATCH])


def _asked(source: Source, thorough: bool) -> models.QuerySet:
    entries = SealEntry.objects.all()
    rows = unsealed(source, entries).order_by()
    if not thorough:
        newest = entries.filter(model=source.name).order_by("-row").values("row")[:1]
        rows = rows.filter(pk__gt=Coalesce(newest, 0, output_field=BigIntegerField()) - QUICK_LOOK)
    name = Value(source.name, output_field=CharField())
    return rows.annotate(sealed_model=name, sealed_row=F("pk")).values_list("sealed_model", "sealed_row")


def _add(found: list[tuple[str, int]]) -> int:
    """Store entries for these rows; returns how many, none where another sealer was faster."""
    first = size()
    leaves: list[Leaf] = []
    for name, rows in groupby(sorted(found), key=itemgetter(0)):
        source = by_name()[name]
        for row, fields in sorted(source.read(row for _name, row in rows).items()):
            sequence = first + len(leaves)
            try:
                content = leaf_bytes(source, sequence, row, fields)
            except ValueError:
                log.exception("The row %s of %s cannot be sealed.", row, name)
                continue
            leaves.append(Leaf(sequence, name, row, leaf_hash(content), content))
    try:
        store(leaves)
    except IntegrityError:
        return 0
    return len(leaves)


def _sign_if_due(at: datetime, head_every: timedelta) -> bool:
    """Sign a head where there are entries that none covers yet."""
    last, count = heads.newest(), size()
    if count == (last.size if last else 0):
        return False
    if last and timedelta(0) <= at - last.at < head_every:  # a clock that was ahead keeps nothing back
        return False
    key = heads.own_key()
    return key is not None and heads.sign(key, count, at=at) is not None
