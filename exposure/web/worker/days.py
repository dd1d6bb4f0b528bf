"""The days of a worker's follow-ups: strips, and each reading and gap as a line."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime

from exposure.attend.overview import CheckLine, Overview
from exposure.classify.plan import Profile
from exposure.followup.models import Check, Reading
from exposure.followup.readings import celsius
from exposure.web.strip import StripMark
from exposure.web.times import window_name
from exposure.web.worker.situation import STOPPING, Situation


@dataclass(frozen=True)
class Strip:
    """One follow-up's strip; `limit` is the fever limit in degrees Celsius. `number` counts them from 1."""

    number: int
    overview: Overview
    marks: tuple[StripMark, ...]
    limit: float | None


@dataclass(frozen=True)
class Entry:
    """One line: an expected reading (`check`), or one beside them. `state`: a key of the strip, "extra", "replaced"."""

    moment: datetime
    check: Check | None
    window: str
    state: str
    reading: Reading | None
    alert: bool
    symptoms: tuple[str, ...]


def strips(situation: Situation) -> list[Strip]:
    """A strip per follow-up that has readings."""
    limit = next((_limit(profile) for profile in situation.profiles), None)
    return [
        Strip(number, one, tuple(_mark(line) for line in one.lines), limit)
        for number, one in enumerate((one for one in situation.overviews if one.lines), 1)
    ]


def _limit(profile: Profile) -> float:
    fever = profile.fever["default"]
    return float(celsius(fever.limit, fever.unit))


def _mark(line: CheckLine) -> StripMark:
    reading = line.reading
    value = float(celsius(reading.value, reading.unit)) if reading and reading.value is not None else None
    return StripMark(window_name(line.check.window), line.state, value, line.alert, line.check.day)


def entries(situation: Situation, readings: Iterable[Reading]) -> list[Entry]:
    """The expected readings so far, one line for two follow-ups that expect the same, and those beside them."""
    lines: dict[datetime, CheckLine] = {}
    for one in situation.overviews:
        for line in one.lines:
            if line.state != "upcoming":
                lines.setdefault(line.check.opens_at, line)
    shown = {line.reading.pk for line in lines.values() if line.reading}
    since = min((one.follow_up.opened_at for one in situation.overviews), default=situation.at)
    readings = list(readings)
    replaced = {one.replaces_id for one in readings}
    found = [_expected(line, situation) for line in lines.values()]
    found += [
        _beside(one, situation, replaced) for one in readings if one.pk not in shown and one.taken_at >= since
    ]
    return sorted(found, key=lambda entry: entry.moment, reverse=True)


def _expected(line: CheckLine, situation: Situation) -> Entry:
    moment = line.reading.taken_at if line.reading else line.check.opens_at
    symptoms = _symptoms(line.reading, situation)
    return Entry(
        moment, line.check, window_name(line.check.window), line.state, line.reading, line.alert, symptoms
    )


def _beside(reading: Reading, situation: Situation, replaced: Collection[int]) -> Entry:
    alert = bool(STOPPING.intersection(reading.triggers))
    state = "replaced" if reading.pk in replaced else "extra"
    return Entry(reading.taken_at, None, "", state, reading, alert, _symptoms(reading, situation))


def _symptoms(reading: Reading | None, situation: Situation) -> tuple[str, ...]:
    return tuple(situation.symptoms.get(code, code) for code in reading.symptoms) if reading else ()
