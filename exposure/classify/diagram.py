"""A decision table as a decision diagram: reduced, hash-consed, exact, and small where enumeration is hopeless.

A node asks one fact and has one child per answer; equal functions are one node, so questions about all answer
sets become walks over nodes. A leaf's number is its *rank*: a tier's position, then `uncovered` (no rule holds
and there is no `otherwise`; it counts as the highest tier), then `impossible` (no completion at all). Ranks only
grow as more rules hold, the highest wins, and an impossible combination is a rule that beats every tier.

After Bryant, "Graph-based algorithms for Boolean function manipulation", IEEE Transactions on Computers C-35(8),
1986, with many-valued nodes and many-valued leaves.
"""

from collections.abc import Callable, Iterable, Sequence
from itertools import combinations

from exposure.classify.document import CriteriaError
from exposure.classify.table import Sets, Table

UNKNOWN = 255  # the position of an answer that is not known
MOST_WORK = 600_000  # states kept; some seconds, a few hundred megabytes
MOST_MERGES = 1_500_000  # pairs of nodes merged
Allowed = Sequence[Sequence[int]]  # per level the positions to consider
Step = tuple[int, int]  # (level, position of the answer taken there)


class TooIntricate(CriteriaError):
    """The rules are too entangled to decide exactly within bounded time and memory."""

    def __init__(self) -> None:
        super().__init__(
            "the rules are too entangled to decide exactly; name fewer facts in each, or split the file"
        )


