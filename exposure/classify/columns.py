"""Many cases at once: the diagram as numpy tables, one gather per block of facts.

A block is a few neighbouring levels of the diagram. Its table has a row per node that can be reached before it
and a column per combination of answers, unknown among them, and holds the node reached after it; the last
table holds the tier's position. Cases are worked in slices that stay in the processor's cache.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from exposure.classify.diagram import UNKNOWN, Diagram, TooIntricate
from exposure.classify.document import CriteriaError, nearest
from exposure.classify.table import Fact

SLICE = 1 << 16  # cases worked at a time
MOST_CELLS = 1 << 21  # of one block's table

Column = Sequence[object] | NDArray[np.uint8]
Bytes = NDArray[np.uint8]
Whole = NDArray[np.unsignedinteger]
Positions = NDArray[np.int16]


@dataclass(frozen=True)
class Block:
    """The facts of some neighbouring levels. A cell of the flat tables is the row of a node times `columns` plus
    the combination of answers; it holds the row of the next block, after the last block the tier's position."""

    names: tuple[str, ...]
    radices: tuple[int, ...]
    columns: int
    floor: Whole
    ceiling: Whole


class Columns:
    """Answers of many cases to floors and ceilings as tier positions.

    A diagram too large to be closed under unknown answers is walked once for each case that differs.
    """

    def __init__(self, diagram: Diagram, facts: Sequence[Fact]) -> None:
        self.diagram, self.facts = diagram, {fact.name: fact for fact in facts}
        self.order = [facts[place].name for place in diagram.order]
        try:
            self.blocks = blocks(diagram, self.order)
        except TooIntricate:
            self.blocks = []

    def bounds(self, columns: Mapping[str, Column]) -> tuple[Positions, Positions]:
        """Per case, both read-only; the number of tiers where no completion is left. Raises CriteriaError with
        the row for a column that cannot be read."""
        read = {name: self._read(name, column) for name, column in columns.items()}
        count = max(map(len, read.values()), default=0)
        for name, column in read.items():
            if len(column) != count:
                raise CriteriaError(f"has {len(column)} rows where another has {count}", path=name)
        known = all(
            name in read and read[name].max(initial=0) < fact.size for name, fact in self.facts.items()
        )
        floors = np.empty(count, np.int16)
        ceilings = floors if known else np.empty(count, np.int16)
        for start in range(0, count, SLICE):
            part = slice(start, start + SLICE)
            given = {name: column[part] for name, column in read.items()}
            if self.blocks:
                self._walk(given, floors[part], ceilings[part], known)
            else:
                self._search(given, floors[part], ceilings[part])
        floors.flags.writeable = ceilings.flags.writeable = False
        return floors, ceilings

    def answers(self, columns: Mapping[str, Column], row: int) -> dict[str, object]:
        """The known answers of one case, as `classify` takes them."""
        read = {name: int(self._read(name, column)[row]) for name, column in columns.items()}
        return {name: self.facts[name].value(at) for name, at in read.items() if at < self.facts[name].size}

    def _walk(self, given: Mapping[str, Bytes], floors: Positions, ceilings: Positions, known: bool) -> None:
        """Fill in the bounds, which are the same where all answers are known."""
        low = high = np.zeros(1, np.uint32)
        for block in self.blocks:
            cell = combined([given.get(name) for name in block.names], block.radices)
            # Always inside the table; "clip" only spares a second look.
            low = block.floor.take(low * np.uint32(block.columns) + cell, mode="clip")
            if not known:
                high = block.ceiling.take(high * np.uint32(block.columns) + cell, mode="clip")
        floors[:] = low
        if not known:
            ceilings[:] = high

    def _search(self, given: Mapping[str, Bytes], floors: Positions, ceilings: Positions) -> None:
        """The same by a walk over the diagram for each case that differs."""
        facts = [self.facts[name] for name in self.order]
        digits = [given.get(fact.name, np.full(len(floors), fact.size, np.uint8)) for fact in facts]
        cases, which = np.unique(np.stack(digits, axis=1), axis=0, return_inverse=True)
        found = np.empty((len(cases), 2), np.int16)
        for at, case in enumerate(cases.tolist()):
            allowed = [
                range(fact.size) if position == fact.size else [position]
                for fact, position in zip(facts, case, strict=True)
            ]
            ranks = self.diagram.bounds(allowed) or (self.diagram.impossible, self.diagram.impossible)
            found[at] = [self.diagram.tier(rank) for rank in ranks]
        floors[:], ceilings[:] = found[which.ravel()].T

    def _read(self, name: str, column: Column) -> Bytes:
        """A byte per case: the position of the answer, or for unknown the number of answers."""
        if name not in self.facts:
            raise CriteriaError(
                f"unknown fact {str(name)[:40]!r}{nearest(str(name), self.facts)}", path=str(name)
            )
        fact = self.facts[name]
        if not (isinstance(column, np.ndarray) and column.dtype == np.uint8):
            column = np.fromiter(self._positions(fact, column), np.uint8, len(column))
        if column.max(initial=0) < fact.size:
            return column
        after = column + np.uint8(1)  # unknown, 255, becomes 0
        if after.max() > fact.size:
            row = int((after > fact.size).argmax())
            raise CriteriaError(f"row {row}: {column[row]} is no position of an answer", path=name)
        return np.minimum(column, np.uint8(fact.size))

    def _positions(self, fact: Fact, column: Sequence[object]) -> Iterator[int]:
        known: dict[object, int] = {**fact.positions, None: UNKNOWN}
        for row, answer in enumerate(column):
            try:
                yield known[answer] if answer in known else fact.position(answer)
            except CriteriaError as error:
                raise CriteriaError(f"row {row}: {error.message}", path=fact.name) from None


