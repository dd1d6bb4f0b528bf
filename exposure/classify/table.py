"""The decision table of a criteria file: tiers, facts, rules, impossible combinations, as frozen values.

Answers are also positions: the answer's place in the file, or for a measured fact the band between its cuts
(0 below the first). A set of answers is an int, bit `1 << position`. A tier's position is its place in the file,
lowest first.
"""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from numbers import Real

from exposure.classify.document import CriteriaError, Node, Words, nearest, unique
from exposure.classify.frozen import Frozen
from exposure.classify.plan import Plan, read_plan

MOST_FACTS = 60
MOST_RULES = 400
MOST_ANSWERS = 254  # positions fit a byte beside 255, which means unknown
ABOUT = ("event", "case", "worker")
FINDINGS = ("gap", "unreachable", "redundant", "not_monotone", "unused")


@dataclass(frozen=True, slots=True)
class Source:
    id: str
    title: Words
    publisher: Words | None = None
    year: int | None = None
    note: Words | None = None


@dataclass(frozen=True, slots=True)
class Tier:
    code: str
    label: Words
    plan: Plan | None = None
    seen: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """`bloodborne`: it pierces, or reaches mucosa or broken skin, or may have."""

    code: str
    label: Words
    bloodborne: bool = False

    @property
    def through_skin(self) -> bool:
        """The older name of `bloodborne`."""
        return self.bloodborne


