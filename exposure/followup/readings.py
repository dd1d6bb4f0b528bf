"""What a reading is, which check it fills, and what it means. Pure; local protocol and the clinician decide.

Temperatures stay as entered and are compared as exact fractions: 100.4 F is 38.0 C, while binary floating
point makes it 38.00000000000006 C. A profile is the `profile` of a criteria file, taken as it is.
"""

import re
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from statistics import median
from types import SimpleNamespace
from typing import Any, Generic, Protocol, TypeVar

BODY = {"C": (Decimal(30), Decimal(45)), "F": (Decimal(86), Decimal(113))}  # both ends are accepted
TYPED = re.compile(r"(\d{1,9})(?:[.,٫](\d{0,9}))? ?°? ?([CF]?)", re.IGNORECASE)
DEGREE_SIGNS = str.maketrans("º˚", "°°")  # the ordinal and the ring that keyboards offer in its place
PLACES = Decimal("0.01")
EARLIER_FOR_RISE = 3
URGENT_FIRST = 1000  # more than there are symptoms: any urgent one weighs more than all others
# A last check has no later opening to end its late time, so that ends when its window would open again.
LATE_WITHOUT_NEXT = timedelta(days=1)

# Where no criteria are adopted: the limit of CDC's interim guidance on monitoring for Ebola (late 2014,
# 38.0 C / 100.4 F measured, or subjective fever), any symptom; hours and rise are local choices.
USUAL_PROFILE = SimpleNamespace(
    fever={"default": SimpleNamespace(limit=Decimal("38.0"), unit="C", at="at_least")},
    subjective_fever=True,
    min_hours=6,
    reducer_hours=6,
    rise=Decimal("1.0"),
    symptoms={},
    symptom_count=1,
)


@dataclass(frozen=True, slots=True)
class Reading:
    """What a person measured and felt at `taken_at` (aware).

    `value` and `unit` (C or F) are as entered, these and `method` None when no temperature was taken.
    `fever_reducer_hours` count from the last dose to the reading; None: none taken (a dose at an unknown hour
    is 0). `symptoms` are codes. `window` and `local_date` are those of the check it belongs to, None for an
    unplaced one. `fever_unreliable` is the clinician's mark on the worker, not the worker's answer.
    """

    value: Decimal | None
    unit: str | None
    method: str | None
    felt_feverish: bool
    fever_reducer_hours: int | Decimal | None
    symptoms: Collection[str]
    taken_at: datetime
    window: str | None = None
    local_date: date | None = None
    fever_unreliable: bool = False

    def __post_init__(self) -> None:
        if isinstance(self.value, float):
            raise TypeError(f"{self.value!r} is a binary float; give the temperature as a Decimal")
        if self.value is not None and self.unit not in BODY:
            raise ValueError(f"{self.value} has the unit {self.unit!r}; give C or F")
        if self.taken_at.utcoffset() is None:
            raise ValueError(f"{self.taken_at.isoformat()} has no time zone; give an aware datetime")


@dataclass(frozen=True, slots=True)
class Entry:
    """A typed temperature, read.

    Accepted: `refusal` is None, `value` and `unit` are as entered. Refused: `refusal` is a code, and `value`
    and `unit` are the temperature it must be judged as all the same (None when it fits no unit). Judge the
    reading made with them; where `must_keep` says so, keep it unplaced with its text and raise its alert.

    Codes: blank; not_a_number; out_of_range (in either unit); other_unit (fits `unit`, not the one entered);
    no_unit; unit_unclear (the letter typed is not the unit entered); too_precise (more than two decimals).
    """

    value: Decimal | None
    unit: str | None
    refusal: str | None


@dataclass(frozen=True, slots=True)
class Trigger:
    """`code` is fever, symptom, masked or rise. `urgent`: fever and the symptoms the profile calls urgent.

    `weight` tells which of one code is the worse: degrees C of a fever, the number of symptoms, urgent ones first.
    """

    code: str
    urgent: bool
    because: str
    weight: Decimal = field(default=Decimal(0), compare=False)


class Slot(Protocol):
    """A check as far as `place` looks at it: a PlannedCheck or a stored row."""

    @property
    def opens_at(self) -> datetime: ...
    @property
    def closes_at(self) -> datetime: ...


Check = TypeVar("Check", bound=Slot)


@dataclass(frozen=True, slots=True)
class Placement(Generic[Check]):
    """The checks a reading fills, none or one. `state`: recorded, recorded_late, close (these three fill),
    repeat_due, extra or unplaced."""

    fills: tuple[Check, ...]
    state: str