def combined(columns: Sequence[Bytes | None], radices: Sequence[int]) -> Whole:
    """The columns as digits of one number per case, in the narrowest type that holds it; None is all unknown.

    Neighbours are joined first, since arithmetic on bytes is by far the fastest.
    """
    digits: list[tuple[Whole, int]] = [
        (np.array([radix - 1], np.uint8) if column is None else column, radix)
        for column, radix in zip(columns, radices, strict=True)
    ]
    while len(digits) > 1:
        paired = [joined(*pair) for pair in zip(digits[::2], digits[1::2], strict=False)]
        digits = paired + digits[len(paired) * 2 :]
    return digits[0][0]


def joined(high: tuple[Whole, int], low: tuple[Whole, int]) -> tuple[Whole, int]:
    """Two digits and their radices as one."""
    radix = high[1] * low[1]
    kind = np.min_scalar_type(radix - 1)
    return np.multiply(high[0], kind.type(low[1]), dtype=kind) + low[0], radix


def blocks(diagram: Diagram, names: Sequence[str]) -> list[Block]:
    """Both closures of the diagram, cut at the same levels into tables of at most MOST_CELLS."""
    (lows, floors), (highs, ceilings) = closed(diagram, min), closed(diagram, max)
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
        columns = low.shape[1]
        if end == len(lows):
            low, high = tier[floors][low], tier[ceilings][high]
        radices = tuple(size + 1 for size in diagram.sizes[start:end])
        cut.append(Block(tuple(names[start:end]), radices, columns, narrow(low), narrow(high)))
        start = end
    return cut


def narrow(table: Whole) -> Whole:
    return table.ravel().astype(np.min_scalar_type(int(table.max())))


def closed(diagram: Diagram, pick: Callable[..., int]) -> tuple[list[Whole], Whole]:
    """The diagram closed under unknown answers (`pick` is min for floors, max for ceilings): per level a row per
    node and a column per answer, unknown last, holding rows of the next level; and the rank of each row after the
    last level."""
    nodes = [diagram.root]
    levels: list[Whole] = []
    for level, size in enumerate(diagram.sizes):
        after: dict[int, int] = {}
        rows = []
        for node in nodes:
            children = [diagram.child(node, level, position) for position in range(size)]
            children.append(diagram.unknown(pick, node, level))
            rows.append([after.setdefault(child, len(after)) for child in children])
        levels.append(np.array(rows, np.uint32))
        nodes = list(after)
    return levels, np.array(nodes, np.uint32)
