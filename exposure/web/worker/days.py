"""The days of a worker's follow-ups: strips, and each reading, gap and entry that could not be taken as a line."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet

from exposure.attend.overview import CheckLine, Overview
from exposure.attend.told import STOPPING
from exposure.followup.models import Check, Exposure, Reading, UnplacedReading
from exposure.followup.store_reading import LATEST_BY_WORKER
from exposure.people.models import Worker
from exposure.web.marks import counts_of, highest_in_windows, limit_of, marks
from exposure.web.strip import StripMark
from exposure.web.times import window_name
from exposure.web.worker.situation import Situation


@dataclass(frozen=True)
class Strip:
    """One follow-up's strip; `limit` is its own fever limit in degrees Celsius. `number` counts them from 1.
    `exposures`: those whose days it counts, the oldest first."""

    number: int
    overview: Overview
    marks: tuple[StripMark, ...]
    limit: float
    exposures: tuple["Counted", ...]


@dataclass(frozen=True)
class Counted:
    """An exposure with the number of its day today and the number of its days."""

    exposure: Exposure
    day: int
    days: int

    @property
    def over(self) -> bool:
        return self.day > self.days


@dataclass(frozen=True)
class Entry:
    """One line: an expected reading (`check`), one beside them, or one that was refused (`refused`).

    `state`: a key of the strip, "extra", "replaced" or "refused". `on` is the date where the worker was, `days` the
    day numbers by exposure, as a mark of the strip has them. `can_enter`: it is missing, and the worker may still enter
    it; `can_correct`: the worker may still put it right.
    """

    moment: datetime
    on: date
    check: Check | None
    window: str
    state: str
    reading: Reading | None
    refused: UnplacedReading | None
    alert: bool
    symptoms: tuple[str, ...]
    days: tuple[tuple[date, int], ...] = ()
    can_enter: bool = False
    can_correct: bool = False

    @property
    def said(self) -> Reading | UnplacedReading | None:
        """The row with what the worker entered."""
        return self.reading or self.refused

    @property
    def masked(self) -> bool:
        """Whether medicine may have hidden a fever."""
        return self.reading is not None and "masked" in self.reading.triggers


def strips(situation: Situation, readings: Iterable[Reading]) -> list[Strip]:
    """A strip per follow-up that has readings."""
    highest = highest_in_windows(readings)
    shown = [one for one in situation.overviews if one.lines]
    return [
        Strip(
            number,
            one,
            marks(one, highest),
            limit_of(situation.profile_by.get(one.follow_up.pk)),
            counted(one),
        )
        for number, one in enumerate(shown, 1)
    ]


def counted(overview: Overview) -> tuple[Counted, ...]:
    """Each exposure with readings and its day today, on the clock of the place where it was."""
    return tuple(
        Counted(one, (_today(one, overview.at) - one.day_zero).days, (one.last_day - one.day_zero).days)
        for one in overview.exposures
        if one.last_day is not None
    )


def _today(exposure: Exposure, at: datetime) -> date:
    return at.astimezone(ZoneInfo(exposure.zone)).date()


def refused_of(worker: Worker) -> QuerySet[UnplacedReading]:
    """What was entered for the worker that could not be taken as a reading and was kept all the same."""
    return UnplacedReading.objects.filter(Q(worker=worker) | Q(worker__same_as=worker))


def entries(
    situation: Situation, readings: Iterable[Reading], refused: Iterable[UnplacedReading] = ()
) -> list[Entry]:
    """The expected readings so far, one line for two follow-ups that expect the same, those beside them, and what
    could not be taken; the newest first."""
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
    found += [_refused(one, situation) for one in refused if one.recorded_at >= since]
    return sorted(found, key=lambda entry: entry.moment, reverse=True)


def _expected(line: CheckLine, situation: Situation) -> Entry:
    check, reading = line.check, line.reading
    return Entry(
        moment=reading.taken_at if reading else check.opens_at,
        on=check.local_date,
        check=check,
        window=window_name(check.window),
        state=line.state,
        reading=reading,
        refused=None,
        alert=line.alert,
        symptoms=_symptoms(reading, situation),
        days=_days(check.local_date, situation),
        can_enter=line.state == "no_reading" and check.due_at > situation.at - LATEST_BY_WORKER,
        can_correct=_can_correct(reading, situation),
    )


def _can_correct(reading: Reading | None, situation: Situation) -> bool:
    """Whether it is of the days of which a worker may enter readings."""
    if reading is None or reading.could_not:
        return False
    return reading.taken_at >= situation.at - LATEST_BY_WORKER


def _beside(reading: Reading, situation: Situation, replaced: Collection[int]) -> Entry:
    return Entry(
        moment=reading.taken_at,
        on=reading.local_date,
        check=None,
        window="",
        state="replaced" if reading.pk in replaced else "extra",
        reading=reading,
        refused=None,
        alert=bool(STOPPING.intersection(reading.triggers)),
        symptoms=_symptoms(reading, situation),
        days=_days(reading.local_date, situation),
        can_correct=reading.pk not in replaced and _can_correct(reading, situation),
    )


def _refused(row: UnplacedReading, situation: Situation) -> Entry:
    on = row.recorded_at.astimezone(situation.worker.zone).date()
    return Entry(
        moment=row.recorded_at,
        on=on,
        check=None,
        window="",
        state="refused",
        reading=None,
        refused=row,
        alert=bool(STOPPING.intersection(row.triggers)),
        symptoms=_symptoms(row, situation),
        days=_days(on, situation),
    )


def _days(on: date, situation: Situation) -> tuple[tuple[date, int], ...]:
    exposures = [exposure for one in situation.overviews for exposure in one.exposures]
    return counts_of(on, exposures)


def _symptoms(said: Reading | UnplacedReading | None, situation: Situation) -> tuple[str, ...]:
    return tuple(situation.symptoms.get(code, code) for code in said.symptoms) if said else ()
