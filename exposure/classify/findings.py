"""What is wrong with a decision table, found exactly: every answer set is considered, none is sampled.

A `gap` is an answer set that nothing covers. A rule is `unreachable` when wherever it holds a rule of a higher
tier does too, and `redundant` when no answer set would change its tier or its cover without it. A fact is
`not_monotone` when it says that later answers are never less serious and one is, and `unused` when no rule asks
it. Combinations that cannot occur count for nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import gt

from exposure.classify.budget import Budget
from exposure.classify.diagram import Diagram
from exposure.classify.frozen import Frozen
from exposure.classify.table import Fact, Sets, Table

MOST_WORK = 4_000_000  # steps for all findings of one table: a few seconds
Facts = Mapping[str, object]
Completion = dict[int, int]  # place -> position
Found = tuple[str, str, str, Facts | tuple[Facts, Facts] | None] | None  # kind, about, message, witness


@dataclass(frozen=True)
class Finding:
    """`about` is a rule's id or a fact's name ("otherwise" for a gap).

    `witness` are facts that `classify` takes, every fact answered: for a gap an uncovered set, for `redundant` one
    where the rule holds and none of a higher tier, for `not_monotone` a pair, the earlier answer first; else None.
    """

    kind: str
    about: str
    message: str
    witness: Facts | tuple[Facts, Facts] | None
    accepted: bool = False


def findings(
    table: Table, diagram: Diagram, root: int, accepted: Iterable[tuple[str, str]], budget: Budget
) -> tuple[Finding, ...]:
    """All findings: the gap, then by rule, then by fact, each in file order. Raises TooIntricate."""
    accepted = set(accepted)
    found = [_gap(table, budget)]
    found += [_idle(table, at, budget) for at in range(len(table.rules))]
    steady: set[tuple[int, int]] = set()
    for place, fact in enumerate(table.facts):
        if fact.worse == "up":
            pair = diagram.contrast(root, place, diagram.allowed(()), gt, steady, budget)
            found.append(_falling(table, place, fact, *pair) if pair else None)
        found.append(_unused(table, place, fact))
    return tuple(
        Finding(kind, about, message, witness, (kind, about) in accepted)
        for kind, about, message, witness in filter(None, found)
    )


def _gap(table: Table, budget: Budget) -> Found:
    completion = None if table.otherwise else escape(table, (), [sets for _, sets in table.ranked], budget)
    if completion is None:
        return None
    message = "no rule holds for some answers, and there is no 'otherwise'; add a rule or 'otherwise'"
    return "gap", "otherwise", message, _facts(table, completion)


def _idle(table: Table, at: int, budget: Budget) -> Found:
    """Is the rule unreachable, or redundant?"""
    rule, (rank, sets) = table.rules[at], table.ranked[at]
    higher = [other for other_rank, other in table.ranked if other_rank > rank]
    reached = escape(table, sets, higher, budget)
    if reached is None:
        message = f"rule '{rule.id}' never decides: wherever it holds, a rule of a higher tier does too"
        return "unreachable", rule.id, message, None
    if _needed(table, at, higher, budget):
        return None
    message = f"rule '{rule.id}' changes nothing: without it every answer set has the same tier"
    return "redundant", rule.id, message, _facts(table, reached)


def _needed(table: Table, at: int, higher: Sequence[Sets], budget: Budget) -> bool:
    """Is there an answer set that the rule alone lifts to its tier?"""
    rank, sets = table.ranked[at]
    alone = [*higher, *(other for i, (r, other) in enumerate(table.ranked) if r == rank and i != at)]
    if table.base != rank:
        return escape(table, sets, alone, budget) is not None
    # Where nothing else holds the tier is the same without it, so a rule of a lower tier must hold as well.
    lower = (both(sets, other) for r, other in table.ranked if r < rank)
    return any(escape(table, inside, alone, budget) is not None for inside in lower if inside is not None)


def _falling(table: Table, place: int, fact: Fact, earlier: Completion, later: Completion) -> Found:
    message = (
        f"fact '{fact.name}' says worse: up, yet {fact.value(later[place])} can give a lower tier "
        f"than {fact.value(earlier[place])}"
    )
    return "not_monotone", fact.name, message, (_facts(table, earlier), _facts(table, later))


def _unused(table: Table, place: int, fact: Fact) -> Found:
    if any(place == named for rule in table.rules for named, _ in rule.sets):
        return None
    return "unused", fact.name, f"fact '{fact.name}' is asked but no rule names it", None


def _facts(table: Table, completion: Completion) -> Facts:
    return Frozen({fact.name: fact.value(completion[place]) for place, fact in enumerate(table.facts)})


def both(one: Sets, other: Sets) -> Sets | None:
    """The answer sets inside both; None where a fact has no answer left."""
    merged = dict(one)
    for place, answers in other:
        merged[place] = merged.get(place, -1) & answers
    return tuple(sorted(merged.items())) if all(merged.values()) else None


def escape(table: Table, inside: Sets, forbidden: Iterable[Sets], budget: Budget) -> Completion | None:
    """A completion inside the answer sets on which none of the forbidden sets holds; None if there is none. Raises
    TooIntricate.

    Depth first: whichever forbidden set can be escaped in the fewest ways is escaped next, as a clause is in a
    satisfiability solver.
    """
    room = [(1 << fact.size) - 1 for fact in table.facts]
    for place, answers in inside:
        room[place] &= answers

    def settle(room: list[int], threats: Sequence[Sets]) -> list[int] | None:
        budget.spend(len(threats) + 1)
        pending: list[tuple[int, Sets]] = []
        for sets in threats:
            if any(not room[place] & answers for place, answers in sets):
                continue  # cannot hold any more
            ways = tuple((place, answers) for place, answers in sets if room[place] & ~answers)
            if not ways:
                return None
            pending.append((len(ways), ways))
        if not pending:
            return room
        _, ways = min(pending)
        rest = [sets for _, sets in pending]
        for place, answers in ways:
            outside = room.copy()
            outside[place] &= ~answers
            if (found := settle(outside, rest)) is not None:
                return found
            room = room.copy()
            room[place] &= answers  # the other ways need not try this one again
        return None

    found = settle(room, list(forbidden))
    if found is None:
        return None
    return {place: (left & -left).bit_length() - 1 for place, left in enumerate(found)}
