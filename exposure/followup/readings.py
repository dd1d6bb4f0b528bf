"""What a reading is, which check it fills, and what it means. Pure; local protocol and the clinician decide.

Temperatures stay as entered and are compared as exact fractions: 100.4 F is 38.0 C, while binary floating point
makes it 38.00000000000006 C. A profile is the `profile` of a criteria file (`exposure.classify`), taken as it is.
"""

import re
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from statistics import median
from types import SimpleNamespace
from typing import Any, Generic, Protocol, TypeVar

BODY = {"C": (Decimal(30), Decimal(45)), "F": (Decimal(86), Decimal(113))}  # both ends are accepted
TYPED = re.compile(r"(\d{1,9})(?:[.,٫](\d{0,9}))? ?°? ?([CF]?)", re.IGNORECASE)
PLACES = Decimal("0.01")
EARLIER_FOR_RISE = 3
# A last check has no later opening to end its late time, so that ends when its window would open again.
LATE_WITHOUT_NEXT = timedelta(days=1)

# Whom `place` is not told the profile of: the usual limit of the published guidance (CDC 2014, Ebola monitoring,
# "measured temperature of 38.0 C or subjective fever") and the design's hours after a fever reducer.
USUAL_PROFILE = SimpleNamespace(
    fever={"default": SimpleNamespace(limit=Decimal("38.0"), unit="C", at="at_least")},
    subjective_fever=True,
    reducer_hours=6,
)


@dataclass(frozen=True, slots=True)
class Reading:
    """What a person measured and felt at `taken_at` (aware).

    `value` and `unit` (C or F) are as entered, `value` and `method` None when no temperature was taken.
    `fever_reducer_hours` counts from the last dose to the reading; None: none taken (a dose at an unknown hour
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
        if self.taken_at.utcoffset() is None:
            raise ValueError(f"{self.taken_at.isoformat()} has no time zone; give an aware datetime")


@dataclass(frozen=True, slots=True)
class Entry:
    """A typed temperature, read.

    Accepted: `refusal` is None, `value` and `unit` are as entered. Refused: `refusal` is a code, and `value` and
    `unit` are the temperature it must all the same be judged as (None when it fits no unit). Judge the reading
    made with them; when `must_keep` says so, keep it unplaced with its text and raise its alert.

    Codes: blank; not_a_number; out_of_range (in either unit); other_unit (fits the unit in `unit`, not the one
    entered); no_unit; unit_unclear (the letter typed is not the unit entered); too_precise (over two decimals).
    """

    value: Decimal | None
    unit: str | None
    refusal: str | None


@dataclass(frozen=True, slots=True)
class Trigger:
    """`code` is fever, symptom, masked or rise. `urgent`: fever and the symptoms the profile calls urgent."""

    code: str
    urgent: bool
    because: str


class Slot(Protocol):
    """A check as far as `place` looks at it: a PlannedCheck or a stored row."""

    @property
    def opens_at(self) -> datetime: ...
    @property
    def due_at(self) -> datetime: ...
    @property
    def closes_at(self) -> datetime: ...


Check = TypeVar("Check", bound=Slot)


@dataclass(frozen=True, slots=True)
class Placement(Generic[Check]):
    """The checks a reading fills (none or one) and its state: recorded, recorded_late, close, repeat_due, extra
    or unplaced."""

    fills: tuple[Check, ...]
    state: str


def celsius(value: Decimal, unit: str) -> Fraction:
    """The exact temperature in degrees C. ValueError for a unit other than C or F, or a value not finite."""
    if unit == "C":
        return Fraction(value)
    if unit == "F":
        return (Fraction(value) - 32) * 5 / 9
    raise ValueError(f"unit {unit!r} is neither C nor F")


def parse_temperature(text: str | None, unit: str | None) -> Entry:
    """Read a typed temperature for the chosen unit. Comma or point, digits of any script, a trailing °C or °F.

    The two ranges share no number, so a slip of the unit is certain; it is still refused, never corrected.
    """
    plain = " ".join(unicodedata.normalize("NFKC", text or "").split())
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
    """Whether a refused or unplaceable entry with these triggers is kept; a masked one only asks for another."""
    return any(trigger.code != "masked" for trigger in triggers)


def has_fever(reading: Reading, profile: Any) -> bool:
    """Measured by the profile's limit for the method, or felt where the profile counts that."""
    return _limit_reached(reading, profile) or bool(reading.felt_feverish and profile.subjective_fever)


def is_masked(reading: Reading, profile: Any) -> bool:
    """No fever, but within `reducer_hours` (the last one included) of a fever reducer: not reassuring."""
    hours = reading.fever_reducer_hours
    return hours is not None and hours <= profile.reducer_hours and not has_fever(reading, profile)