class Diagram:
    """The diagram of `rules`, each a rank and its answer sets, over facts of the given sizes.

    `order[level]` is the place of the fact asked at that level; node numbers up to `impossible` are leaves.
    A child always has a smaller number than its parents.
    """

    def __init__(
        self,
        sizes: Sequence[int],
        rules: Sequence[tuple[int, Sets]],
        *,
        base: int,
        impossible: int,
        order: Sequence[int] | None = None,
    ) -> None:
        self.order = list(order if order is not None else ordered(len(sizes), [sets for _, sets in rules]))
        self.sizes = [sizes[place] for place in self.order]
        self.impossible, self.highest = impossible, impossible - 2
        leaves = range(impossible + 1)
        self.level = [len(self.sizes)] * len(leaves)
        self.children: list[tuple[int, ...]] = [()] * len(leaves)
        self.low, self.high = list(leaves), list(leaves)  # least and greatest rank below a node
        self._unique: dict[tuple[int, tuple[int, ...]], int] = {}
        self._merged: dict[tuple[Callable[..., int], int, int], int] = {}
        self._any: dict[tuple[Callable[..., int], int], int] = {}
        self.root = self.grow(rules, base)

    @classmethod
    def of(cls, table: Table) -> "Diagram":
        return cls(
            [fact.size for fact in table.facts], table.ranked, base=table.base, impossible=table.no_completion
        )

    def grow(self, rules: Sequence[tuple[int, Sets]], base: int) -> int:
        """The node of these rules, from the top down.

        A state is the set of rules that may still hold and the highest rank of those that do; two answers that
        leave the same state lead to the same node.
        """
        ranked = sorted(rules)
        ranks = [rank for rank, _ in ranked]
        above = [
            sum(1 << bit for bit, rank in enumerate(ranks) if rank > best)
            for best in range(-1, self.impossible + 1)
        ]
        levels = {place: level for level, place in enumerate(self.order)}
        keep = [[(1 << len(ranked)) - 1] * size for size in self.sizes]  # rules that an answer leaves alive
        ends = [0] * (len(self.sizes) + 1)  # rules whose last fact is the one before this level
        for bit, (_, sets) in enumerate(ranked):
            ends[max((levels[place] + 1 for place, _ in sets), default=0)] |= 1 << bit
            for place, answers in sets:
                level = levels[place]
                for position in range(self.sizes[level]):
                    if not answers >> position & 1:
                        keep[level][position] &= ~(1 << bit)
        made: dict[tuple[int, int, int], int] = {}

        def grow(level: int, live: int, best: int) -> int:
            if ended := live & ends[level]:
                best = max(best, ranks[ended.bit_length() - 1])
                live &= ~ended & above[best + 1]
            if not live:
                return base if best < 0 else best
            state = (level, live, best)
            if state not in made:
                if len(made) > MOST_WORK:
                    raise TooIntricate
                children = [grow(level + 1, live & kept, best) for kept in keep[level]]
                made[state] = self.node(level, tuple(children))
            return made[state]

        return grow(0, (1 << len(ranked)) - 1, -1)

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

    def child(self, node: int, level: int, position: int) -> int:
        """The node after an answer; the same node where it does not ask this level's fact."""
        return self.children[node][position] if self.level[node] == level else node

    def unknown(self, pick: Callable[..., int], node: int, level: int) -> int:
        """The node after an answer that stays unknown: at every completion the least (`pick` is min) or the
        greatest (max) rank that any answer gives."""
        if self.level[node] != level:
            return node
        key = (pick, node)
        if key not in self._any:
            first, *others = dict.fromkeys(self.children[node])
            for other in others:
                first = self._merge(pick, first, other)
            self._any[key] = first
        return self._any[key]

    def _merge(self, pick: Callable[..., int], one: int, other: int) -> int:
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
            if len(self._merged) > MOST_MERGES:
                raise TooIntricate
            level = min(self.level[one], self.level[other])
            children = [
                self._merge(pick, self.child(one, level, position), self.child(other, level, position))
                for position in range(self.sizes[level])
            ]
            self._merged[key] = self.node(level, tuple(children))
        return self._merged[key]

    def tier(self, rank: int) -> int:
        """The tier's position that a rank counts as; the number of tiers for `impossible`."""
        return self.highest + 1 if rank == self.impossible else min(rank, self.highest)

    def allowed(self, sets: Iterable[tuple[int, int]]) -> Allowed:
        """Per level the positions inside these answer sets (by place); all where a fact is not named."""
        named = dict(sets)
        return [
            [position for position in range(size) if named.get(place, -1) >> position & 1]
            for place, size in zip(self.order, self.sizes, strict=True)
        ]

    def bounds(self, allowed: Allowed) -> tuple[int, int] | None:
        """Least and greatest rank over the completions inside `allowed`; None if there is none."""
        found: dict[int, tuple[int, int] | None] = {rank: (rank, rank) for rank in range(self.impossible)}
        found[self.impossible] = None

        def visit(node: int) -> tuple[int, int] | None:
            if node not in found:
                children = {self.children[node][position] for position in allowed[self.level[node]]}
                pairs = [pair for pair in map(visit, children) if pair]
                lows, highs = zip(*pairs, strict=True) if pairs else ((), ())
                found[node] = (min(lows), max(highs)) if pairs else None
            return found[node]

        return visit(self.root)

    def contrast(
        self,
        place: int,
        allowed: Allowed,
        differ: Callable[[int, int], bool],
        same: set[tuple[int, int]],
    ) -> tuple[dict[int, int], dict[int, int]] | None:
        """Two completions inside `allowed` that differ in one fact alone, the earlier answer first, whose tiers
        `differ`; None if there are none. `same` keeps the pairs of nodes below which none do: share it between calls
        with the same `allowed` and `differ`."""
        asked = self.order.index(place)
        passed: set[int] = set()

        def below(one: int, other: int) -> list[Step] | None:
            if one == other or self.impossible in (one, other) or (one, other) in same:
                return None
            level = min(self.level[one], self.level[other])
            if level == len(self.sizes):
                return [] if differ(min(one, self.highest), min(other, self.highest)) else None
            for position in allowed[level]:
                rest = below(self.child(one, level, position), self.child(other, level, position))
                if rest is not None:
                    return [(level, position), *rest]
            same.add((one, other))
            return None

        def above(node: int) -> tuple[list[Step], list[Step]] | None:
            level = self.level[node]
            if level > asked or node in passed:
                return None
            passed.add(node)
            if level == asked:
                for earlier, later in combinations(allowed[level], 2):
                    rest = below(self.children[node][earlier], self.children[node][later])
                    if rest is not None:
                        return [(level, earlier), *rest], [(level, later), *rest]
                return None
            for position in allowed[level]:
                if found := above(self.children[node][position]):
                    return [(level, position), *found[0]], [(level, position), *found[1]]
            return None

        found = above(self.root)
        return found and (self._completion(found[0], allowed), self._completion(found[1], allowed))

    def _completion(self, steps: list[Step], allowed: Allowed) -> dict[int, int]:
        """The steps as place -> position; a fact that was not asked takes its first allowed answer."""
        taken = dict(steps)
        return {place: taken.get(level, allowed[level][0]) for level, place in enumerate(self.order)}


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
