"""Many cases at once: the diagram as numpy tables, one gather per block of facts.

A block is a few neighbouring levels of the diagram. Its table has a row per node that can be reached before it
and a column per combination of answers, unknown among them, and holds the node reached after it; the last
table holds the tier's position. Cases are worked in slices that stay in the processor's cache.
"""

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.typing import NDArray

from exposure.classify.closure import Closure
from exposure.classify.diagram import UNKNOWN, Diagram
from exposure.classify.document import CriteriaError, nearest
from exposure.classify.frozen import Frozen
from exposure.classify.table import Fact

SLICE = 1 << 16  # cases worked at a time
MOST_CELLS = 1 << 18  # of one block's table; the tables of a block stay in the cache as well

Column = Sequence[object] | NDArray[np.uint8]
Bytes = NDArray[np.uint8]
Whole = NDArray[np.unsignedinteger]
Positions = NDArray[np.int16]
Digits = Mapping[str, Bytes]


@dataclass(frozen=True, slots=True)
class Block:
    """The facts of some neighbouring levels. A cell of the flat tables is the row of a node times `columns` plus
    the combination of answers; it holds the row of the next block, after the last block the tier's position."""

    names: tuple[str, ...]
    radices: tuple[int, ...]
    columns: int
    floor: Whole
    ceiling: Whole

    def cell(self, digits: Digits) -> Whole:
        """The combination of answers per case, in the narrowest type that holds it.

        Neighbours are joined first, since arithmetic on bytes is by far the fastest.
        """
        none = np.zeros(1, np.uint8)
        parts: list[tuple[Whole, int]] = [
            (digits.get(name, none), radix) for name, radix in zip(self.names, self.radices, strict=True)
        ]
        while len(parts) > 1:
            joined = [join(*pair) for pair in zip(parts[::2], parts[1::2], strict=False)]
            parts = joined + parts[len(joined) * 2 :]
        return parts[0][0]

    def first(self, full: Container[str]) -> int:
        """The cell that all are counted from: columns in `full` hold positions as they are, one less than digits."""
        return sum(prod(self.radices[at + 1 :]) for at, name in enumerate(self.names) if name in full)


@dataclass(frozen=True, slots=True)
class Columns:
    """Answers of many cases to floors and ceilings as tier positions.

    A diagram too large to be closed under unknown answers has no blocks: it is walked once for each case that differs.
    """

    diagram: Diagram
    root: int
    facts: Mapping[str, Fact]
    order: tuple[str, ...]
    blocks: tuple[Block, ...]

    def bounds(self, columns: Mapping[str, Column]) -> tuple[Positions, Positions]:
        """Per case, both read-only; the number of tiers where no completion is left. Raises CriteriaError with
        the row for a column that cannot be read."""
        read = {name: self._read(name, column) for name, column in columns.items()}
        count = max(map(len, read.values()), default=0)
        for name, column in read.items():
            if len(column) != count:
                raise CriteriaError(f"has {len(column)} rows where another has {count}", path=name)
        full = {name for name, column in read.items() if column.max(initial=0) < self.facts[name].size}
        known = len(full) == len(self.facts)
        floors = np.empty(count, np.int16)
        ceilings = floors if known else np.empty(count, np.int16)
        for start in range(0, count, SLICE):
            part = slice(start, start + SLICE)
            digits = {
                name: column[part] if name in full else self._digits(name, column[part], start)
                for name, column in read.items()
            }
            if self.blocks:
                self._walk(digits, full, floors[part], ceilings[part], known)
            else:
                self._search(digits, full, floors[part], ceilings[part])
        floors.flags.writeable = ceilings.flags.writeable = False
        return floors, ceilings

    def answers(self, columns: Mapping[str, Column], row: int) -> dict[str, object]:
        """The known answers of one case, as `classify` takes them."""
        read = {name: int(self._read(name, column[row : row + 1])[0]) for name, column in columns.items()}
        return {name: self.facts[name].value(at) for name, at in read.items() if at != UNKNOWN}

    def _walk(
        self, digits: Digits, full: Container[str], floors: Positions, ceilings: Positions, known: bool
    ) -> None:
        """Fill in the bounds, which are the same where all answers are known."""
        low = high = np.zeros(1, np.uint32)
        for block in self.blocks:
            cell, columns = block.cell(digits), np.uint32(block.columns)
            first = block.first(full)
            # Always inside the table; "clip" only spares a second look.
            low = block.floor[first:].take(low * columns + cell, mode="clip")
            if not known:
                high = block.ceiling[first:].take(high * columns + cell, mode="clip")
        floors[:] = low
        if not known:
            ceilings[:] = high

    def _search(self, digits: Digits, full: Container[str], floors: Positions, ceilings: Positions) -> None:
        """The same by a walk over the diagram for each case that differs."""
        rows = [
            digits.get(name, np.zeros(len(floors), np.uint8)) + np.uint8(name in full) for name in self.order
        ]
        cases, which = np.unique(np.stack(rows, axis=1), axis=0, return_inverse=True)
        found = np.empty((len(cases), 2), np.int16)
        for at, case in enumerate(cases.tolist()):
            allowed = [
                [digit - 1] if digit else range(size)
                for digit, size in zip(case, self.diagram.sizes, strict=True)
            ]
            ranks = self.diagram.bounds(self.root, allowed) or (
                self.diagram.impossible,
                self.diagram.impossible,
            )
            found[at] = [self.diagram.tier(rank) for rank in ranks]
        floors[:], ceilings[:] = found[which.ravel()].T

    def _read(self, name: str, column: Column) -> Bytes:
        """A byte per case: the position of the answer, 255 for unknown."""
        if name not in self.facts:
            raise CriteriaError(
                f"unknown fact {str(name)[:40]!r}{nearest(str(name), self.facts)}", path=str(name)
            )
        if isinstance(column, np.ndarray) and column.dtype == np.uint8:
            return column
        return np.fromiter(self._positions(self.facts[name], column), np.uint8, len(column))

    def _digits(self, name: str, column: Bytes, start: int) -> Bytes:
        """A byte per case: 0 for unknown, else the position plus one. Refuses what is no position of an answer."""
        digits = column + np.uint8(1)
        if digits.max() > self.facts[name].size:
            at = int((digits > self.facts[name].size).argmax())
            raise CriteriaError(f"row {start + at}: {column[at]} is no position of an answer", path=name)
        return digits

    def _positions(self, fact: Fact, column: Column) -> Iterator[int]:
        for row, answer in enumerate(column):
            try:
                yield UNKNOWN if answer is None else fact.position(answer)
            except CriteriaError as error:
                raise CriteriaError(f"row {row}: {error.message}", path=fact.name) from None


