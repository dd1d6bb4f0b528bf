"""A decision table as a decision diagram: reduced, exact, small where enumeration is hopeless, and frozen.

A node asks one fact and has one child per answer; equal functions are one node, so questions about all answer
sets become walks over nodes. A leaf's number is its *rank*: a tier's position, then `uncovered` (no rule holds
and there is no `otherwise`; it counts as the highest tier), then `impossible` (no completion at all). Ranks only
grow as more rules hold, the highest wins, and an impossible combination is a rule that beats every tier.

`exposure.classify.builder` makes diagrams; any number of threads may read one.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from exposure.classify.budget import Budget

UNKNOWN = 255  # the position of an answer that is not known
Allowed = Sequence[Sequence[int]]  # per level the positions to consider
Step = tuple[int, int]  # (level, position of the answer taken there)
Range = tuple[int, int]  # least and greatest rank


@dataclass(frozen=True, slots=True)
class Diagram:
    """`order[level]` is the place of the fact asked at that level and `sizes[level]` the number of its answers. Node
    numbers up to `impossible` are leaves; `level` and `children` are per node, and a child always has a smaller number
    than its parents."""

    order: tuple[int, ...]
    sizes: tuple[int, ...]
    level: tuple[int, ...]
    children: tuple[tuple[int, ...], ...]
    impossible: int

    @property
    def highest(self) -> int:
        """The position of the highest tier."""
        return self.impossible - 2

    def child(self, node: int, level: int, position: int) -> int:
        """The node after an answer; the same node where it does not ask this level's fact."""
        return self.children[node][position] if self.level[node] == level else node

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

    def bounds(self, root: int, allowed: Allowed) -> Range | None:
        """Least and greatest rank over the completions inside `allowed`; None if there is none."""
        return self._below(root, allowed)[root]

    def _below(self, root: int, allowed: Allowed) -> dict[int, Range | None]:
        """The bounds below every node that can be reached, leaves too."""
        found: dict[int, Range | None] = {rank: (rank, rank) for rank in range(self.impossible)}
        found[self.impossible] = None

        def visit(node: int) -> Range | None:
            if node not in found:
                children = {self.children[node][position] for position in allowed[self.level[node]]}
                found[node] = _joined(map(visit, children))
            return found[node]

        visit(root)
        return found

    def after(self, root: int, allowed: Allowed) -> list[dict[int, Range]]:
        """Per level the bounds that each allowed answer there leaves, without those that leave no completion. One
        walk for all: an edge that passes a level leaves the same to each of its answers."""
        below = self._below(root, allowed)
        asked: list[dict[int, set[Range | None]]] = [{} for _ in self.sizes]
        passed: list[set[Range | None]] = [set() for _ in self.sizes]
        edges = {(-1, root)}
        for node in below:
            if node > self.impossible:
                level = self.level[node]
                for position in allowed[level]:
                    child = self.children[node][position]
                    asked[level].setdefault(position, set()).add(below[child])
                    edges.add((level, child))
        for level, child in edges:
            for between in range(level + 1, self.level[child]):
                passed[between].add(below[child])
        left = []
        for level, positions in enumerate(allowed):
            joined = {at: _joined(asked[level].get(at, set()) | passed[level]) for at in positions}
            left.append({at: bounds for at, bounds in joined.items() if bounds})
        return left

    def contrast(
        self,
        root: int,
        place: int,
        allowed: Allowed,
        differ: Callable[[int, int], bool],
        same: set[tuple[int, int]],
        budget: Budget,
    ) -> tuple[dict[int, int], dict[int, int]] | None:
        """Two completions inside `allowed` that differ in one fact alone, the earlier answer first, whose tiers
        `differ`; None if there are none. `same` keeps the pairs of nodes below which none do: share it between calls
        with the same `allowed` and `differ`. Raises TooIntricate."""
        asked = self.order.index(place)
        passed: set[int] = set()

        def below(one: int, other: int) -> list[Step] | None:
            if one == other or self.impossible in (one, other) or (one, other) in same:
                return None
            budget.spend()
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
            budget.spend()
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

        found = above(root)
        return found and (self._completion(found[0], allowed), self._completion(found[1], allowed))

    def _completion(self, steps: list[Step], allowed: Allowed) -> dict[int, int]:
        """The steps as place -> position; a fact that was not asked takes its first allowed answer."""
        taken = dict(steps)
        return {place: taken.get(level, allowed[level][0]) for level, place in enumerate(self.order)}


def _joined(ranges: Iterable[Range | None]) -> Range | None:
    """The bounds over all of them; None where none has a completion."""
    pairs = [pair for pair in ranges if pair]
    return (min(low for low, _ in pairs), max(high for _, high in pairs)) if pairs else None
