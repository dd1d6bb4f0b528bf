"""What a tier brings (the plan) and the clinical numbers of a pathogen (the profile), as frozen values.

Nothing here decides; `exposure.followup` reads it. Hours and days are whole numbers; temperatures are exact
decimals in the unit beside them.
"""

import calendar
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from types import MappingProxyType
from typing import TypeVar

from exposure.classify.document import Node, Words, unique

MONITORING = ("none", "self", "active", "direct")
SECOND_SIGNATURE = ("none", "lower", "always")
CLEARANCE = ("nurse", "physician", "two")
METHODS = ("default", "oral", "tympanic", "temporal", "forehead", "axillary", "rectal")
BODY = {"C": (Decimal(30), Decimal(45)), "F": (Decimal(86), Decimal(113))}
DURATION = re.compile(r"([0-9]{1,4})(m|h|d|w|mo)")
Moment = TypeVar("Moment", date, datetime)


@dataclass(frozen=True, slots=True)
class Duration:
    """A span as the file writes it: an amount of `m` minutes, `h` hours, `d` days, `w` weeks or `mo` months."""

    amount: int
    unit: str

    def after(self, start: Moment) -> Moment:
        """`start` plus this span. Months are calendar months; a day that the month lacks becomes its last day.

        A datetime keeps its zone; days and longer move the wall clock of that zone, minutes and hours are added
        as they stand, so give an instant in UTC for those. A date takes no minutes or hours: ValueError.
        """
        return self._moved(start, 1)

    def before(self, end: Moment) -> Moment:
        """`end` minus this span, by the same rules."""
        return self._moved(end, -1)

    def _moved(self, start: Moment, sign: int) -> Moment:
        if self.unit == "mo":
            year, month = divmod(start.year * 12 + start.month - 1 + sign * self.amount, 12)
            last = calendar.monthrange(year, month + 1)[1]
            return start.replace(year=year, month=month + 1, day=min(start.day, last))
        if self.unit in ("m", "h") and not isinstance(start, datetime):
            raise ValueError(f"{self} cannot be added to a date; give a datetime")
        return start + sign * self.span()

    def span(self, month_days: int = 30) -> timedelta:
        """Its length, a month counted as so many days."""
        days = {"d": 1, "w": 7, "mo": month_days}
        if self.unit in days:
            return timedelta(days=self.amount * days[self.unit])
        return timedelta(minutes=self.amount * {"m": 1, "h": 60}[self.unit])

    def __str__(self) -> str:
        return f"{self.amount}{self.unit}"


@dataclass(frozen=True, slots=True)
class Window:
    """Monitoring from a day of the first exposure to a day of the last one."""

    from_first: int
    to_last: int


