"""Criteria: one version of one pathogen's decision table, read from YAML and exact under unknown answers.

Facts given to `classify` map a fact's name to an answer's code, for a measured fact to a number in the fact's
unit; a missing or None fact is unknown, which is never "no". Tiers are codes, lowest first in the file.

Criteria are frozen with all that classifying needs, so any number of threads may share them. What is expensive
beside that (findings, comparisons) is worked out by one thread on its own data, within a bound counted in steps.
Each text is read once and kept by its digest while it is used, also where it is refused.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from exposure.classify.budget import Budget, TooIntricate
from exposure.classify.columns import Column, Positions
from exposure.classify.compare import Change, compare
from exposure.classify.compiled import compiled
from exposure.classify.document import CriteriaError, Node, Words, read, text
from exposure.classify.engine import Engine, build
from exposure.classify.findings import MOST_WORK, Finding, findings
from exposure.classify.frozen import Kept
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
from exposure.classify.walk import Outcome

__all__ = ["Change", "Criteria", "CriteriaError", "Finding", "TooIntricate", "Verdict", "text"]

MOST_BYTES_KEPT = 256 * 1024 * 1024  # of criteria in use, as estimated: thousands of usual files
MOST_RESULTS_KEPT = 20_000  # findings and changes


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
        return self._criteria._engine_or_refusal().questions.holding(self._answers, self.floor)

    @cached_property
    def open_questions(self) -> tuple[str, ...]:
        """Names of the unanswered facts that can still change the outcome, most decisive first."""
        return self._criteria._engine_or_refusal().questions.open(self._answers, self._outcome)

    def __repr__(self) -> str:
        return f"Verdict({self.floor!r} to {self.ceiling!r}, covered={self.covered}, rules={self.rules})"


@dataclass(frozen=True, eq=False, slots=True)
class Criteria:
    """A criteria file, frozen. Its text, of which `sha256` (of the UTF-8, in hexadecimal) is taken, is the version."""

    text: str = field(repr=False)  # exactly what was parsed
    sha256: str = field(repr=False)
    pathogen: str
    version: str
    title: Words
    status: str
    sources: tuple[Source, ...] = field(repr=False)
    profile: Profile | None = field(repr=False)
    table: Table = field(repr=False)
    accepted: tuple[Accepted, ...] = field(repr=False)
    replaces: tuple[str, ...] = field(repr=False)  # versions of the pathogen that it corrects
    _rules_line: int = field(repr=False)
    _engine: Engine | None = field(repr=False)  # None: the rules are too entangled

    @staticmethod
    def parse(text: str) -> "Criteria":
        """Read a criteria file. Raises CriteriaError with line, path and a message that names the remedy."""
        digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
        return _kept.get(digest, lambda: _parse(text, digest))

    @property
    def tiers(self) -> tuple[Tier, ...]:
        return self.table.tiers

    @property
    def facts(self) -> tuple[Fact, ...]:
        return self.table.facts

    @property
    def rules(self) -> tuple[Rule, ...]:
        return self.table.rules

    @property
    def too_entangled(self) -> bool:
        """Can nothing be classified, since the rules are beyond what is decided exactly? All that asks for a verdict,
        findings or changes raises TooIntricate then."""
        return self._engine is None

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
        engine = self._engine or self._engine_or_refusal()
        answers, outcome = engine.walk(facts)
        if outcome is None:
            engine.questions.refuse(answers)
        return Verdict(self, answers, outcome)

    def classify_many(self, columns: Mapping[str, Column]) -> tuple[Positions, Positions]:
        """Floors and ceilings of many cases as tier positions, the same as `classify` gives row by row.

        A column holds one fact's answers, None for unknown, or as a numpy uint8 array their positions, 255 for
        unknown; a missing column is all unknown. The arrays are read-only. Raises CriteriaError for columns of
        unequal length and, with the row (from 0), for what `classify` would refuse.
        """
        many = self._engine_or_refusal().columns
        floors, ceilings = many.bounds(columns)
        if floors.max(initial=0) == len(self.tiers):
            row = int(floors.argmax())
            try:
                self.classify(many.answers(columns, row))
            except CriteriaError as error:
                raise CriteriaError(f"row {row}: {error.message}", path=error.path) from None
        return floors, ceilings

    def findings(self) -> list[Finding]:
        """What is wrong with this table, exactly; see `exposure.classify.findings`. Raises TooIntricate with the line
        of the rules."""
        return list(_found.get(self.sha256, self._findings))

    def compare(self, other: "Criteria") -> list[Change]:
        """What changes from this version to the other, with exact shares; see `exposure.classify.compare`."""
        return list(_changed.get((self.sha256, other.sha256), lambda: self._changes(other)))

    def compiled(self) -> dict[str, object]:
        """All that a page needs to classify without a connection, as plain JSON values.

        `facts` and `tiers` are those of the file, `bands` the cuts of each measured fact as decimals in text,
        `order` the places of the facts in the order in which `nodes` ask them. A node is its level in that order
        and a child per answer: the number of an earlier node, or ~rank where the rank is a tier's position, for
        uncovered the number of tiers, for impossible one more. The walk begins at the child `root`.
        """
        engine = self._engine_or_refusal()
        return {"sha256": self.sha256, **compiled(self.table, engine.diagram, engine.root)}

    @property
    def _weight(self) -> int:
        return 20 * len(self.text) + (self._engine.weight if self._engine else 0)

    def _engine_or_refusal(self) -> Engine:
        if self._engine is None:
            raise self._too_intricate()
        return self._engine

    def _too_intricate(self) -> TooIntricate:
        return TooIntricate(line=self._rules_line, path="rules")

    def _findings(self) -> tuple[Finding, ...]:
        engine, accepted = self._engine_or_refusal(), [(one.finding, one.about) for one in self.accepted]
        try:
            return findings(self.table, engine.diagram, engine.root, accepted, Budget(MOST_WORK))
        except TooIntricate:
            raise self._too_intricate() from None

    def _changes(self, other: "Criteria") -> tuple[Change, ...]:
        for criteria in (self, other):
            criteria._engine_or_refusal()
        try:
            return compare(self.table, other.table)
        except TooIntricate:
            raise self._too_intricate() from None


_kept: Kept[Criteria] = Kept(MOST_BYTES_KEPT, lambda criteria: criteria._weight, refusal=1_000)
_found: Kept[tuple[Finding, ...]] = Kept(MOST_RESULTS_KEPT, lambda found: 1 + len(found))
_changed: Kept[tuple[Change, ...]] = Kept(MOST_RESULTS_KEPT, lambda changes: 1 + len(changes))


def forget() -> None:
    """Read, build and find everything anew, for measurements."""
    for kept in (_kept, _found, _changed):
        kept.clear()


def _parse(text: str, digest: str) -> Criteria:
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
        digest,
        pathogen,
        got["version"].text(),
        got["title"].words(),
        got["status"].choice(("current", "withdrawn")) if "status" in got else "current",
        sources,
        read_profile(got["profile"]) if "profile" in got else None,
        table,
        read_accepted(got["accepted"], table) if "accepted" in got else (),
        tuple(item.text() for item in got["replaces"].items()) if "replaces" in got else (),
        got["rules"].line,
        _engine_of(table),
    )
    _refuse_untrue(criteria, got)
    return criteria


def _engine_of(table: Table) -> Engine | None:
    try:
        return build(table)
    except TooIntricate:
        return None


def _refuse_untrue(criteria: Criteria, got: Mapping[str, Node]) -> None:
    """Refuse `impossible` that leaves nothing possible, and `accepted` that names what is not found."""
    unknown = (None,) * len(criteria.facts)
    if "impossible" in got and criteria._engine_or_refusal().walk.outcome_of(unknown) is None:
        got["impossible"].fail("no set of answers is left possible; remove a combination")
    found = {(one.kind, one.about) for one in criteria.findings()} if criteria.accepted else set()
    for one in criteria.accepted:
        if (one.finding, one.about) not in found:
            message = f"there is no finding '{one.finding}' about '{one.about}'; remove this entry"
            raise CriteriaError(message, line=one.line, path=one.path)