def celsius(value: Decimal, unit: str | None) -> Fraction:
    """The exact temperature in degrees C. ValueError for a unit other than C or F, or a value not finite."""
    if unit == "C":
        return Fraction(value)
    if unit == "F":
        return (Fraction(value) - 32) * 5 / 9
    raise ValueError(f"unit {unit!r} is neither C nor F")


def parse_temperature(text: str | None, unit: str | None) -> Entry:
    """Read a temperature typed for `unit`. Comma or point, digits of any script, a trailing °, C or F.

    The two ranges share no number, so a slip of the unit is certain; it is still refused, never corrected.
    """
    plain = " ".join(unicodedata.normalize("NFKC", (text or "").translate(DEGREE_SIGNS)).split())
    match = TYPED.fullmatch(plain)
    if not match:
        return Entry(None, None, "not_a_number" if plain else "blank")
    whole, decimals, letter = match.groups(default="")
    value = Decimal(f"{whole}.{decimals}" if decimals else whole)
    fits = next((name for name, (low, high) in BODY.items() if low <= value <= high), None)
    if fits is None:
        return Entry(None, None, "out_of_range")
    if unit not in BODY:
        return Entry(value, fits, "no_unit")
    if fits != unit:
        return Entry(value, fits, "other_unit")
    if letter.upper() not in ("", unit):
        return Entry(value, fits, "unit_unclear")
    if value != value.quantize(PLACES):
        return Entry(value, fits, "too_precise")
    return Entry(value, fits, None)


def must_keep(triggers: Sequence[Trigger]) -> bool:
    """Whether a refused entry with these triggers is kept; one that is only masked just needs a repeat."""
    return any(trigger.code != "masked" for trigger in triggers)


def has_fever(reading: Reading, profile: Any) -> bool:
    """Measured by the profile's limit for the method, or felt where the profile counts that."""
    return _limit_reached(reading, profile) or bool(reading.felt_feverish and profile.subjective_fever)


def is_masked(reading: Reading, profile: Any) -> bool:
    """No fever, but within `reducer_hours` (the last one included) of a fever reducer: not reassuring."""
    hours = reading.fever_reducer_hours
    return hours is not None and hours <= profile.reducer_hours and not has_fever(reading, profile)


def judge(reading: Reading, profile: Any, earlier: Sequence[Reading]) -> list[Trigger]:
    """What the reading means under the profile: fever, symptom, masked, rise, in this order.

    `earlier` are the worker's unreplaced readings before it, oldest first; only `rise` looks at them.
    """
    found = (_fever(reading, profile), _symptom(reading, profile), _masked(reading, profile))
    rise = _rise(reading, profile, earlier)
    return [trigger for trigger in (*found, rise) if trigger]


def place(
    reading: Reading,
    checks: Sequence[Check],
    earlier: Sequence[Reading],
    min_hours: float,
    *,
    profile: Any = USUAL_PROFILE,
) -> Placement[Check]:
    """Which of one follow-up's standing checks the reading fills; `profile` says what is masked.

    `earlier` are the worker's unreplaced readings, oldest first. They are placed in turn, since only one that
    fills a check counts: it alone keeps another within `min_hours` from counting. A check answered in its
    window takes no more readings; an answer in the window outranks a late one. "Could not" is no reading.
    """
    before: list[_Placed[Check]] = []
    for each in (*earlier, reading):
        check = check_of(each, checks)
        placed = _Placed(each, check, check is not None and _holds(check, each), is_masked(each, profile))
        before.append(replace(placed, state=_state(placed, before, timedelta(hours=min_hours))))
    last = before[-1]
    return Placement((last.check,) if last.check is not None and last.fills else (), last.state)


@dataclass(frozen=True, slots=True)
class _Placed(Generic[Check]):
    reading: Reading
    check: Check | None
    on_time: bool
    masked: bool
    state: str = ""

    @property
    def fills(self) -> bool:
        return self.state in ("recorded", "recorded_late", "close")


def _state(new: _Placed[Check], before: Sequence[_Placed[Check]], min_gap: timedelta) -> str:
    if new.check is None:
        return "unplaced"
    same_check = [other for other in before if other.check is new.check]
    if any(other.fills and (other.on_time or not new.on_time) for other in same_check):
        return "extra"
    repeat = any(other.state == "repeat_due" for other in same_check)
    if new.masked and not (repeat and new.reading.fever_unreliable):
        return "repeat_due"
    near = [] if repeat else [other for other in before if _apart(new.reading, other.reading) < min_gap]
    if any(other.fills and other.on_time for other in near):
        return "extra"
    if near:
        return "close"
    return "recorded" if new.on_time else "recorded_late"


