"""Everything that classifying by one table needs, built before anybody shares it, and frozen."""

from dataclasses import dataclass

from exposure.classify.budget import TooIntricate
from exposure.classify.builder import start
from exposure.classify.closure import closures
from exposure.classify.columns import Columns, columns
from exposure.classify.diagram import Diagram
from exposure.classify.questions import Questions
from exposure.classify.table import Table
from exposure.classify.walk import Walk, walk

BYTES_PER_STEP = 400
BYTES_PER_NODE = 150  # of the diagram and of its closures


@dataclass(frozen=True, slots=True)
class Engine:
    diagram: Diagram
    root: int
    walk: Walk
    questions: Questions
    columns: Columns

    @property
    def weight(self) -> int:
        """About how many bytes it holds."""
        tables = sum(block.floor.nbytes + block.ceiling.nbytes for block in self.columns.blocks)
        nodes = len(self.diagram.children) + sum(
            len(rows) for one in self.walk.closed or () for rows in one.levels
        )
        return self.walk.steps * BYTES_PER_STEP + nodes * BYTES_PER_NODE + tables


def build(table: Table) -> Engine:
    """Raises TooIntricate for a table whose diagram is too large. One that is only too large to be closed under unknown
    answers is walked case by case, which is slower and gives the same."""
    builder, root = start(table)
    diagram = builder.diagram()
    try:
        closed = closures(builder, root)
    except TooIntricate:
        closed = None
    steps = walk(table, diagram, root, closed)
    return Engine(diagram, root, steps, Questions(steps), columns(table.facts, diagram, root, closed))