@dataclass(frozen=True, slots=True)
class Fact:
    """One question. Answered from `answers`, or measured in `unit` and banded at the ascending `cuts`. `positions` are
    answer code -> position, empty for a measured fact.

    `about` is `event` (whoever reports answers), `case` (a clinician, of the case) or `worker` (a clinician, of the
    worker; never at the station).
    """

    name: str
    ask: Words
    about: str = "event"
    worse: str | None = None
    answers: tuple[Answer, ...] = ()
    unit: str | None = None
    cuts: tuple[Decimal, ...] = ()
    positions: Mapping[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        positions = Frozen({answer.code: at for at, answer in enumerate(self.answers)})
        object.__setattr__(self, "positions", positions)

    @property
    def size(self) -> int:
        return len(self.cuts) + 1 if self.cuts else len(self.answers)

    def position(self, value: object) -> int:
        """The position of an answer that is known. Raises CriteriaError with the fact as path."""
        if self.cuts:
            return bisect_right(self.cuts, self._decimal(value))
        if not isinstance(value, str) or value not in self.positions:
            message = f"unknown answer {str(value)[:40]!r}{nearest(str(value), self.positions)}"
            raise CriteriaError(message, path=self.name)
        return self.positions[value]

    def _decimal(self, value: object) -> Decimal:
        """A number as the decimal it is written as: 0.1 is one tenth, whatever its binary value."""
        if isinstance(value, Real | Decimal) and not isinstance(value, bool):
            try:
                number = Decimal(value) if isinstance(value, int | Decimal) else Decimal(str(value))
            except InvalidOperation:
                number = Decimal("NaN")
            if number.is_finite():
                return number
        raise CriteriaError(f"{str(value)[:40]!r} must be a finite number of {self.unit}", path=self.name)

    def value(self, position: int) -> str | int | Decimal:
        """An answer that `classify` takes and that has this position: its code, or the least number of a band."""
        if not self.cuts:
            return self.answers[position].code
        number = self.cuts[position - 1] if position else self.cuts[0] - 1
        return int(number) if number == number.to_integral_value() else number


@dataclass(frozen=True, slots=True)
class Range:
    """The numbers of a measured fact from `at_least` on and below `below`; None is open."""

    at_least: Decimal | None = None
    below: Decimal | None = None


When = Mapping[str, tuple[str, ...] | Range]
Sets = tuple[tuple[int, int], ...]  # (place of the fact, set of its answers), ascending by place


@dataclass(frozen=True, slots=True)
class Rule:
    """`sets` is `when` as answer sets: the rule holds when every fact named there has an answer of its set."""

    id: str
    tier: str
    when: When
    sets: Sets
    because: Words | None = None
    source: str | None = None
    seen: bool = False


@dataclass(frozen=True, slots=True)
class Accepted:
    """A finding that the guidance itself causes, accepted in the file."""

    finding: str
    about: str
    because: Words
    line: int
    path: str


@dataclass(frozen=True, slots=True)
class Table:
    """`codes` are those of the tiers; `ranked` are rules in file order, then impossible combinations, each with its
    rank."""

    tiers: tuple[Tier, ...]
    facts: tuple[Fact, ...]
    rules: tuple[Rule, ...]
    impossible: tuple[Sets, ...] = ()
    otherwise: str | None = None
    codes: tuple[str, ...] = field(init=False, repr=False, compare=False)
    ranked: tuple[tuple[int, Sets], ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        codes = tuple(tier.code for tier in self.tiers)
        ranks = {code: rank for rank, code in enumerate(codes)}
        rules = [(ranks[rule.tier], rule.sets) for rule in self.rules]
        object.__setattr__(self, "codes", codes)
        object.__setattr__(
            self, "ranked", (*rules, *((self.no_completion, sets) for sets in self.impossible))
        )

    @property
    def uncovered(self) -> int:
        """The rank of an answer set on which no rule holds and that has no `otherwise`."""
        return len(self.tiers)

    @property
    def no_completion(self) -> int:
        """The rank of an answer set that cannot occur."""
        return len(self.tiers) + 1

    @property
    def base(self) -> int:
        """The rank where no rule holds."""
        return self.uncovered if self.otherwise is None else self.codes.index(self.otherwise)


def read_sources(node: Node) -> tuple[Source, ...]:
    read = []
    for item in node.items():
        got = item.fields(required=("id", "title"), optional=("publisher", "year", "note"))
        read.append(
            Source(
                got["id"].text(),
                got["title"].words(),
                got["publisher"].words() if "publisher" in got else None,
                got["year"].whole() if "year" in got else None,
                got["note"].words() if "note" in got else None,
            )
        )
    unique(zip((source.id for source in read), node.items(), strict=True), "source")
    return tuple(read)


def read_table(root: "dict[str, Node]", sources: tuple[Source, ...]) -> Table:
    tiers = tuple(_tier(item) for item in root["tiers"].items())
    unique(zip((tier.code for tier in tiers), root["tiers"].items(), strict=True), "tier")
    facts = tuple(_fact(item) for item in _at_most(root["facts"], MOST_FACTS))
    unique(zip((fact.name for fact in facts), root["facts"].items(), strict=True), "fact")
    codes = [tier.code for tier in tiers]
    rules = tuple(_rule(item, codes, facts, sources) for item in _at_most(root["rules"], MOST_RULES))
    unique(zip((rule.id for rule in rules), root["rules"].items(), strict=True), "rule")
    impossible = root["impossible"].items() if "impossible" in root else []
    return Table(
        tiers,
        facts,
        rules,
        tuple(_when(item, facts)[1] for item in impossible),
        root["otherwise"].choice(codes, "tier") if "otherwise" in root else None,
    )


def read_accepted(node: Node, table: Table) -> tuple[Accepted, ...]:
    read = []
    for item in node.items():
        got = item.fields(required=("finding", "about", "because"))
        kind = got["finding"].choice(FINDINGS, "finding")
        if kind == "gap":
            got["finding"].fail("a gap cannot be accepted; add a rule or 'otherwise'")
        of_rule = kind in ("unreachable", "redundant")
        known = [rule.id for rule in table.rules] if of_rule else [fact.name for fact in table.facts]
        about = got["about"].choice(known, "rule" if of_rule else "fact")
        read.append(Accepted(kind, about, got["because"].words(), item.line, item.path))
    return tuple(read)


def _at_most(node: Node, most: int) -> "list[Node]":
    items = node.items()
    if len(items) > most:
        items[most].fail(f"at most {most} are read here, and this is one more; split the file")
    return items


def _tier(node: Node) -> Tier:
    got = node.fields(required=("code", "label"), optional=("plan", "seen"))
    plan = read_plan(got["plan"]) if "plan" in got else None
    return Tier(got["code"].text(), got["label"].words(), plan, "seen" in got and got["seen"].truth())


def _fact(node: Node) -> Fact:
    got = node.fields(required=("name", "ask"), optional=("about", "worse", "answers", "unit", "cuts"))
    if ("answers" in got) == ("cuts" in got):
        node.fail("a fact has either 'answers', or 'unit' and 'cuts'")
    for one, other in (("unit", "cuts"), ("cuts", "unit")):
        if one in got and other not in got:
            node.fail(f"the key '{other}' is missing; a measured fact has 'unit' and 'cuts'")
    return Fact(
        got["name"].text(),
        got["ask"].words(),
        got["about"].choice(ABOUT) if "about" in got else "event",
        got["worse"].choice(("up",)) if "worse" in got else None,
        _answers(got["answers"]) if "answers" in got else (),
        got["unit"].text() if "unit" in got else None,
        _cuts(got["cuts"]) if "cuts" in got else (),
    )


def _answers(node: Node) -> tuple[Answer, ...]:
    read = []
    for item in _at_most(node, MOST_ANSWERS):
        got = item.fields(required=("code", "label"), optional=("bloodborne", "through_skin"))
        if "bloodborne" in got and "through_skin" in got:
            got["through_skin"].fail_at_key("this is the older name of 'bloodborne'; remove it")
        marks = [got[key].truth() for key in ("bloodborne", "through_skin") if key in got]
        read.append(Answer(got["code"].text(), got["label"].words(), any(marks)))
    unique(zip((answer.code for answer in read), node.items(), strict=True), "answer")
    return tuple(read)


def _cuts(node: Node) -> tuple[Decimal, ...]:
    items = _at_most(node, MOST_ANSWERS - 1)
    cuts = [item.number() for item in items]
    for item, before, cut in zip(items[1:], cuts, cuts[1:], strict=False):
        if cut <= before:
            item.fail(f"cuts ascend, and {cut} is not above {before}; put them in order, each once")
    return tuple(cuts)


def _rule(node: Node, tiers: list[str], facts: tuple[Fact, ...], sources: tuple[Source, ...]) -> Rule:
    got = node.fields(required=("id", "tier", "when"), optional=("because", "source", "seen"))
    when, sets = _when(got["when"], facts)
    source = got["source"].text() if "source" in got else None
    if source and sources:
        got["source"].choice([known.id for known in sources], "source")
    return Rule(
        got["id"].text(),
        got["tier"].choice(tiers, "tier"),
        when,
        sets,
        got["because"].words() if "because" in got else None,
        source,
        "seen" in got and got["seen"].truth(),
    )


def _when(node: Node, facts: tuple[Fact, ...]) -> tuple[When, Sets]:
    places = {fact.name: place for place, fact in enumerate(facts)}
    when: dict[str, tuple[str, ...] | Range] = {}
    sets: list[tuple[int, int]] = []
    for name, item in node.entries().items():
        if name not in places:
            item.fail_at_key(f"unknown fact '{name}'{nearest(name, places)}")
        fact = facts[places[name]]
        when[name], answers = _range(item, fact) if fact.cuts else _listed(item, fact)
        sets.append((places[name], answers))
    return Frozen(when), tuple(sorted(sets))


def _listed(node: Node, fact: Fact) -> tuple[tuple[str, ...], int]:
    if isinstance(node.value, str):
        node.fail(f"must be a list of answers; write [{node.value[:40]}]")
    codes = tuple(item.choice(fact.positions, "answer") for item in node.items())
    return codes, sum(1 << fact.positions[code] for code in set(codes))


def _range(node: Node, fact: Fact) -> tuple[Range, int]:
    got = node.fields(optional=("at_least", "below"))
    if not got:
        node.fail("write 'at_least', 'below' or both, each at one of the fact's cuts")
    bounds = {key: item.number() for key, item in got.items()}
    for key, bound in bounds.items():
        if bound not in fact.cuts:
            known = ", ".join(str(cut) for cut in fact.cuts)
            got[key].fail(f"{bound} is no cut of '{fact.name}'; its cuts are {known}")
    span = Range(bounds.get("at_least"), bounds.get("below"))
    if span.at_least is not None and span.below is not None and span.at_least >= span.below:
        got["below"].fail(f"must lie above 'at_least', which is {span.at_least}")
    first = 0 if span.at_least is None else fact.cuts.index(span.at_least) + 1
    end = fact.size if span.below is None else fact.cuts.index(span.below) + 1
    return span, (1 << end) - (1 << first)
