"""A reading as it arrives, by page or API: read, checked, every complaint at its field. No database."""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any

from django.utils.translation import gettext as _

from exposure.followup.models import METHODS
from exposure.followup.readings import BODY, Entry, Reading, parse_temperature
from exposure.refusal import BadSubmission, Problem
from exposure.report.submission import YEARS, content_digest, read_instant, storable

CLOCK_GRACE = timedelta(minutes=10)
TEXTS = (
    "temperature",
    "unit",
    "method",
    "fever_reducer",
    "could_not",
    "replaces",
    "reason",
    "observed_by",
    "note",
)
DEFAULTS: dict[str, Any] = {"felt_feverish": False, "symptoms": [], "note": ""}
MOST_HOURS = Decimal(999)
# Below these a thermometer is more often held wrongly than a person is so cold: 35.0 degrees C is where hypothermia
# begins by its common definition (a core temperature below 35 degrees C; from memory). 95.0 F is the same exactly.
ASK_BELOW = {"C": Decimal("35.0"), "F": Decimal("95.0")}


@dataclass(frozen=True)
class ReadingEntry:
    """What was entered. `refused` holds what was wrong with it: `typed` is then kept with what it must be judged
    as (`judged`); otherwise `judged` is what is stored."""

    submission_id: uuid.UUID
    sha256: str
    taken_at: datetime
    typed: str
    unit: str
    method: str
    value: Decimal | None
    judged: Reading
    felt_feverish: bool
    fever_reducer: str
    fever_reducer_hours: Decimal | None
    symptoms: tuple[str, ...]
    could_not: str
    replaces: uuid.UUID | None
    reason: str
    observed_by: str
    note: str
    refused: tuple[Problem, ...]


def read_entry(raw: Any, *, at: datetime) -> ReadingEntry:
    """Read a parsed body. Raises BadSubmission for wrong JSON types and a missing id; what is wrong with the
    content is in `refused`, because a trigger in it must not be lost."""
    if not isinstance(raw, dict):
        raise BadSubmission(Problem("", _("Send a JSON object.")))
    body = storable(raw)
    problems = [
        Problem(f"/{name}", _("“%(name)s” must be text or left out.") % {"name": name})
        for name in TEXTS
        if not isinstance(body.get(name), str | None)
    ]
    symptoms = body.get("symptoms")
    symptoms = [] if symptoms is None else symptoms
    if not isinstance(symptoms, list) or any(not isinstance(code, str) for code in symptoms):
        problems.append(Problem("/symptoms", _("“symptoms” must be a list of codes.")))
    if not isinstance(body.get("felt_feverish"), bool | None):
        problems.append(Problem("/felt_feverish", _("“felt_feverish” must be true or false.")))
    submission_id = _uuid(body.get("submission_id"))
    if submission_id is None:
        problems.append(Problem("/submission_id", _("Send a “submission_id”: a UUID, made once a reading.")))
    if problems or submission_id is None:
        raise BadSubmission(*problems)
    return _entry(submission_id, body, tuple(dict.fromkeys(symptoms)), at)


def worth_asking(
    entry: ReadingEntry, *, symptoms_answered: bool, low_is_right: bool = False
) -> tuple[Problem, ...]:
    """What somebody who filled in a form is asked once more before the entry is taken; none where none could be taken.

    These refuse nothing: whoever asks must not ask where the entry is to stop the worker.
    """
    if entry.could_not:
        return ()
    asked = []
    value, unit = entry.judged.value, entry.judged.unit
    if value is not None and unit and value < ASK_BELOW[unit] and not low_is_right:
        words = _(
            "%(typed)s is lower than a thermometer usually shows. Take it once more. If it is right, send it "
            "again: it is then taken."
        )
        asked.append(Problem("/temperature", words % {"typed": entry.typed}))
    if not symptoms_answered:
        asked.append(Problem("/symptoms", _("Tick each one that you have, or “None of these”.")))
    return tuple(asked)


