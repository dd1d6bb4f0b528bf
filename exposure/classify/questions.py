"""What is still open after some answers: which rules hold for certain, and what to ask next."""

from collections.abc import Sequence
from fractions import Fraction
from operator import ne
from typing import NoReturn

from exposure.classify.document import CriteriaError
from exposure.classify.table import Fact, Rule
from exposure.classify.walk import Answers, Outcome, Walk


class Questions:
    def __init__(self, walk: Walk) -> None:
        self.walk, self.table, self.diagram = walk, walk.table, walk.diagram
        self.levels = {fact.name: level for level, fact in enumerate(walk.facts)}

    def holding(self, answers: Answers, tier: str) -> tuple[str, ...]:
        """Ids of the rules of this tier that hold in every completion."""

        def always(rule: Rule) -> bool:
            return all(
                sets >> position & 1
                for place, sets in rule.sets
                for position in self._possible(answers, self.table.facts[place])
            )

        return tuple(rule.id for rule in self.table.rules if rule.tier == tier and always(rule))

    def open(self, answers: Answers, now: Outcome) -> tuple[str, ...]:
        """Names of the unanswered facts that can still change the outcome.

        Most decisive first: over the fact's possible answers, the smallest worst span between floor and ceiling,
        then the smallest mean span, then the order of the file.
        """
        asked, possible = [], []
        for place, fact in enumerate(self.table.facts):
            if answers[self.levels[fact.name]] is not None:
                continue
            after = self._after(answers, fact)
            spans = [outcome.span for outcome in after.values()]
            entry = (max(spans), Fraction(sum(spans), len(spans)), place, fact.name)
            if len(after) > 1:
                possible.append(entry)
            if len({outcome.positions for outcome in after.values()}) > 1 or self._decides(answers, place):
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

    def _after(self, answers: Answers, fact: Fact) -> dict[int, Outcome]:
        """Position -> outcome, for each answer to one fact that some completion has."""
        level = self.levels[fact.name]
        tried = (
            self.walk.outcome_of((*answers[:level], fact.value(position), *answers[level + 1 :]))
            for position in range(fact.size)
        )
        return {position: outcome for position, outcome in enumerate(tried) if outcome}

    def _possible(self, answers: Answers, fact: Fact) -> Sequence[int]:
        answer = answers[self.levels[fact.name]]
        return list(self._after(answers, fact)) if answer is None else [fact.position(answer)]

    def _decides(self, answers: Answers, place: int) -> bool:
        """Do two completions that differ in this fact alone have different tiers?"""
        allowed = self.diagram.allowed(self.walk.known(answers))
        return bool(self.diagram.contrast(place, allowed, ne, set()))
