"""From answers to bounds in one dictionary look-up per fact, whether an answer is known or not.

A step stands for everything that still matters after the answers so far: a row for the floor and a row for the
ceiling. Its keys are the answers as people give them and None for unknown. All steps are made before the first
answer is asked about, and none changes. A table with too many of them has none and is walked along its closures, and
one without closures along its diagram: slower, with the same answers.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import getitem, itemgetter
from typing import NoReturn

from exposure.classify.closure import Closure
from exposure.classify.diagram import Diagram
from exposure.classify.document import CriteriaError, nearest
from exposure.classify.frozen import Frozen
from exposure.classify.table import Fact, Table

Answers = tuple[object, ...]  # in the order of the walk; None is unknown
MOST_STEPS = 100_000  # some 40 megabytes


@dataclass(frozen=True, slots=True)
class Outcome:
    """`tier` is the code when settled; positions are those of floor and ceiling among the tiers."""

    floor: str
    ceiling: str
    tier: str | None
    covered: bool
    positions: tuple[int, int]

    @property
    def span(self) -> int:
        return self.positions[1] - self.positions[0]


class Step(Frozen[object, "Step | Outcome | None"]):
    """Answer -> the next step, after the last fact the outcome; None where no completion is left. A measured fact has
    too many answers for keys: it has `bands`, by position."""

    __slots__ = ("bands", "fact")
    fact: Fact
    bands: "tuple[Step | Outcome | None, ...]"

    def __init__(self, fact: Fact, children: "list[Step | Outcome | None]") -> None:
        unknown, *known = children
        named: dict[object, Step | Outcome | None] = {None: unknown}
        named.update(zip(fact.positions, known, strict=not fact.cuts))
        super().__init__(named)
        object.__setattr__(self, "fact", fact)
        object.__setattr__(self, "bands", tuple(known) if fact.cuts else ())

    def __setattr__(self, name: str, value: object) -> NoReturn:
        self._refuse()

    def __missing__(self, answer: object) -> "Step | Outcome | None":
        return self.bands[self.fact.position(answer)]  # raises for what is no answer to the fact


@dataclass(frozen=True, slots=True)
class Walk:
    """`facts` in the order of the walk; `levels` and `unknown` by name; `first` is None where there are no `steps`."""

    table: Table
    diagram: Diagram
    root: int
    facts: tuple[Fact, ...]
    levels: Mapping[str, int]
    unknown: Frozen[str, object]
    ask: Callable[[Mapping[str, object]], Answers]
    outcomes: Mapping[tuple[int, int], Outcome]
    first: Step | Outcome | None
    steps: int
    closed: tuple[Closure, Closure] | None

    def __call__(self, facts: Mapping[str, object]) -> tuple[Answers, Outcome | None]:
        """The answers in the order of the walk, None where unknown, and what they decide: None where they cannot
        occur together. Raises CriteriaError for an unknown fact or answer."""
        asked = facts if len(facts) == len(self.unknown) else {**self.unknown, **facts}
        try:
            answers = self.ask(asked)
        except KeyError:
            answers = ()
        if len(asked) != len(answers):
            name = next(str(name) for name in facts if name not in self.unknown)
            raise CriteriaError(f"unknown fact {name[:40]!r}{nearest(name, self.unknown)}", path=name)
        return answers, self.outcome_of(answers)

    def outcome_of(self, answers: Answers) -> Outcome | None:
        """What the answers decide; None where no completion has them. Raises CriteriaError for a wrong answer."""
        if self.first is None:
            return self._without_steps(answers)
        try:
            return reduce(getitem, answers, self.first)  # type: ignore[arg-type, return-value]
        except TypeError:  # an answer that no dictionary can look up
            self.known(answers)
            raise

    def _without_steps(self, answers: Answers) -> Outcome | None:
        if self.closed is None:
            bounds = self.diagram.bounds(self.root, self.diagram.allowed(self.known(answers)))
            return self.outcomes[bounds] if bounds else None
        low, high = self.closed
        one = other = 0
        for fact, answer, lows, highs in zip(self.facts, answers, low.levels, high.levels, strict=True):
            at = 0 if answer is None else fact.position(answer) + 1
            one, other = lows[one][at], highs[other][at]
        return self.outcomes.get((low.ranks[one], high.ranks[other]))

    def known(self, answers: Answers) -> list[tuple[int, int]]:
        """The place and the answer set, of one, of each known answer."""
        return [
            (place, 1 << fact.position(answer))
            for place, fact, answer in zip(self.diagram.order, self.facts, answers, strict=True)
            if answer is not None
        ]


def walk(table: Table, diagram: Diagram, root: int, closed: tuple[Closure, Closure] | None) -> Walk:
    """The walk over a table's diagram, by steps where it could be closed and they are not too many."""
    facts = tuple(table.facts[place] for place in diagram.order)
    levels = Frozen({fact.name: level for level, fact in enumerate(facts)})
    one = facts[0].name
    # All look-ups in one call; for a single fact the library's own would give no tuple.
    ask: Callable[[Mapping[str, object]], Answers] = (
        itemgetter(*levels) if len(facts) > 1 else lambda given: (given[one],)
    )
    outcomes = _outcomes(table)
    first, steps = _steps(facts, outcomes, *closed) if closed else (None, 0)
    unknown: Frozen[str, object] = Frozen(dict.fromkeys(levels))
    return Walk(table, diagram, root, facts, levels, unknown, ask, outcomes, first, steps, closed)


def _outcomes(table: Table) -> Frozen[tuple[int, int], Outcome]:
    """What two ranks mean."""
    codes, outcomes = table.codes, {}
    for low in range(table.no_completion):
        for high in range(low, table.no_completion):
            floor, ceiling = min(low, len(codes) - 1), min(high, len(codes) - 1)
            tier = codes[floor] if floor == ceiling else None
            covered = high < table.uncovered
            outcomes[low, high] = Outcome(codes[floor], codes[ceiling], tier, covered, (floor, ceiling))
    return Frozen(outcomes)


Pair = tuple[int, int]  # a row of each closure


def _steps(
    facts: tuple[Fact, ...], outcomes: Mapping[Pair, Outcome], low: Closure, high: Closure
) -> tuple[Step | Outcome | None, int]:
    """The first step, made last, and how many there are; none where they are more than MOST_STEPS."""
    pairs: dict[Pair, None] = {(0, 0): None}
    levels: list[dict[Pair, list[Pair]]] = []
    for lows, highs in zip(low.levels, high.levels, strict=True):
        levels.append({(one, other): list(zip(lows[one], highs[other], strict=True)) for one, other in pairs})
        pairs = dict.fromkeys(pair for children in levels[-1].values() for pair in children)
        if sum(map(len, levels)) + len(pairs) > MOST_STEPS:
            return None, 0
    made: dict[Pair, Step | Outcome | None] = {
        pair: outcomes.get((low.ranks[pair[0]], high.ranks[pair[1]])) for pair in pairs
    }
    for fact, level in zip(reversed(facts), reversed(levels), strict=True):
        made = {pair: Step(fact, [made[child] for child in children]) for pair, children in level.items()}
    return made[0, 0], sum(map(len, levels))
