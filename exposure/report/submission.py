"""A breach report as it arrives: lenient reading, one digest per content, the reference. Pure.

A report is refused only for what is not JSON, a wrong JSON type or a missing `submission_id`; whatever else is
odd is kept, and named in `flags` by those who understand it.
"""

import hashlib
import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import rfc8785

from exposure.refusal import BadSubmission, Problem

TEXTS = (
    "station", "worker", "occurred_at", "case", "phase", "step", "removal", "event", "pathogen", "criteria_version",
    "what_happened", "narrative",
)  # fmt: skip
KEYS = frozenset(
    {"submission_id", "person", "drill", "facts", "first_aid", "device_clock", "observer", "sealed", *TEXTS}
)
PERSON_KEYS = ("name", "phone", "employer")
DEFAULTS: dict[str, Any] = {"drill": False, "facts": {}, "first_aid": [], "narrative": "", "phase": "removal"}
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
LONGEST_BADGE = 60
LARGEST_EXACT = 2**53 - 1
REPLACED = "\ufffd"
YEARS = range(1900, 9999)  # another year is a slip, and may leave the calendar in another time zone


@dataclass(frozen=True)
class Submission:
    """A breach report with the right JSON types. Texts are "" where absent; `facts` has text and number answers.
    `observer`: the badge of who observed, as a station's tablet states it; None where nothing is said."""

    submission_id: uuid.UUID
    body: dict[str, Any]
    sha256: str
    texts: dict[str, str]
    person: dict[str, str] | None
    drill: bool
    facts: dict[str, str | int | float]
    first_aid: tuple[str, ...]
    observer: str | None
    flags: tuple[str, ...]


def read_submission(raw: Any) -> Submission:
    """Read a parsed JSON body. Raises BadSubmission with every wrong type at once."""
    if not isinstance(raw, dict):
        raise BadSubmission(Problem("", "Send a JSON object."))
    raw, _digits = without_digits(raw)
    body = storable(raw)
    problems = [
        Problem(f"/{name}", f"“{name}” must be text or left out.")
        for name in TEXTS
        if not isinstance(body.get(name), str | None)
    ]
    problems += _wrong_types(body)
    submission_id = _identity(body.get("submission_id"), problems)
    if problems or submission_id is None:
        raise BadSubmission(*problems)
    facts, odd = _answers(body.get("facts") or {})
    person = body.get("person")
    unknown = [f"unknown_key:{key}" for key in body if key not in KEYS]
    unknown += [f"unknown_key:person.{key}" for key in person or () if key not in PERSON_KEYS]
    altered = body != raw or any(REPLACED in (body.get(name) or "") for name in TEXTS)
    unopened = ["unopened"] if body.get("sealed") else []
    flags = (["altered"] if altered else []) + unopened + unknown + odd
    return Submission(
        submission_id=submission_id,
        body=body,
        sha256=content_digest(body),
        texts={name: (body.get(name) or "").strip() for name in TEXTS},
        person={key: str(person.get(key) or "").strip() for key in PERSON_KEYS} if person else None,
        drill=bool(body.get("drill")),
        facts=facts,
        first_aid=tuple(body.get("first_aid") or ()),
        observer=body["observer"]["badge"] if body.get("observer") else None,
        flags=tuple(flags),
    )


def without_digits(body: dict[str, Any]) -> tuple[dict[str, Any], str]:
    """(the body as it may be kept, the digits that its observer entered at a station's tablet or ""). Of what is said
    about the observer a badge that is text stays, and nothing else: whatever it was, it could be the digits."""
    said = body.get("observer")
    if said is None:
        return body, ""
    entered = {name: said.get(name) for name in ("badge", "digits")} if isinstance(said, dict) else {}
    badge, digits = (
        value.strip() if isinstance(value := entered.get(name), str) else "" for name in ("badge", "digits")
    )
    return {**body, "observer": {"badge": badge[:LONGEST_BADGE]}}, digits


def _wrong_types(body: dict[str, Any]) -> list[Problem]:
    problems = []
    person, facts, first_aid = body.get("person"), body.get("facts"), body.get("first_aid")
    if not isinstance(person, dict | None):
        problems.append(Problem("/person", "“person” must be an object with name, phone and employer."))
    elif person and any(not isinstance(person.get(key), str | None) for key in PERSON_KEYS):
        problems.append(Problem("/person", "Name, phone and employer of “person” must be text."))
    problems += [
        Problem(f"/{name}", f"“{name}” must be an object.")
        for name in ("device_clock", "sealed")
        if not isinstance(body.get(name), dict | None)
    ]
    if not isinstance(body.get("drill"), bool | None):
        problems.append(Problem("/drill", "“drill” must be true or false."))
    if not isinstance(facts, dict | None):
        problems.append(Problem("/facts", "“facts” must be an object of fact and answer."))
    if not isinstance(first_aid, list | None) or any(not isinstance(code, str) for code in first_aid or ()):
        problems.append(Problem("/first_aid", "“first_aid” must be a list of codes."))
    return problems


