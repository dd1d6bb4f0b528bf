"""Criteria: one version of one pathogen's decision table, read from YAML and exact under unknown answers.

Facts given to `classify` map a fact's name to an answer's code, for a measured fact to a number in the fact's
unit; a missing or None fact is unknown, which is never "no". Tiers are codes, lowest first in the file.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

from exposure.classify.columns import Column, Columns, Positions
from exposure.classify.compare import Change, compare
from exposure.classify.compiled import compiled
from exposure.classify.diagram import Diagram, TooIntricate
from exposure.classify.document import CriteriaError, Words, read, text
from exposure.classify.findings import Finding, findings
from exposure.classify.plan import Profile, read_profile
from exposure.classify.questions import Questions
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
from exposure.classify.walk import Outcome, Walk

__all__ = ["Change", "Criteria", "CriteriaError", "Finding", "Verdict", "text"]


class Verdict:
    """What the known answers decide; read-only. `rules` and `open_questions` are worked out when asked for."""

    def __init__(self, criteria: "Criteria", answers: tuple[object, ...], outcome: Outcome) -> None:
        self._criteria, self._answers, self._outcome = criteria, answers, outcome

    @property
    def floor(self) -> str:
        """The lowest tier over every completion of the known answers."""
        return self._outcome.floor

    @property
    def ceiling(self) -> str:
        """The highest tier over every completion of the known answers."""
        return self._outcome.ceiling

    @property
    def tier(self) -> str | None:
        """The tier when floor and ceiling are the same, else None."""
        return self._outcome.tier

    @property
    def covered(self) -> bool:
        """Does a rule or `otherwise` cover every completion? One that is not counts as the highest tier."""
        return self._outcome.covered

    @cached_property
    def rules(self) -> tuple[str, ...]:
        """Ids of the rules that hold in every completion and whose tier is the floor, in file order."""
        return self._criteria._questions.holding(self._answers, self.floor)

    @cached_property
    def open_questions(self) -> tuple[str, ...]:
        """Names of the unanswered facts that can still change the outcome, most decisive first."""
        return self._criteria._questions.open(self._answers, self._outcome)

    def __repr__(self) -> str:
        return f"Verdict({self.floor!r} to {self.ceiling!r}, covered={self.covered}, rules={self.rules})"


@dataclass(frozen=True, eq=False)
class Criteria:
    """A criteria file, frozen. Its text, of which `sha256` is taken, is the version."""

    text: str = field(repr=False)  # exactly what was parsed
    pathogen: str
    version: str
    title: Words
    status: str
    sources: tuple[Source, ...] = field(repr=False)
    profile: Profile | None = field(repr=False)
    table: Table = field(repr=False)
    accepted: tuple[Accepted, ...] = field(repr=False)
    replaces: tuple[str, ...] = field(default=(), repr=False)  # versions of the pathogen that it corrects

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
        answers, outcome = self._walk(facts)
        if outcome is None:
            self._questions.refuse(answers)
        return Verdict(self, answers, outcome)

    def classify_many(self, columns: Mapping[str, Column]) -> tuple[Positions, Positions]:
        """Floors and ceilings of many cases as tier positions, the same as `classify` gives row by row.

        A column holds one fact's answers, None for unknown, or as a numpy uint8 array their positions, 255 for
        unknown; a missing column is all unknown. The arrays are read-only. Raises CriteriaError for columns of
        unequal length and, with the row (from 0), for what `classify` would refuse.
        """
        floors, ceilings = self._columns.bounds(columns)
        if floors.max(initial=0) == len(self.tiers):
            row = int(floors.argmax())
            try:
                self.classify(self._columns.answers(columns, row))
            except CriteriaError as error:
                raise CriteriaError(f"row {row}: {error.message}", path=error.path) from None
        return floors, ceilings

    def findings(self) -> list[Finding]:
        """What is wrong with this table, exactly; see `exposure.classify.findings`."""
        return list(self._findings)

    def compare(self, other: "Criteria") -> list[Change]:
        """What changes from this version to the other, with exact shares; see `exposure.classify.compare`."""
        return compare(self.table, other.table)

    def compiled(self) -> dict[str, object]:
        """All that a page needs to classify without a connection, as plain JSON values.

        `facts` and `tiers` are those of the file, `bands` the cuts of each measured fact as decimals in text,
        `order` the places of the facts in the order in which `nodes` ask them. A node is its level in that order
        and a child per answer: the number of an earlier node, or ~rank where the rank is a tier's position, for
        uncovered the number of tiers, for impossible one more. The walk begins at the child `root`.
        """
        return {"sha256": self.sha256, **compiled(self.table, self._walk.diagram)}

    @cached_property
    def _findings(self) -> tuple[Finding, ...]:
        accepted = [(one.finding, one.about) for one in self.accepted]
        return findings(self.table, self._walk.diagram, accepted)

    @cached_property
    def _columns(self) -> Columns:
        return Columns(self._walk.diagram, self.table.facts)

    @cached_property
    def _walk(self) -> Walk:
        return Walk(self.table, Diagram.of(self.table))

    @cached_property
    def _questions(self) -> Questions:
        return Questions(self._walk)


@lru_cache(maxsize=16)  # keeps what was compiled, too
def _parse(text: str) -> Criteria:
    root = read(text)
    got = root.fields(
        required=("pathogen", "version", "title", "tiers", "facts", "rules"),
        optional=("status", "replaces", "sources", "profile", "impossible", "otherwise", "accepted"),
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
        tuple(item.text() for item in got["replaces"].items()) if "replaces" in got else (),
    )
    try:
        if table.impossible and criteria._walk.outcome_of((None,) * len(table.facts)) is None:
            got["impossible"].fail("no set of answers is left possible; remove a combination")
        found = {(one.kind, one.about) for one in criteria._findings} if criteria.accepted else set()
    except TooIntricate as error:
        got["rules"].fail(error.message)
    for one in criteria.accepted:
        if (one.finding, one.about) not in found:
            message = f"there is no finding '{one.finding}' about '{one.about}'; remove this entry"
            raise CriteriaError(message, line=one.line, path=one.path)
    return criteria
