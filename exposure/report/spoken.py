"""A report that was read out over the telephone, or typed from paper: the block that a station's tablet shows where it
could not send for long. Pure.

Lines of up to 16 symbols (base32 without I, L, O, U; a group of four has no meaning) and a check character: Luhn modulo
32 over the number of the line, from 1, and its symbols, so that a slip, and a line in another's place, is noticed where
it is. The symbols hold, five bits each: the first 16 bits of SHA-256 over the rest as bytes, the 16 bytes of the
submission's id, and a text, six bits a letter, places in LETTERS:

    station|staff number or uid|minutes since 2020-01-01 UTC, base 36|phase|d for a drill|what happened|answers

with commas between answers, each `fact=code`, or `fact:number` where it is measured.

What is left out, or could not be spoken, is unknown.
"""

import hashlib
import re
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from exposure.report.submission import ALPHABET, check_digit

LETTERS = " abcdefghijklmnopqrstuvwxyz0123456789_-|=,.:/"  # the first ends the text
EPOCH = datetime(2020, 1, 1, tzinfo=UTC)
IN_A_LINE = 16
MOST_LINES = 60
HEARD_AS = str.maketrans({"O": "0", "I": "1", "L": "1", " ": "", "-": "", ".": "", "\t": "", "\u00a0": ""})


class Misheard(Exception):
    """It does not fit: `line` counts from 1; None where each line fits and the whole does not."""

    def __init__(self, line: int | None) -> None:
        super().__init__(line)
        self.line = line


def read_block(text: str) -> dict[str, Any]:
    """The body of the report. Raises Misheard."""
    lines = [line.upper().translate(HEARD_AS) for line in text.splitlines()]
    lines = [line for line in lines if line]
    symbols = [symbol for at, line in enumerate(lines, 1) for symbol in _read_line(at, line, len(lines))]
    bits = "".join(f"{symbol:05b}" for symbol in symbols)
    hashed, named, spoken = bits[:16], bits[16:144], bits[144:]
    if len(named) < 128 or len(lines) > MOST_LINES:
        raise Misheard(None)
    places = [int(spoken[at : at + 6], 2) for at in range(0, len(spoken) - 5, 6)]
    places = places[: places.index(0)] if 0 in places else places
    if any(place >= len(LETTERS) for place in places):
        raise Misheard(None)
    said = "".join(LETTERS[place] for place in places)
    submission_id = uuid.UUID(int=int(named, 2))
    digest = hashlib.sha256(submission_id.bytes + said.encode()).digest()
    parts = said.split("|")
    if f"{int.from_bytes(digest[:2]):016b}" != hashed or len(parts) != 7:
        raise Misheard(None)
    return _body(submission_id, parts)


def _read_line(at: int, line: str, count: int) -> list[int]:
    try:
        *symbols, check = [ALPHABET.index(letter) for letter in line]
    except ValueError:
        raise Misheard(at) from None
    whole = len(symbols) == IN_A_LINE or (at == count and 0 < len(symbols) < IN_A_LINE)
    if not whole or check_digit([at % 32, *symbols]) != check:
        raise Misheard(at)
    return symbols


def _body(submission_id: uuid.UUID, parts: list[str]) -> dict[str, Any]:
    station, worker, minutes, phase, drill, what, facts = parts
    body: dict[str, Any] = {
        "submission_id": str(submission_id),
        "station": station or None,
        "worker": worker or None,
        "occurred_at": _moment(minutes),
        "phase": phase or None,
        "drill": drill == "d",
        "what_happened": what or None,
        "facts": dict(filter(None, map(_fact, facts.split(",")))),
    }
    return {name: value for name, value in body.items() if value is not None}


def _moment(minutes: str) -> str | None:
    try:
        return (EPOCH + timedelta(minutes=int(minutes, 36))).isoformat()
    except (ValueError, OverflowError):
        return None


def _fact(said: str) -> tuple[str, str | float] | None:
    found = re.fullmatch(r"([a-z0-9_-]+)([=:])(.+)", said)
    if found is None:
        return None
    name, kind, answer = found.groups()
    if kind == "=":
        return name, answer
    try:
        measure = float(answer)
    except ValueError:
        return None
    return name, int(measure) if measure.is_integer() else measure
