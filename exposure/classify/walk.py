"""From answers to bounds in one dictionary look-up per fact, whether an answer is known or not.

A step stands for everything that still matters after the answers so far: a node for the floor and a node for the
ceiling. Its keys are the answers as people give them and None for unknown; a step's child is made when it is
first taken, so a table whose complete diagram would be too large is still walked as far as it is asked.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce
from operator import getitem, itemgetter

from exposure.classify.diagram import Diagram, TooIntricate
from exposure.classify.document import CriteriaError, nearest
from exposure.classify.table import Table

Answers = tuple[object, ...]  # in the order of the walk; None is unknown
MOST_STEPS = 100_000  # some 40 megabytes; then the walk is begun anew


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


class Walk:
    def __init__(self, table: Table, diagram: Diagram) -> None:
        self.table, self.diagram = table, diagram
        self.facts = [table.facts[place] for place in diagram.order]
        self.levels = {fact.name: level for level, fact in enumerate(self.facts)}
        self.unknown: dict[str, object] = dict.fromkeys(self.levels)
        one = self.facts[0].name
        # All look-ups in one call; for a single fact the library's own would give no tuple.
        self.ask = itemgetter(*self.levels) if len(self.facts) > 1 else lambda facts: (facts[one],)
        self._begin()

    def _begin(self) -> None:
        self.steps: dict[tuple[int, int, int], Step] = {}
        self.outcomes: dict[tuple[int, int], Outcome | None] = {}
        self.root = self.step(0, self.diagram.root, self.diagram.root)

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
        try:
            return reduce(getitem, answers, self.root)  # type: ignore[arg-type, return-value]
        except TooIntricate:
            bounds = self.diagram.bounds(self.diagram.allowed(self.known(answers)))
            return self.outcome(*bounds) if bounds else None
        except TypeError:  # an answer that no dictionary can look up
            self.known(answers)
            raise

    def known(self, answers: Answers) -> list[tuple[int, int]]:
        """The place and the answer set, of one, of each known answer."""
        return [
            (place, 1 << fact.position(answer))
            for place, fact, answer in zip(self.diagram.order, self.facts, answers, strict=True)
            if answer is not None
        ]

    def step(self, level: int, low: int, high: int) -> "Step | Outcome | None":
        if level == len(self.facts):
            return self.outcome(low, high)
        key = (level, low, high)
        if key not in self.steps:
            if len(self.steps) >= MOST_STEPS:
                self._begin()
            self.steps[key] = Step(self, level, low, high)
        return self.steps[key]

    def outcome(self, low: int, high: int) -> Outcome | None:
        """What two ranks mean; None where no completion is left."""
        if low == self.table.no_completion:
            return None
        if (low, high) not in self.outcomes:
            codes = self.table.codes
            floor, ceiling = min(low, len(codes) - 1), min(high, len(codes) - 1)
            tier = codes[floor] if floor == ceiling else None
            covered = high < self.table.uncovered
            self.outcomes[low, high] = Outcome(codes[floor], codes[ceiling], tier, covered, (floor, ceiling))
        return self.outcomes[low, high]


class Step(dict[object, "Step | Outcome | None"]):
    __slots__ = ("high", "level", "low", "walk")

    def __init__(self, walk: Walk, level: int, low: int, high: int) -> None:
        self.walk, self.level, self.low, self.high = walk, level, low, high

    def __missing__(self, answer: object) -> "Step | Outcome | None":
        fact, diagram, level = self.walk.facts[self.level], self.walk.diagram, self.level
        if answer is None:
            low, high = diagram.unknown(min, self.low, level), diagram.unknown(max, self.high, level)
        else:
            position = fact.position(answer)
            low, high = diagram.child(self.low, level, position), diagram.child(self.high, level, position)
        after = self.walk.step(level + 1, low, high)
        if answer is None or not fact.cuts:  # numbers are too many to keep
            self[answer] = after
        return after
