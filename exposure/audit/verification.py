"""The record against its seals: every entry, every row, every head, also heads that were kept elsewhere.

Read in the order of the entries, in batches, so that the first that does not fit comes first and memory stays flat.
Nothing is written and nothing is locked; what is added meanwhile is left for the next time. Bytes, hashes and the tree
are always gone through here; which rows are worth a look PostgreSQL is asked first (`comparing`), unless it is to be
thorough.
"""

import json
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import accumulate, groupby
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import CharField, F, QuerySet, Value
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from exposure.audit import comparing, heads, sealing
from exposure.audit.comparing import Lateness
from exposure.audit.heads import Head
from exposure.audit.leaves import Fields, Source, by_name, instant, sources, unsealed
from exposure.audit.merkle import Frontier, leaf_hash
from exposure.audit.models import SealedBytes, SealEntry, SealHead
from exposure.audit.purged import Purged, purges

BATCH = 1_000
# A row is sealed within a minute, one that a quick look has missed within the hour.
LATE = timedelta(hours=2)
WHO = ("history_user_id", "recorded_by")


class Sealed(NamedTuple):
    """An entry as it is stored, with its bytes if they are there."""

    sequence: int
    model: str
    row: int
    leaf_hash: bytes
    content: bytes | None


@dataclass(frozen=True)
class KeptHead:
    """A head that somebody kept outside the database; `where` says so, for people."""

    head: Head
    where: str