def _identity(value: Any, problems: list[Problem]) -> uuid.UUID | None:
    try:
        return uuid.UUID(value)
    except (ValueError, TypeError, AttributeError):
        problems.append(
            Problem("/submission_id", "Send a “submission_id”: a UUID made on the device, once a report.")
        )
        return None


def _answers(facts: dict[str, Any]) -> tuple[dict[str, str | int | float], list[str]]:
    """Answers that can be judged; a null is unknown, anything else but text and numbers is kept and flagged."""
    answers, odd = {}, []
    for name, answer in facts.items():
        if isinstance(answer, str) or (isinstance(answer, int | float) and not isinstance(answer, bool)):
            answers[name] = answer
        elif answer is not None:
            odd.append(f"unknown_answer:{name}")
    return answers, odd


def storable(value: Any) -> Any:
    """The value as both databases and RFC 8785 can hold it.

    NUL and lone surrogates become U+FFFD; numbers that a double cannot hold exactly or that are not finite become
    their text. Keys that would become one stay apart.
    """
    if isinstance(value, str):
        if value.isascii() and "\0" not in value:
            return value
        return value.replace("\0", REPLACED).encode("utf-16", "surrogatepass").decode("utf-16", "replace")
    if isinstance(value, dict):
        return dict(zip(_storable_keys(value), map(storable, value.values()), strict=True))
    if isinstance(value, list):
        return [storable(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > LARGEST_EXACT:
        return str(value)
    return value


def _storable_keys(value: dict[Any, Any]) -> list[str]:
    """The keys as they can be stored, in their order; which of several alike gets what does not hang on the order."""
    keys = [str(key) for key in value]
    kept = {key: storable(key) for key in keys}
    if len(set(kept.values())) < len(keys):
        taken = {key for key in keys if kept[key] == key}
        for key in sorted(key for key in keys if kept[key] != key):
            if kept[key] in taken:
                kept[key] = key.encode("unicode_escape").decode("ascii")
                while kept[key] in taken:
                    kept[key] += REPLACED
            taken.add(kept[key])
    return [kept[key] for key in keys]


def content_digest(
    body: dict[str, Any], defaults: dict[str, Any] = DEFAULTS, instant: str = "occurred_at"
) -> str:
    """SHA-256 (hex) of the RFC 8785 form of the body, without nulls and defaults, its instant in UTC."""
    bare = {
        key: value
        for key, value in _without_nulls(body).items()
        if not (key in defaults and value == defaults[key])
    }
    moment = read_instant(bare.get(instant))
    if moment is not None and moment.tzinfo is not None:
        bare[instant] = moment.astimezone(UTC).isoformat()
    return hashlib.sha256(rfc8785.dumps(bare)).hexdigest()


def _without_nulls(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nulls(item) for key, item in value.items() if item is not None}
    return value


def read_instant(text: Any) -> datetime | None:
    """The instant an RFC 3339 text names; without offset it comes back naive; None when it names none."""
    if not isinstance(text, str):
        return None
    try:
        moment = datetime.fromisoformat(text.strip())
        if moment.tzinfo is not None:
            moment.astimezone(UTC)  # near year 1 and 9999 an offset may lead out of the calendar
    except (ValueError, OverflowError):
        return None
    return moment


def uid_in(text: str) -> uuid.UUID | None:
    """The id that the text is; None is the id of nothing that exists."""
    try:
        return uuid.UUID(text)
    except ValueError:
        return None


def reference(submission_id: uuid.UUID) -> str:
    """The short reference of a report, XXXX-XXXX-C, computed the same on a device without network.

    The first 40 bits of SHA-256 of the UUID's 16 bytes in base32 (digits and capitals without I, L, O, U), and a
    Luhn mod 32 check character. Not unique: a look-up lists all.
    """
    bits = int.from_bytes(hashlib.sha256(submission_id.bytes).digest()[:5])
    digits = [bits >> shift & 31 for shift in range(35, -1, -5)]
    letters = "".join(ALPHABET[digit] for digit in digits)
    return f"{letters[:4]}-{letters[4:]}-{ALPHABET[check_digit(digits)]}"


def check_digit(digits: Sequence[int]) -> int:
    """Luhn modulo 32."""
    total = 0
    for place, digit in enumerate(reversed(digits)):
        doubled = digit * (2 if place % 2 == 0 else 1)
        total += doubled // 32 + doubled % 32
    return -total % 32