def join(high: tuple[Whole, int], low: tuple[Whole, int]) -> tuple[Whole, int]:
    """Two digits and their radices as one."""
    radix = high[1] * low[1]
    kind = np.min_scalar_type(radix - 1)
    return np.multiply(high[0], kind.type(low[1]), dtype=kind) + low[0], radix


def columns(
    facts: Sequence[Fact], diagram: Diagram, root: int, closed: tuple[Closure, Closure] | None
) -> Columns:
    """What classifies many cases, with tables where the diagram could be closed."""
    order = tuple(facts[place].name for place in diagram.order)
    blocks = _blocks(diagram, order, *closed) if closed else ()
    return Columns(diagram, root, Frozen({fact.name: fact for fact in facts}), order, blocks)


def _blocks(diagram: Diagram, names: Sequence[str], floors: Closure, ceilings: Closure) -> tuple[Block, ...]:
    """Both closures of the diagram, cut at the same levels into tables of at most MOST_CELLS."""
    lows, highs = ([np.array(rows, np.uint32) for rows in closure.levels] for closure in (floors, ceilings))
    tier = np.array([diagram.tier(rank) for rank in range(diagram.impossible + 1)], np.uint32)
    cut: list[Block] = []
    start = 0
    while start < len(lows):
        low, high, end = lows[start], highs[start], start + 1
        while end < len(lows) and max(low.size, high.size) * lows[end].shape[1] <= MOST_CELLS:
            low, high = (
                levels[end][table].reshape(len(table), -1) for levels, table in ((lows, low), (highs, high))
            )
            end += 1
        width = low.shape[1]
        if end == len(lows):
            low, high = tier[np.array(floors.ranks)][low], tier[np.array(ceilings.ranks)][high]
        radices = tuple(size + 1 for size in diagram.sizes[start:end])
        cut.append(Block(tuple(names[start:end]), radices, width, narrow(low), narrow(high)))
        start = end
    return tuple(cut)


def narrow(table: Whole) -> Whole:
    """Flat, in the narrowest type that holds it, and read-only."""
    flat = table.ravel().astype(np.min_scalar_type(int(table.max())))
    flat.flags.writeable = False
    return flat