@dataclass
class Verification:
    """One reading of the whole record. Iterate `findings()`, then see what was counted.

    `late_until`: entries before it may be younger than their own date says; somebody knows why (an upgrade).
    `purges`: what went lawfully, which is no finding; what is gone without one of them is. `thorough`: every row is
    read and compared in Python, as on SQLite.
    """

    at: datetime
    kept: Sequence[KeptHead] = ()
    late_until: int = 0
    thorough: bool = False
    size: int = 0
    heads: int = 0
    waiting: int = 0
    unknown: int = 0
    purges: list[Purged] = field(default_factory=list)
    _rows: list[SealHead] = field(default_factory=list)
    _added: "Added" = field(init=False)
    _purged: dict[int, Purged] = field(default_factory=dict)

    def findings(self) -> Iterator[str]:
        """One sentence per thing that does not fit."""
        self._rows = list(SealHead.objects.order_by("pk"))
        self.size, self.heads, self._added = sealing.size(), len(self._rows), Added(self._rows)
        yield from self._chain()
        self._read_purges()
        yield from (purge.unlawful for purge in self.purges if not purge.is_lawful)
        asked = [(row.size, bytes(row.root), _("the head of %s") % instant(row.at)) for row in self._rows]
        known = {bytes(row.signature) for row in self._rows}
        for kept in self.kept:
            if not kept.head.is_signed():
                yield _("%(where)s: this head is not signed by its key.") % {"where": kept.where}
            elif kept.head.signature not in known:
                yield _("%(where)s: the database has not the head of %(at)s over %(size)d entries.") % {
                    "where": kept.where,
                    "at": kept.head.at,
                    "size": kept.head.size,
                }
                asked.append((kept.head.size, kept.head.root, kept.where))
        yield from self._entries(sorted(asked, key=lambda one: one[0]))
        yield from self._unsealed()

    def _read_purges(self) -> None:
        self.purges = purges()
        self._purged = {leaf: purge for purge in self.purges if purge.is_lawful for leaf in purge.leaves}

    def _chain(self) -> Iterator[str]:
        """The heads of the database among themselves: signatures, keys, sizes."""
        key, size = "", 0
        for row in self._rows:
            head, at = Head.of(row), instant(row.at)
            if not head.is_signed():
                yield _("The head of %(at)s over %(size)d entries is not signed by its key.") % {
                    "at": at,
                    "size": head.size,
                }
            elif key and head.key != key:
                yield _("The head of %(at)s is signed by a key that nobody handed over to.") % {"at": at}
            if head.size < size:
                yield _("The head of %(at)s covers fewer entries than the one before it.") % {"at": at}
            key, size = head.next_key or head.key, head.size
        own = heads.own_key()
        if own is not None and key not in ("", heads.public(own)):
            yield _("The newest head is signed by another key than the one in use here.")
        keys = {row.key for row in self._rows}
        for kept in self.kept:
            if self._rows and kept.head.key not in keys:
                yield _("%(where)s: signed by a key that no head of the database has.") % {
                    "where": kept.where
                }
                return

    def _entries(self, asked: list[tuple[int, bytes, str]]) -> Iterator[str]:
        """Each entry by itself, and the tree whenever a head has something to say about it."""
        frontier, fitting = Frontier(), [0]
        for batch, doubtful in self._batches():
            yield from self._unlike(doubtful)
            for sequence, leaf in batch:
                if sequence != frontier.size:
                    yield _("Entry %(missing)d is missing: %(found)d stands in its place.") % {
                        "missing": frontier.size,
                        "found": sequence,
                    }
                    return
                frontier.append(leaf)
                while asked and asked[0][0] <= frontier.size:
                    size, root, name = asked.pop(0)
                    if root == frontier.root():
                        fitting.append(size)
                        continue
                    asked.clear()  # it is the first; later heads have the same to say
                    yield _("Entries %(first)d to %(last)d are not those that %(head)s was signed over.") % {
                        "first": max(fit for fit in fitting if fit < size),
                        "last": size - 1,
                        "head": name,
                    }
        if asked:
            yield _("Entry %(first)d is missing, and so is all up to %(last)d, which %(head)s covers.") % {
                "first": frontier.size,
                "last": asked[0][0] - 1,
                "head": asked[0][2],
            }

    def _columns(self) -> QuerySet:
        entries = SealEntry.objects.filter(sequence__lt=self.size).order_by("sequence")
        return entries.values_list("sequence", "model", "row", "leaf_hash", "sealed__content")

    def _batches(self) -> Iterator[tuple[list[tuple[int, bytes]], list[Sealed]]]:
        """Numbers and hashes in their order, and those entries of them that must be looked at one by one."""
        if connection.vendor == "postgresql" and not self.thorough:
            yield from self._compared_by_the_database()
            return
        columns = self._columns()
        batch = [Sealed(*row) for row in columns[:BATCH]]
        while batch:
            yield [(one.sequence, bytes(one.leaf_hash)) for one in batch], batch
            batch = [Sealed(*row) for row in columns.filter(sequence__gt=batch[-1].sequence)[:BATCH]]

    def _compared_by_the_database(self) -> Iterator[tuple[list[tuple[int, bytes]], list[Sealed]]]:
        added = self._added
        doubtful = comparing.doubtful(self.size, Lateness(added.sizes, added.instants, self.late_until))
        for stretch in comparing.stretches(self.size):
            for start in range(0, len(stretch), BATCH):
                batch = stretch[start : start + BATCH]
                wrong = [
                    sequence
                    for sequence, leaf, content in batch
                    if sequence in doubtful or content is None or leaf_hash(content) != leaf
                ]
                yield (
                    [(sequence, leaf) for sequence, leaf, _content in batch],
                    self._again(wrong) if wrong else [],
                )

    def _again(self, sequences: list[int]) -> list[Sealed]:
        return [Sealed(*row) for row in self._columns().filter(sequence__in=sequences)]

    def _unlike(self, batch: list[Sealed]) -> Iterator[str]:
        rows = _read(batch)
        if any(
            (one.content is None or (one.model, one.row) not in rows) and one.sequence not in self._purged
            for one in batch
        ):
            self._read_purges()  # one may have been carried out since, and its row came in before
            batch = self._again([one.sequence for one in batch])
            rows = _read(batch)
        for entry in batch:
            row = rows.get((entry.model, entry.row))
            if (purge := self._purged.get(entry.sequence)) is not None:
                if entry.content is not None or row is not None:
                    yield _words(entry) + _("purged under order %s, and it is there.") % purge.order
                continue
            leaf, wrong = _leaf(entry)
            if leaf is None:
                yield _words(entry) + wrong
                continue
            fields = leaf["fields"]
            source = by_name().get(entry.model)
            if source is None:
                self.unknown += 1
                continue
            if fields != row and (wrong := _unlike_row(fields, row)):
                yield _words(entry, source, fields) + wrong
            after = self._added.after(entry.sequence)
            if after and entry.sequence >= self.late_until and str(fields.get(source.dated)) < after:
                late = _("added later than %(at)s, long after its own date.") % {"at": after}
                yield _words(entry, source, fields) + late

    def _unsealed(self) -> Iterator[str]:
        """Rows without an entry: what was written just now waits, what is older should have been sealed."""
        entries = SealEntry.objects.all()
        asked = [
            unsealed(source, entries)
            .order_by()
            .annotate(seal_of=Value(source.name, output_field=CharField()), seal_dated=F(source.dated))
            .values_list("seal_of", "pk", "seal_dated")
            for source in sources()
        ]
        late: dict[str, int] = {}
        for name, row, dated in asked[0].union(*asked[1:], all=True).iterator():
            self.waiting += 1
            if dated < self.at - LATE:
                late[name] = min(row, late.get(name, row))
        for name, row in late.items():
            yield _("%(model)s %(row)d has no entry, though it is dated more than two hours ago.") % {
                "model": name,
                "row": row,
            }


