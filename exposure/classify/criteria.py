"""Criteria: one version of one pathogen's decision table, read from YAML and exact under unknown answers.

Facts given to `classify` map a fact's name to an answer's code, for a measured fact to a number in the fact's
unit; a missing or None fact is unknown, which is never "no". Tiers are codes, lowest first in the file.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property, lru_cache

from exposure.classify.diagram import UNKNOWN, Diagram
from exposure.classify.document import CriteriaError, Words, nearest, read, text
from exposure.classify.plan import Profile, read_profile
from exposure.classify.table import (
    Accepted,
    Fact,
    Rule,
    Source,
    Table,
    Tier,
    read_accepted,
    read_sources,
    read_table,
)

__all__ = ["Criteria", "CriteriaError", "Verdict", "text"]


@dataclass(frozen=True)
class Verdict:
    """`floor` and `ceiling` are exact over every completion of the known answers; see `Criteria.classify`."""

    floor: str
    ceiling: str
    tier: str | None
    covered: bool
    rules: tuple[str, ...]
    open_questions: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Criteria:
    """A criteria file, frozen. `text` is exactly what was parsed; its SHA-256 is the version's identity."""

    text: str = field(repr=False)
    pathogen: str
    version: str
    title: Words
    status: str
    sources: tuple[Source, ...] = field(repr=False)
    profile: Profile | None = field(repr=False)
    table: Table = field(repr=False)
    accepted: tuple[Accepted, ...] = field(repr=False)

    @staticmethod
    def parse(text: str) -> "Criteria":
        """Read a criteria file. Raises CriteriaError with line, path and a message that names the remedy."""
        return _parse(text)

    @property
    def tiers(self) -> tuple[Tier, ...]:
        return self.table.tiers

    @property
    def facts(self) -> tuple[Fact, ...]:
        return self.table.facts

    @property
    def rules(self) -> tuple[Rule, ...]:
        return self.table.rules

    @cached_property
    def sha256(self) -> str:
        """Of the text in UTF-8, in hexadecimal."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    def lacking(self) -> tuple[str, ...]:
        """What must still be written before this version can be approved, as paths; empty when nothing."""
        lacking = [key for key in ("sources", "profile") if not getattr(self, key)]
        lacking += [f"profile.{key}" for key in (self.profile.lacking() if self.profile else [])]
        for at, tier in enumerate(self.tiers):
            if tier.plan is None:
                lacking.append(f"tiers[{at}].plan")
            elif tier.plan.monitoring != "none" and tier.plan.days is None and tier.plan.window is None:
                lacking.append(f"tiers[{at}].plan.days")
        for at, rule in enumerate(self.rules):
            lacking += [f"rules[{at}].{key}" for key in ("because", "source") if not getattr(rule, key)]
        return tuple(lacking)

    def classify(self, facts: Mapping[str, object]) -> Verdict:
        """The verdict on these facts.

        Raises CriteriaError (line None, the fact as path) for an unknown fact or answer, for a measured answer
        that is no finite number, and for known answers that cannot occur together.
        """
        known = self._known(facts)
        bounds = self._diagram.bounds(known)
        if bounds is None:
            self._refuse(known)
        floor, ceiling = (self._capped(rank) for rank in bounds)
        codes = [tier.code for tier in self.tiers]
        return Verdict(
            codes[floor],
            codes[ceiling],
            codes[floor] if floor == ceiling else None,
            bounds[1] < len(codes),
            self._holding(known, codes[floor]),
            self._open_questions(known, (floor, ceiling)),
        )

    @cached_property
    def _diagram(self) -> Diagram:
        return Diagram(self.table)

    def _capped(self, rank: int) -> int:
        return min(rank, len(self.tiers) - 1)

    @cached_property
    def _places(self) -> dict[str, int]:
        return {fact.name: place for place, fact in enumerate(self.facts)}

    def _known(self, facts: Mapping[str, object]) -> list[int]:
        known = [UNKNOWN] * len(self.facts)
        for name, value in facts.items():
            if name not in self._places:
                message = f"unknown fact {str(name)[:40]!r}{nearest(str(name), self._places)}"
                raise CriteriaError(message, path=str(name))
            if value is not None:
                place = self._places[name]
                known[place] = self.facts[place].position(value)
        return known

    def _refuse(self, known: list[int]) -> None:
        """Say which known answers cannot occur together."""
        for sets in self.table.impossible:
            if all(known[place] != UNKNOWN and answers >> known[place] & 1 for place, answers in sets):
                names = [self.facts[place].name for place, _ in sets]
                break
        else:
            names = [fact.name for fact, at in zip(self.facts, known, strict=True) if at != UNKNOWN]
        raise CriteriaError(
            f"the answers to {', '.join(names)} cannot occur together; correct one or leave it unknown",
            path=names[0] if names else "",
        )

    def _after(self, known: list[int], place: int) -> dict[int, tuple[int, int]]:
        """Position -> floor and ceiling, for each answer of one fact that some completion has."""
        spans = {}
        for position in range(self.facts[place].size):
            bounds = self._diagram.bounds([*known[:place], position, *known[place + 1 :]])
            if bounds is not None:
                spans[position] = (self._capped(bounds[0]), self._capped(bounds[1]))
        return spans

    def _holding(self, known: list[int], tier: str) -> tuple[str, ...]:
        def always(rule: Rule) -> bool:
            for place, answers in rule.sets:
                at = [known[place]] if known[place] != UNKNOWN else self._after(known, place)
                if not all(answers >> position & 1 for position in at):
                    return False
            return True

        return tuple(rule.id for rule in self.rules if rule.tier == tier and always(rule))

    def _open_questions(self, known: list[int], bounds: tuple[int, int]) -> tuple[str, ...]:
        ask, still = [], []
        for place, fact in enumerate(self.facts):
            if known[place] != UNKNOWN:
                continue
            after = self._after(known, place)
            spans = [ceiling - floor for floor, ceiling in after.values()]
            entry = (max(spans), Fraction(sum(spans), len(spans)), place, fact.name)
            if len(after) > 1:
                still.append(entry)
            if len(set(after.values())) > 1 or self._diagram.differs(known, place):
                ask.append(entry)
        if not ask and bounds[0] != bounds[1]:
            ask = still
        return tuple(name for *_, name in sorted(ask))


@lru_cache(maxsize=32)
def _parse(text: str) -> Criteria:
    root = read(text)
    got = root.fields(
        required=("pathogen", "version", "title", "tiers", "facts", "rules"),
        optional=("status", "sources", "profile", "impossible", "otherwise", "accepted"),
    )
    pathogen = got["pathogen"].text()
    if not pathogen.replace("-", "").replace("_", "").isalnum() or not pathogen.isascii():
        got["pathogen"].fail(f"'{pathogen[:40]}' must be letters, digits, '-' and '_', such as ebola")
    sources = read_sources(got["sources"]) if "sources" in got else ()
    table = read_table(got, sources)
    criteria = Criteria(
        text,
        pathogen,
        got["version"].text(),
        got["title"].words(),
        got["status"].choice(("current", "withdrawn")) if "status" in got else "current",
        sources,
        read_profile(got["profile"]) if "profile" in got else None,
        table,
        read_accepted(got["accepted"], table) if "accepted" in got else (),
    )
    if table.impossible and criteria._diagram.bounds([UNKNOWN] * len(table.facts)) is None:
        got["impossible"].fail("no set of answers is left possible; remove a combination")
    return criteria
