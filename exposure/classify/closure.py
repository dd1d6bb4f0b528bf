"""A diagram closed under unknown answers: per level a row per node, and in it the row of the next level that each
answer leads to, unknown first."""

from collections.abc import Callable
from dataclasses import dataclass

from exposure.classify.budget import Budget
from exposure.classify.builder import Builder

MOST_MERGES = 500_000  # pairs of nodes merged: a few seconds, some hundred megabytes while it lasts


@dataclass(frozen=True, slots=True)
class Closure:
    """`levels[level][row][answer]`, where answer 0 is unknown and n is position n - 1; it begins at row 0. `ranks` are
    those of the rows after the last level."""

    levels: tuple[tuple[tuple[int, ...], ...], ...]
    ranks: tuple[int, ...]


def closures(builder: Builder, root: int) -> tuple[Closure, Closure]:
    """For floors and for ceilings. Raises TooIntricate; the builder grows by the nodes that are merged."""
    budget = Budget(MOST_MERGES)
    return _closed(builder, root, min, budget), _closed(builder, root, max, budget)


def _closed(builder: Builder, root: int, pick: Callable[..., int], budget: Budget) -> Closure:
    nodes = [root]
    levels = []
    for level in range(len(builder.sizes)):
        after: dict[int, int] = {}
        rows = []
        for node in nodes:
            children = builder.unknown(pick, node, level, budget), *builder.after(node, level)
            rows.append(tuple(after.setdefault(child, len(after)) for child in children))
        levels.append(tuple(rows))
        nodes = list(after)
    return Closure(tuple(levels), tuple(nodes))