def check_of(reading: Reading, checks: Sequence[Check]) -> Check | None:
    """The check whose window holds the reading, or the last one before it while no other has opened."""
    at = _utc(reading)
    opened = [check for check in checks if check.opens_at <= at]
    if not opened:
        return None
    latest = max(opened, key=lambda check: check.opens_at)
    followed = len(opened) < len(checks)
    return latest if followed or at < max(latest.closes_at, latest.opens_at + LATE_WITHOUT_NEXT) else None


def _holds(check: Slot, reading: Reading) -> bool:
    return check.opens_at <= _utc(reading) < check.closes_at


def _apart(one: Reading, other: Reading) -> timedelta:
    return abs(_utc(one) - _utc(other))


def _utc(reading: Reading) -> datetime:
    """The instant in UTC: within one zone Python would compare wall times, an hour off where they repeat."""
    return reading.taken_at.astimezone(UTC)


def as_json(profile: Any) -> dict[str, Any]:
    """The numbers of a profile by which readings are judged, as plain JSON: decimals as strings."""
    return {
        "fever": {
            method: {"limit": str(fever.limit), "unit": fever.unit, "at": fever.at}
            for method, fever in profile.fever.items()
        },
        "subjective_fever": profile.subjective_fever,
        "min_hours": profile.min_hours,
        "reducer_hours": profile.reducer_hours,
        "rise": None if profile.rise is None else str(profile.rise),
        "urgent": sorted(code for code, symptom in profile.symptoms.items() if symptom.urgent),
        "symptom_count": profile.symptom_count,
    }


def limit_of(reading: Reading, profile: Any) -> Any:
    return profile.fever.get(reading.method) or profile.fever["default"]


def _celsius(reading: Reading) -> Fraction | None:
    return None if reading.value is None else celsius(reading.value, reading.unit)


def _limit_reached(reading: Reading, profile: Any) -> bool:
    measured = _celsius(reading)
    if measured is None:
        return False
    limit = limit_of(reading, profile)
    least = celsius(limit.limit, limit.unit)
    return measured > least if limit.at == "above" else measured >= least


def _fever(reading: Reading, profile: Any) -> Trigger | None:
    if _limit_reached(reading, profile):
        limit = limit_of(reading, profile)
        side = "above" if limit.at == "above" else "at or above"
        measured = f"{reading.value} {reading.unit}"
        because = f"{measured} is {side} the limit of {limit.limit} {limit.unit}"
        return Trigger("fever", True, because, _as_weight(_celsius(reading)))
    if has_fever(reading, profile):
        limit = limit_of(reading, profile)
        felt = _as_weight(celsius(limit.limit, limit.unit))
        return Trigger("fever", True, "felt feverish, which counts as a fever", felt)
    return None


def _as_weight(degrees: Fraction | None) -> Decimal:
    """Degrees C to a hundredth."""
    return Decimal(0) if degrees is None else Decimal(round(degrees * 100)) / 100


def _symptom(reading: Reading, profile: Any) -> Trigger | None:
    """Every reported code counts, also one that this profile does not ask about."""
    reported = sorted(set(reading.symptoms))
    urgent = [code for code in reported if code in profile.symptoms and profile.symptoms[code].urgent]
    if urgent:
        weight = Decimal(URGENT_FIRST + len(urgent))
        return Trigger("symptom", True, f"urgent symptom: {', '.join(urgent)}", weight)
    if reported and len(reported) >= profile.symptom_count:
        return Trigger("symptom", False, f"symptoms: {', '.join(reported)}", Decimal(len(reported)))
    if reading.fever_unreliable and (reported or (reading.felt_feverish and not profile.subjective_fever)):
        unwell = ", ".join(reported) or "felt feverish"
        return Trigger("symptom", False, f"unwell ({unwell}), and fever is not reliable in this worker")
    return None


def _masked(reading: Reading, profile: Any) -> Trigger | None:
    if not is_masked(reading, profile):
        return None
    within = f"within {profile.reducer_hours} h of a fever reducer, which can hide a fever"
    return Trigger("masked", False, f"{within}; take another reading later")


def _rise(reading: Reading, profile: Any, earlier: Sequence[Reading]) -> Trigger | None:
    measured = _celsius(reading)
    if profile.rise is None or measured is None or not reading.window or has_fever(reading, profile):
        return None
    comparable = [
        _celsius(other)
        for other in earlier
        if (other.window, other.method) == (reading.window, reading.method)
        and not has_fever(other, profile)
        and not is_masked(other, profile)
    ]
    usual = [temperature for temperature in comparable if temperature is not None]
    if len(usual) < EARLIER_FOR_RISE or measured - median(usual) < Fraction(profile.rise):
        return None
    because = f"{profile.rise} C or more above the worker's own usual reading; keep a closer watch"
    return Trigger("rise", False, because)