@dataclass(frozen=True, slots=True)
class Restriction:
    code: str
    title: Words
    days: int | None = None


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do by `due` after `start`: `exposure`, `report`, or the code of another task of the plan.

    `urgent`: from the start, and so is the alert when it is late. `warn`: an alert that long before it is due.
    """

    code: str
    title: Words
    due: Duration
    start: str
    not_before: Duration | None = None
    urgent: bool = False
    warn: Duration | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    monitoring: str
    days: int | None = None
    window: Window | None = None
    observed_per_day: int = 0
    confirm_within: Duration = Duration(24, "h")
    second_signature: str = "none"
    clearance: str = "nurse"
    restrictions: tuple[Restriction, ...] = ()
    tasks: tuple[Task, ...] = ()


@dataclass(frozen=True, slots=True)
class Fever:
    """`at` is `at_least` (the limit itself is a fever) or `above` (it is not); `unit` is C or F."""

    limit: Decimal
    unit: str
    at: str


@dataclass(frozen=True, slots=True)
class Symptom:
    ask: Words
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class Profile:
    """The numbers that readings and schedule use. None: the file does not say, so it cannot be approved yet
    (but for `rise`, where None switches the comparison with the own baseline off)."""

    incubation_days: tuple[int, int] | None = None
    min_hours: int | None = None
    fever: Mapping[str, Fever] = field(default_factory=lambda: MappingProxyType({}))
    subjective_fever: bool | None = None
    reducer_hours: int | None = None
    rise: Decimal | None = None
    symptoms: Mapping[str, Symptom] = field(default_factory=lambda: MappingProxyType({}))
    symptom_count: int | None = None
    silence_hours: int | None = None
    next_look_hours: int | None = None
    seen: bool = False

    def lacking(self) -> list[str]:
        """The keys that approval still needs."""
        needed = ["incubation_days", "min_hours", "fever", "subjective_fever", "reducer_hours", "symptoms"]
        needed += ["symptom_count", "silence_hours", "next_look_hours"]
        lacking = [key for key in needed if getattr(self, key) is None or getattr(self, key) == {}]
        return lacking + (["fever.default"] if self.fever and "default" not in self.fever else [])


def read_duration(node: Node) -> Duration:
    written = node.text()
    match = DURATION.fullmatch(written)
    if not match:
        node.fail(f"'{written[:40]}' must be a span such as 30m, 2h, 3d, 6w or 4mo")
    return Duration(int(match[1]), match[2])


def read_plan(node: Node) -> Plan:
    got = node.fields(
        required=("monitoring",),
        optional=(
            "days",
            "window",
            "observed_per_day",
            "confirm_within",
            "second_signature",
            "clearance",
            "restrictions",
            "tasks",
        ),
    )
    if "days" in got and "window" in got:
        got["window"].fail_at_key("a plan has 'days' or 'window', not both; remove one")
    plan: dict[str, object] = {"monitoring": got["monitoring"].choice(MONITORING)}
    if "days" in got:
        plan["days"] = got["days"].whole()
    if "window" in got:
        plan["window"] = _window(got["window"])
    if "observed_per_day" in got:
        plan["observed_per_day"] = got["observed_per_day"].whole()
    if "confirm_within" in got:
        plan["confirm_within"] = read_duration(got["confirm_within"])
    if "second_signature" in got:
        plan["second_signature"] = got["second_signature"].choice(SECOND_SIGNATURE)
    if "clearance" in got:
        plan["clearance"] = got["clearance"].choice(CLEARANCE)
    if "restrictions" in got:
        plan["restrictions"] = _restrictions(got["restrictions"])
    if "tasks" in got:
        plan["tasks"] = _tasks(got["tasks"])
    return Plan(**plan)  # type: ignore[arg-type]


def _window(node: Node) -> Window:
    got = node.fields(required=("from_first", "to_last"))
    window = Window(got["from_first"].whole(), got["to_last"].whole())
    if window.from_first > window.to_last:
        got["to_last"].fail(f"must be at least 'from_first', which is {window.from_first}")
    return window


def _restrictions(node: Node) -> tuple[Restriction, ...]:
    read = []
    for item in node.items():
        got = item.fields(required=("code", "title"), optional=("days",))
        days = got["days"].whole() if "days" in got else None
        read.append(Restriction(got["code"].text(), got["title"].words(), days))
    unique(((one.code, item) for one, item in zip(read, node.items(), strict=True)), "restriction")
    return tuple(read)


def _tasks(node: Node) -> tuple[Task, ...]:
    items = [
        item.fields(required=("code", "title", "due", "from"), optional=("not_before", "urgent", "warn"))
        for item in node.items()
    ]
    codes = [got["code"].text() for got in items]
    unique(((code, got["code"]) for code, got in zip(codes, items, strict=True)), "task")
    starts = dict(zip(codes, (got["from"] for got in items), strict=True))
    for code, start in starts.items():
        start.choice(("exposure", "report", *(other for other in codes if other != code)), "start of a task")
        seen = {code}
        while (at := starts.get(code)) and (code := at.text()) in starts:
            if code in seen:
                start.fail("the tasks wait for each other; date one of them from exposure or report")
            seen.add(code)
    return tuple(_task(got) for got in items)


def _task(got: "dict[str, Node]") -> Task:
    due = read_duration(got["due"])
    warn = read_duration(got["warn"]) if "warn" in got else None
    if warn is not None and warn.span(31) >= due.span(28):
        got["warn"].fail(f"must be shorter than 'due', which is {due}: the alert comes that long before")
    return Task(
        got["code"].text(),
        got["title"].words(),
        due,
        got["from"].text(),
        read_duration(got["not_before"]) if "not_before" in got else None,
        "urgent" in got and got["urgent"].truth(),
        warn,
    )


def read_profile(node: Node) -> Profile:
    whole = {"min_hours": 0, "reducer_hours": 0, "symptom_count": 1, "silence_hours": 1, "next_look_hours": 1}
    other = ("incubation_days", "fever", "subjective_fever", "rise", "symptoms", "seen")
    got = node.fields(optional=(*whole, *other))
    profile: dict[str, object] = {key: got[key].whole(least=whole[key]) for key in whole if key in got}
    profile |= {key: got[key].truth() for key in ("subjective_fever", "seen") if key in got}
    if "incubation_days" in got:
        profile["incubation_days"] = _incubation(got["incubation_days"])
    if "fever" in got:
        limits = got["fever"].fields(optional=METHODS)
        profile["fever"] = MappingProxyType({method: _fever(limit) for method, limit in limits.items()})
    if "rise" in got and not got["rise"].is_null():
        profile["rise"] = got["rise"].number()
        if profile["rise"] <= 0:  # type: ignore[operator]
            got["rise"].fail("must be more than 0 degrees C; null switches it off")
    if "symptoms" in got:
        symptoms = got["symptoms"].entries()
        profile["symptoms"] = MappingProxyType({code: _symptom(one) for code, one in symptoms.items()})
    return Profile(**profile)  # type: ignore[arg-type]


def _incubation(node: Node) -> tuple[int, int]:
    days = [item.whole() for item in node.items()]
    if len(days) != 2 or days[0] > days[1]:
        node.fail("must be the shortest and the longest time in days, such as [2, 21]")
    return days[0], days[1]


def _fever(node: Node) -> Fever:
    got = node.fields(required=("limit", "unit", "at"))
    limit, unit = got["limit"].number(), got["unit"].choice(BODY, "unit")
    low, high = BODY[unit]
    if not low <= limit <= high:
        got["limit"].fail(f"{limit} {unit} is no body temperature; write {low} to {high}, or the other unit")
    return Fever(limit, unit, got["at"].choice(("at_least", "above")))


def _symptom(node: Node) -> Symptom:
    got = node.fields(required=("ask",), optional=("urgent",))
    return Symptom(got["ask"].words(), "urgent" in got and got["urgent"].truth())