def judge(reading: Reading, profile: Any, earlier: Sequence[Reading]) -> list[Trigger]:
    """What the reading means under the profile: fever, symptom, masked, rise, in this order. [] is reassuring.

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
    """Which of one follow-up's standing checks the reading fills.

    `earlier` are the worker's unreplaced readings so far, in any order; `checks` reach back to the one before
    the earliest of them that lies within `min_hours`. The profile says what is masked. A masked normal reading does not count: it fills
    nothing and keeps no later one from counting. Once a check is answered in its window, more readings in it
    are extra; an answer in the window still outranks a late one. "Could not" is no reading and is not placed.
    """
    check = _check_of(reading, checks)
    if check is None:
        return Placement((), "unplaced")
    same_check = [other for other in earlier if _check_of(other, checks) is check]
    counting = [other for other in earlier if not is_masked(other, profile)]
    on_time = _holds(check, reading)
    if any(other in counting and (_holds(check, other) or not on_time) for other in same_check):
        return Placement((), "extra")
    repeat = any(is_masked(other, profile) for other in same_check)
    if is_masked(reading, profile) and not (repeat and reading.fever_unreliable):
        return Placement((), "repeat_due")
    state = "recorded" if on_time else "recorded_late"
    near = [other for other in counting if _apart(reading, other) < timedelta(hours=min_hours)]
    if near and not repeat:
        if any(_in_own_window(other, checks) for other in near):
            return Placement((), "extra")
        state = "close"
    return Placement((check,), state)


def _check_of(reading: Reading, checks: Sequence[Check]) -> Check | None:
    """The check whose window holds the reading, or the last one before it while no other has opened."""
    at = _utc(reading)
    opened = [check for check in checks if check.opens_at <= at]
    if not opened:
        return None
    latest = max(opened, key=lambda check: check.opens_at)
    followed = len(opened) < len(checks)
    return latest if followed or at < max(latest.closes_at, latest.opens_at + LATE_WITHOUT_NEXT) else None


def _in_own_window(reading: Reading, checks: Sequence[Slot]) -> bool:
    check = _check_of(reading, checks)
    return check is not None and _holds(check, reading)


def _holds(check: Slot, reading: Reading) -> bool:
    return check.opens_at <= _utc(reading) < check.closes_at


def _apart(one: Reading, other: Reading) -> timedelta:
    return abs(_utc(one) - _utc(other))


def _utc(reading: Reading) -> datetime:
    """Instants are compared in UTC: within one zone Python compares wall times, an hour off where they repeat."""
    return reading.taken_at.astimezone(UTC)


def _limit(reading: Reading, profile: Any) -> Any:
    return profile.fever.get(reading.method) or profile.fever["default"]


def _limit_reached(reading: Reading, profile: Any) -> bool:
    if reading.value is None or reading.unit is None:
        return False
    limit = _limit(reading, profile)
    measured, least = celsius(reading.value, reading.unit), celsius(limit.limit, limit.unit)
    return measured > least if limit.at == "above" else measured >= least


def _fever(reading: Reading, profile: Any) -> Trigger | None:
    if _limit_reached(reading, profile):
        limit = _limit(reading, profile)
        side = "above" if limit.at == "above" else "at or above"
        return Trigger(
            "fever", True, f"{reading.value} {reading.unit} is {side} the limit of {limit.limit} {limit.unit}"
        )
    if has_fever(reading, profile):
        return Trigger("fever", True, "felt feverish, which counts as a fever")
    return None


def _symptom(reading: Reading, profile: Any) -> Trigger | None:
    """Every reported code counts, also one that this profile does not ask about."""
    reported = sorted(set(reading.symptoms))
    urgent = [code for code in reported if code in profile.symptoms and profile.symptoms[code].urgent]
    if urgent:
        return Trigger("symptom", True, f"urgent symptom: {', '.join(urgent)}")
    if reported and len(reported) >= profile.symptom_count:
        return Trigger("symptom", False, f"symptoms: {', '.join(reported)}")
    if reading.fever_unreliable and (reported or (reading.felt_feverish and not profile.subjective_fever)):
        unwell = ", ".join(reported) or "felt feverish"
        return Trigger("symptom", False, f"unwell ({unwell}), and fever is not reliable in this worker")
    return None


def _masked(reading: Reading, profile: Any) -> Trigger | None:
    if not is_masked(reading, profile):
        return None
    return Trigger(
        "masked",
        False,
        f"fever reducer {reading.fever_reducer_hours} h before, which can hide a fever; take another reading "
        f"when {profile.reducer_hours} h have passed",
    )


def _rise(reading: Reading, profile: Any, earlier: Sequence[Reading]) -> Trigger | None:
    if profile.rise is None or reading.window is None or has_fever(reading, profile):
        return None
    if reading.value is None or reading.unit is None:
        return None
    own = [
        celsius(other.value, other.unit)
        for other in earlier
        if (other.window, other.method) == (reading.window, reading.method)
        and other.value is not None
        and other.unit is not None
        and not has_fever(other, profile)
        and not is_masked(other, profile)
    ]
    if len(own) < EARLIER_FOR_RISE:
        return None
    above = celsius(reading.value, reading.unit) - median(own)
    if above < Fraction(profile.rise):
        return None
    return Trigger(
        "rise", False, f"{float(above):.1f} C above the worker's own usual reading; keep a closer watch"
    )
