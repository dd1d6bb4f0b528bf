"""What is still open after some answers: which rules hold for certain, and what to ask next."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from operator import ne
from typing import NoReturn

from exposure.classify.budget import Budget, TooIntricate
from exposure.classify.diagram import Diagram
from exposure.classify.document import CriteriaError
from exposure.classify.table import Fact, Rule, Table
from exposure.classify.walk import Answers, Outcome, Walk

MOST_PAIRS = 200_000  # pairs of nodes looked at for one list of open questions: a fraction of a second


@dataclass(frozen=True, slots=True)
class Questions:
    walk: Walk

    @property
    def table(self) -> Table:
        return self.walk.table

    @property
    def diagram(self) -> Diagram:
        return self.walk.diagram

    def holding(self, answers: Answers, tier: str) -> tuple[str, ...]:
        """Ids of the rules of this tier that hold in every completion."""
        left = self._left(answers)

        def possible(fact: Fact) -> Iterable[int]:
            answer = answers[self.walk.levels[fact.name]]
            return left(fact) if answer is None else [fact.position(answer)]

        def always(rule: Rule) -> bool:
            return all(
                sets >> position & 1
                for place, sets in rule.sets
                for position in possible(self.table.facts[place])
            )

        return tuple(rule.id for rule in self.table.rules if rule.tier == tier and always(rule))

    def open(self, answers: Answers, now: Outcome) -> tuple[str, ...]:
        """Names of the unanswered facts that can still change the outcome.

        Most decisive first: over the fact's possible answers, the smallest worst span between floor and ceiling,
        then the smallest mean span, then the order of the file.
        """
        asked, possible = [], []
        left, budget = self._left(answers), Budget(MOST_PAIRS)
        for place, fact in enumerate(self.table.facts):
            if answers[self.walk.levels[fact.name]] is not None:
                continue
            after = left(fact)
            spans = [outcome.span for outcome in after.values()]
            entry = (max(spans), Fraction(sum(spans), len(spans)), place, fact.name)
            if len(after) > 1:
                possible.append(entry)
            if len({outcome.positions for outcome in after.values()}) > 1 or self._decides(
                answers, place, budget
            ):
                asked.append(entry)
        if not asked and now.span:
            asked = possible
        return tuple(name for *_, name in sorted(asked))

    def refuse(self, answers: Answers) -> NoReturn:
        """Say which of the known answers cannot occur together."""
        known = dict(self.walk.known(answers))
        for sets in self.table.impossible:
            if all(known.get(place, 0) & answer for place, answer in sets):
                named = [self.table.facts[place].name for place, _ in sets]
                break
        else:
            named = [self.table.facts[place].name for place in sorted(known)]
        message = f"the answers to {', '.join(named)} cannot occur together; correct one or leave it unknown"
        raise CriteriaError(message, path=named[0])

    def _left(self, answers: Answers) -> Callable[[Fact], Mapping[int, Outcome]]:
        """For an unanswered fact: position -> outcome, for each answer that some completion has."""
        if self.walk.closed:
            return lambda fact: self._after(answers, fact)
        known = self.diagram.allowed(self.walk.known(answers))
        after = self.diagram.after(self.walk.root, known)
        outcomes = self.walk.outcomes
        return lambda fact: {
            at: outcomes[bounds] for at, bounds in after[self.walk.levels[fact.name]].items()
        }

    def _after(self, answers: Answers, fact: Fact) -> dict[int, Outcome]:
        level = self.walk.levels[fact.name]
        tried = (
            self.walk.outcome_of((*answers[:level], fact.value(position), *answers[level + 1 :]))
            for position in range(fact.size)
        )
        return {position: outcome for position, outcome in enumerate(tried) if outcome}

    def _decides(self, answers: Answers, place: int, budget: Budget) -> bool:
        """Do two completions that differ in this fact alone have different tiers? Where that is too much to find out
        the fact counts as open: a question too many is safer than one too few."""
        allowed = self.diagram.allowed(self.walk.known(answers))
        try:
            return bool(self.diagram.contrast(self.walk.root, place, allowed, ne, set(), budget))
        except TooIntricate:
            return True
