"""What changes between two decision tables, counted exactly over every answer set that is possible in both."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import prod

from exposure.classify.budget import Budget
from exposure.classify.builder import Builder, ordered
from exposure.classify.diagram import Diagram
from exposure.classify.document import CriteriaError
from exposure.classify.frozen import Frozen
from exposure.classify.table import Fact, Sets, Table

MOST_PAIRS = 300_000  # pairs of nodes counted: some seconds


@dataclass(frozen=True)
class Change:
    """Answer sets whose tier `before` becomes `after`. `share` is their part of all that both tables allow.

    `witness` is one of them, every fact answered, also those that only one table knows; each table's `classify`
    takes the facts that it knows.
    """

    before: str
    after: str
    witness: Mapping[str, object]
    share: Fraction


@dataclass(frozen=True)
class Joint:
    """One fact of either table. Per joint answer: a value for `classify`, and its position in each table's fact
    (`places` are None where a table does not know the fact)."""

    name: str
    values: tuple[object, ...]
    places: tuple[int | None, int | None]
    positions: tuple[tuple[int, ...], tuple[int, ...]]


def compare(before: Table, after: Table) -> tuple[Change, ...]:
    """One change per pair of tiers that differs, lowest first. Raises CriteriaError where the tiers are not the
    same codes in the same order, or a fact of the same name cannot be answered the same way in both, and
    TooIntricate."""
    if before.codes != after.codes:
        raise CriteriaError(
            f"the tiers differ: {', '.join(before.codes)} here, {', '.join(after.codes)} there"
        )
    joint = _joint(before, after)
    rules = [_translated(table, side, joint) for side, table in enumerate((before, after))]
    order = ordered(len(joint), [sets for _, sets in rules[0] + rules[1]])
    sizes = [len(fact.values) for fact in joint]
    # Both diagrams live in one, so that nodes of either are comparable: first one root, then the other.
    builder = Builder(sizes, order, impossible=before.no_completion)
    roots = builder.grow(rules[0], before.base), builder.grow(rules[1], after.base)
    counts = Pairs(builder.diagram(), Budget(MOST_PAIRS))
    pairs = counts.of(*roots)
    total = sum(pairs.values())
    changes = []
    for pair in sorted(pair for pair in pairs if pair[0] != pair[1]):
        positions = counts.witness(roots, pair)
        witness = Frozen({fact.name: fact.values[positions[place]] for place, fact in enumerate(joint)})
        codes = before.codes[pair[0]], before.codes[pair[1]]
        changes.append(Change(*codes, witness, Fraction(pairs[pair], total)))
    return tuple(changes)


class Pairs:
    """How many answer sets give each pair of tiers, below a pair of nodes of one diagram."""

    def __init__(self, diagram: Diagram, budget: Budget) -> None:
        self.diagram, self.budget = diagram, budget
        self._counted: dict[tuple[int, int], Counter[tuple[int, int]]] = {}

    def of(self, one: int, other: int) -> Counter[tuple[int, int]]:
        """Pair of tiers -> number of answer sets over the facts of all levels."""
        return self._below(one, other, 0)

    def _below(self, one: int, other: int, level: int) -> Counter[tuple[int, int]]:
        """The same over the facts from `level` on; those that neither node asks multiply the count."""
        asked = self._level(one, other)
        skipped = prod(self.diagram.sizes[level:asked])
        return Counter({pair: count * skipped for pair, count in self._counts(one, other).items()})

    def _level(self, one: int, other: int) -> int:
        return min(self.diagram.level[one], self.diagram.level[other])

    def _counts(self, one: int, other: int) -> Counter[tuple[int, int]]:
        diagram, level = self.diagram, self._level(one, other)
        if diagram.impossible in (one, other):
            return Counter()
        if level == len(diagram.sizes):
            return Counter({(min(one, diagram.highest), min(other, diagram.highest)): 1})
        if (one, other) not in self._counted:
            self.budget.spend()
            counts: Counter[tuple[int, int]] = Counter()
            for children in self._children(one, other):
                counts.update(self._below(*children, level + 1))
            self._counted[one, other] = counts
        return self._counted[one, other]

    def _children(self, one: int, other: int) -> list[tuple[int, int]]:
        diagram, level = self.diagram, self._level(one, other)
        return [
            (diagram.child(one, level, position), diagram.child(other, level, position))
            for position in range(diagram.sizes[level])
        ]

    def witness(self, nodes: tuple[int, int], pair: tuple[int, int]) -> dict[int, int]:
        """Place -> position of one answer set that gives this pair of tiers."""
        positions = dict.fromkeys(self.diagram.order, 0)
        while (level := self._level(*nodes)) < len(self.diagram.sizes):
            children = self._children(*nodes)
            position = next(at for at, below in enumerate(children) if pair in self._counts(*below))
            positions[self.diagram.order[level]], nodes = position, children[position]
        return positions


def _joint(before: Table, after: Table) -> list[Joint]:
    mine = {fact.name: place for place, fact in enumerate(before.facts)}
    theirs = {fact.name: place for place, fact in enumerate(after.facts)}
    joint = []
    for name in dict.fromkeys((*mine, *theirs)):
        places = mine.get(name), theirs.get(name)
        known = [
            table.facts[place]
            for table, place in zip((before, after), places, strict=True)
            if place is not None
        ]
        values = _values(known)
        positions = [
            tuple(table.facts[place].position(value) for value in values) if place is not None else ()
            for table, place in zip((before, after), places, strict=True)
        ]
        joint.append(Joint(name, values, places, (positions[0], positions[1])))
    return joint


def _values(known: Sequence[Fact]) -> tuple[object, ...]:
    """One value per joint answer: the codes known everywhere, or a number in each band between the cuts of all."""
    first, last = known[0], known[-1]
    if first.unit != last.unit:
        raise CriteriaError(
            f"'{first.name}' is answered in other ways: {_way(first)} and {_way(last)}", path=first.name
        )
    if first.cuts:
        cuts = tuple(sorted({*first.cuts, *last.cuts}))
        merged = Fact(first.name, first.ask, unit=first.unit, cuts=cuts)
        return tuple(merged.value(position) for position in range(merged.size))
    values = tuple(code for code in first.positions if code in last.positions)
    if not values:
        raise CriteriaError(f"'{first.name}' has no answer that both files know", path=first.name)
    return values


def _way(fact: Fact) -> str:
    return f"a number of {fact.unit}" if fact.cuts else "a list of answers"


def _translated(table: Table, side: int, joint: Sequence[Joint]) -> list[tuple[int, Sets]]:
    """The table's rules over the joint answers."""
    at = {fact.places[side]: (place, fact.positions[side]) for place, fact in enumerate(joint)}

    def over(sets: Sets) -> Sets:
        return tuple(
            (at[place][0], sum(1 << i for i, own in enumerate(at[place][1]) if answers >> own & 1))
            for place, answers in sets
        )

    return [(rank, over(sets)) for rank, sets in table.ranked]
