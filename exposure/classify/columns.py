"""Many cases at once: the walk of `exposure.classify.walk` as numpy tables, one gather per block of facts.

A block is a few neighbouring levels of the diagram. Its table has one row per node that can be reached before
it and one column per combination of answers (unknown among them), and holds the node reached after it; the last
table holds the rank. Cases are worked in slices that stay in the processor's cache.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.typing import NDArray

from exposure.classify.diagram import Diagram
from exposure.classify.document import CriteriaError, nearest
from exposure.classify.table import Fact

SLICE = 1 << 14  # cases worked at a time
MOST_COLUMNS = 1 << 12  # combinations of answers in one block
MOST_CELLS = 1 << 21  # of one table

Bytes = NDArray[np.uint8]
Column = Sequence[object] | NDArray[np.uint8]


@dataclass(frozen=True)
class Block:
    """`levels` start to end; `table` is flat: node times `columns` plus the combination of answers."""

    start: int
    end: int
    columns: int
    table: NDArray[np.uint16 | np.uint32]


class Columns:
    """Answers of many cases -> ranks of floor and ceiling."""

    def __init__(self, diagram: Diagram, facts: Sequence[Fact]) -> None:
        self.diagram, self.facts = diagram, facts
        self.floor, self.ceiling = self._blocks(min), self._blocks(max)

    def ranks(self, columns: Mapping[str, Column]) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
        """Ranks of floor and ceiling per case. Raises CriteriaError for a column that cannot be read."""
        count, answers = self._read(columns)
        floors, ceilings = np.empty(count, np.int16), np.empty(count, np.int16)
        for start in range(0, count, SLICE):
            part = slice(start, min(start + SLICE, count))
            given = [None if column is None else column[part] for column in answers]
            floors[part] = walk(self.floor, given, part.stop - start, self.diagram.sizes)
            known = all(column is not None and column.min(initial=1) > 0 for column in given)
            ceilings[part] = floors[part] if known else walk(self.ceiling, given, part.stop - start, self.diagram.sizes)
        return floors, ceilings
