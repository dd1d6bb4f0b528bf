"""Builds diagrams: private to one piece of work in one thread, and what it gives away is frozen.

After Bryant, "Graph-based algorithms for Boolean function manipulation", IEEE Transactions on Computers C-35(8),
1986, with many-valued nodes and many-valued leaves.
"""

from collections.abc import Callable, Sequence

from exposure.classify.budget import Budget
from exposure.classify.diagram import Diagram
from exposure.classify.table import Sets, Table

MOST_STATES = 200_000  # of one diagram: a few seconds, some tens of megabytes
Rules = Sequence[tuple[int, Sets]]


class Builder:
    """Nodes over facts of the given sizes; equal functions are one node, and a child has a smaller number than its
    parents. `order[level]` is the place of the fact asked at that level; node numbers up to `impossible` are leaves."""

    def __init__(
        self, sizes: Sequence[int], order: Sequence[int], *, impossible: int, budget: Budget | None = None
    ) -> None:
        self.order = tuple(order)
        self.sizes = tuple(sizes[place] for place in self.order)
        self.impossible = impossible
        self.budget = budget or Budget(MOST_STATES)
        leaves = range(impossible + 1)
        self.level = [len(self.sizes)] * len(leaves)
        self.children: list[tuple[int, ...]] = [()] * len(leaves)
        self.low, self.high = list(leaves), list(leaves)  # least and greatest rank below a node
        self._unique: dict[tuple[int, tuple[int, ...]], int] = {}
        self._merged: dict[tuple[Callable[..., int], int, int], int] = {}
        self._any: dict[tuple[Callable[..., int], int], int] = {}

    def diagram(self) -> Diagram:
        """What stands so far, frozen."""
        return Diagram(self.order, self.sizes, tuple(self.level), tuple(self.children), self.impossible)

    def grow(self, rules: Rules, base: int) -> int:
        """The node of these rules, from the top down; `base` is the rank where none holds. Raises TooIntricate.

        A state is the set of rules that may still hold and the highest rank of those that do; two answers that
        leave the same state lead to the same node.
        """
        ranked = sorted(rules)
        ranks = [rank for rank, _ in ranked]
        above = [
            sum(1 << bit for bit, rank in enumerate(ranks) if rank > best)
            for best in range(-1, self.impossible + 1)
        ]
        ends, keep = self._effects([sets for _, sets in ranked])
        made: dict[tuple[int, int, int], int] = {}

        def grow(level: int, live: int, best: int) -> int:
            if ended := live & ends[level]:
                best = max(best, ranks[ended.bit_length() - 1])
                live &= ~ended & above[best + 1]
            if not live:
                return base if best < 0 else best
            state = (level, live, best)
            if state not in made:
                self.budget.spend()
                children = [grow(level + 1, live & kept, best) for kept in keep[level]]
                made[state] = self.node(level, tuple(children))
            return made[state]

        return grow(0, (1 << len(ranked)) - 1, -1)

    def _effects(self, rules: Sequence[Sets]) -> tuple[list[int], list[list[int]]]:
        """As sets of rules, a bit each: per level those whose last fact is the one before it; per level and answer
        those that the answer leaves alive."""
        levels = {place: level for level, place in enumerate(self.order)}
        keep = [[(1 << len(rules)) - 1] * size for size in self.sizes]
        ends = [0] * (len(self.sizes) + 1)
        for bit, sets in enumerate(rules):
            ends[max((levels[place] + 1 for place, _ in sets), default=0)] |= 1 << bit
            for place, answers in sets:
                level = levels[place]
                for position in range(self.sizes[level]):
                    if not answers >> position & 1:
                        keep[level][position] &= ~(1 << bit)
        return ends, keep

    def node(self, level: int, children: tuple[int, ...]) -> int:
        """The one node with these children; no node at all where they are all the same."""
        if children.count(children[0]) == len(children):
            return children[0]
        key = (level, children)
        if key not in self._unique:
            self._unique[key] = len(self.children)
            self.level.append(level)
            self.children.append(children)
            self.low.append(min(self.low[child] for child in children))
            self.high.append(max(self.high[child] for child in children))
        return self._unique[key]

    def after(self, node: int, level: int) -> tuple[int, ...]:
        """The node after each answer; the same node where it does not ask this level's fact."""
        return self.children[node] if self.level[node] == level else (node,) * self.sizes[level]

    def unknown(self, pick: Callable[..., int], node: int, level: int, budget: Budget) -> int:
        """The node after an answer that stays unknown: at every completion the least (`pick` is min) or the
        greatest (max) rank that any answer gives. Raises TooIntricate once the budget of merges is spent."""
        if self.level[node] != level:
            return node
        key = (pick, node)
        if key not in self._any:
            first, *others = dict.fromkeys(self.children[node])
            for other in others:
                first = self._merge(pick, first, other, budget)
            self._any[key] = first
        return self._any[key]

    def _merge(self, pick: Callable[..., int], one: int, other: int, budget: Budget) -> int:
        """Rank by rank the pick of two nodes, where `impossible` gives way to anything."""
        if one == other or other == self.impossible:
            return one
        if one == self.impossible:
            return other
        if one > other:
            one, other = other, one
        for lesser, greater in ((one, other), (other, one)):
            if self.high[lesser] <= self.low[greater]:
                picked = lesser if pick is min else greater
                if self.high[picked] < self.impossible:
                    return picked
        key = (pick, one, other)
        if key not in self._merged:
            budget.spend()
            level = min(self.level[one], self.level[other])
            pairs = zip(self.after(one, level), self.after(other, level), strict=True)
            children = [self._merge(pick, first, second, budget) for first, second in pairs]
            self._merged[key] = self.node(level, tuple(children))
        return self._merged[key]


def start(table: Table) -> tuple[Builder, int]:
    """A builder with the diagram of a table, and its root. Raises TooIntricate."""
    sizes = [fact.size for fact in table.facts]
    builder = Builder(
        sizes, ordered(len(sizes), [sets for _, sets in table.ranked]), impossible=table.no_completion
    )
    return builder, builder.grow(table.ranked, table.base)


def ordered(count: int, rules: Sequence[Sets]) -> list[int]:
    """An order of the facts that keeps few rules half asked; ties go to the fact that more rules name."""
    named = [{place for place, _ in sets} for sets in rules]
    uses = [sum(place in rule for rule in named) for place in range(count)]
    order: list[int] = []
    while len(order) < count:
        asked = set(order)

        def half_asked(place: int, asked: set[int] = asked) -> int:
            after = asked | {place}
            return sum(not rule.isdisjoint(after) and not rule <= after for rule in named)

        left = (place for place in range(count) if place not in asked)
        order.append(min(left, key=lambda place: (half_asked(place), -uses[place], place)))
    return order