class Added:
    """After which instant an entry was surely added: when a head was signed that has not got it yet, less `LATE`. Where
    a later head has an earlier instant, a clock was ahead, and the earlier one counts."""

    def __init__(self, rows: Sequence[SealHead]) -> None:
        self.sizes = [row.size for row in rows]
        soonest = accumulate((row.at for row in reversed(rows)), min)
        self.instants = [instant(at - LATE) for at in soonest][::-1]

    def after(self, sequence: int) -> str | None:
        """As RFC 3339, in UTC; None before the first head."""
        heads_before = bisect_right(self.sizes, sequence)
        return self.instants[heads_before - 1] if heads_before else None


def _read(batch: list[Sealed]) -> dict[tuple[str, int], Fields]:
    """The rows that the entries stand for, those that are there: one statement per source."""
    found: dict[tuple[str, int], Fields] = {}
    pairs = sorted({(entry.model, entry.row) for entry in batch})
    for name, group in groupby(pairs, key=lambda pair: pair[0]):
        source = by_name().get(name)
        if source is not None:
            rows = source.read(row for _name, row in group)
            found |= {(name, row): fields for row, fields in rows.items()}
    return found


def _leaf(entry: Sealed) -> tuple[dict[str, Any] | None, str]:
    """What the entry's bytes say, or why they are none."""
    if entry.content is None:
        return None, _("its bytes are gone.")
    content = bytes(entry.content)
    if leaf_hash(content) != bytes(entry.leaf_hash):
        return None, _("its bytes are not those that were sealed.")
    try:
        leaf = json.loads(content.decode())
        if (leaf["sequence"], leaf["model"], leaf["row"]) == (entry.sequence, entry.model, entry.row):
            return {"fields": dict(leaf["fields"])}, ""
        return None, _("sealed as entry %(sequence)s (%(model)s %(row)s).") % leaf
    except (ValueError, KeyError, TypeError):
        return None, _("its bytes are no entry's.")


def unlike_its_seal(sealed: SealedBytes, row: Fields | None) -> str:
    """What does not fit of one entry with its bytes and the row that it stands for; "" where all does."""
    entry = sealed.entry
    leaf, wrong = _leaf(
        Sealed(entry.sequence, entry.model, entry.row, bytes(entry.leaf_hash), bytes(sealed.content))
    )
    return wrong if leaf is None else _unlike_row(leaf["fields"], row)


def _words(entry: Sealed, source: Source | None = None, fields: Fields | None = None) -> str:
    """Which entry, and what it was, as a finding begins. Said of what does not fit alone: there may be millions."""
    words = _("Entry %(sequence)d (%(model)s %(row)d)") % {
        "sequence": entry.sequence,
        "model": entry.model,
        "row": entry.row,
    }
    if source is not None and fields is not None:
        who = next((fields[name] for name in WHO if name in fields), "")
        words += _(" of %(at)s by %(who)s") % {"at": fields.get(source.dated), "who": who} if who else ""
    return f"{words}: "


def _unlike_row(sealed: Fields, row: Fields | None) -> str:
    """How the row differs from what was sealed, over the fields that the bytes name and the table still has."""
    if row is None:
        return _("the row is gone, or cannot be read.")
    other = [name for name, value in sealed.items() if name in row and row[name] != value]
    if not other:
        return ""
    return ngettext("the row's field %s was changed.", "the row's fields %s were changed.", len(other)) % (
        ", ".join(other)
    )