def _entry(
    submission_id: uuid.UUID, body: dict[str, Any], symptoms: tuple[str, ...], at: datetime
) -> ReadingEntry:
    texts = {name: (body.get(name) or "").strip() for name in TEXTS}
    refused: list[Problem] = []
    taken_at = _taken_at(body.get("taken_at"), refused, at)
    felt_feverish = bool(body.get("felt_feverish"))
    hours = _hours(body.get("fever_reducer_hours"), texts["fever_reducer"], refused)
    wanted = bool(texts["temperature"]) or not (felt_feverish or symptoms or texts["could_not"])
    entry = (
        parse_temperature(texts["temperature"], texts["unit"] or None) if wanted else Entry(None, None, None)
    )
    if entry.refusal:
        refused.append(_temperature_problem(entry, texts))
    elif entry.value is not None and texts["method"] not in dict(METHODS):
        refused.append(Problem("/method", _("Say where the temperature was taken.")))
    replaces = _uuid(texts["replaces"])
    if texts["replaces"] and replaces is None:
        refused.append(Problem("/replaces", _("“replaces” must be the id of an earlier reading.")))
    if replaces and not texts["reason"]:
        refused.append(Problem("/reason", _("Say why the earlier reading is replaced.")))
    measured = entry.value is not None
    return ReadingEntry(
        submission_id=submission_id,
        sha256=content_digest(body, DEFAULTS, "taken_at"),
        taken_at=taken_at,
        typed=texts["temperature"][:200],
        unit=texts["unit"][:1] if measured else "",
        method=texts["method"][:20] if measured else "",
        value=entry.value,
        judged=Reading(
            value=entry.value,
            unit=entry.unit,
            method=texts["method"] or None,
            felt_feverish=felt_feverish,
            fever_reducer_hours=hours,
            symptoms=symptoms,
            taken_at=min(taken_at, at),
        ),
        felt_feverish=felt_feverish,
        fever_reducer=texts["fever_reducer"][:100],
        fever_reducer_hours=hours,
        symptoms=symptoms,
        could_not="" if texts["temperature"] else texts["could_not"],
        replaces=replaces,
        reason=texts["reason"],
        observed_by=texts["observed_by"][:200],
        # Whoever has measured after all has no reason left for not measuring; what they wrote is kept.
        note="\n".join(filter(None, (texts["note"], texts["could_not"] if texts["temperature"] else ""))),
        refused=tuple(refused),
    )


def _uuid(value: Any) -> uuid.UUID | None:
    try:
        return uuid.UUID(value)
    except (ValueError, TypeError, AttributeError):
        return None


def _taken_at(value: Any, refused: list[Problem], at: datetime) -> datetime:
    """The moment of the reading; what cannot be one is refused and judged as of now."""
    if value is None:
        return at
    taken_at = read_instant(value)
    if taken_at is None or taken_at.tzinfo is None or taken_at.year not in YEARS:
        refused.append(Problem("/taken_at", _("Give date and time of the reading, with its time zone.")))
        return at
    if taken_at > at + CLOCK_GRACE:
        refused.append(
            Problem("/taken_at", _("This time has not come yet. Give the time when the reading was taken."))
        )
    return taken_at


def _hours(value: Any, reducer: str, refused: list[Problem]) -> Decimal | None:
    """Hours since the fever reducer; one taken at an unknown hour counts as just now."""
    if value is None or value == "":
        return Decimal(0) if reducer else None
    try:
        hours = Decimal(str(value).replace(",", "."))
        if not hours.is_finite() or not 0 <= hours <= MOST_HOURS:
            raise InvalidOperation
    except InvalidOperation:
        refused.append(
            Problem("/fever_reducer_hours", _("Give the hours since the medicine as a number from 0."))
        )
        return Decimal(0)
    return round(hours, 2)


def _temperature_problem(entry: Entry, texts: dict[str, str]) -> Problem:
    """The refusal in words, with its remedy, at the field that is wrong."""
    ranges = {unit: f"{low} to {high}" for unit, (low, high) in BODY.items()}
    said = {"typed": texts["temperature"], "c": ranges["C"], "f": ranges["F"], "fits": entry.unit or ""}
    match entry.refusal:
        case "blank":
            return Problem("/temperature", _("Enter the temperature, or say why you could not take it."))
        case "other_unit":
            return Problem(
                "/unit", _("%(typed)s looks like °%(fits)s. Choose °%(fits)s, or correct the number.") % said
            )
        case "no_unit" | "unit_unclear":
            return Problem("/unit", _("Choose °C or °F for %(typed)s.") % said)
        case "too_precise":
            return Problem("/temperature", _("Give at most two decimals, such as 37.4."))
        case "out_of_range":
            return Problem(
                "/temperature",
                _("%(typed)s is no body temperature. Enter %(c)s in °C or %(f)s in °F.") % said,
            )
        case _:
            return Problem("/temperature", _("Enter a number such as 37.4; “%(typed)s” is none.") % said)
