"""A running follow-up as a clinician reads it: what is wrong with it, its strip, and how bad that is."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from exposure.attend import watched
from exposure.attend.flag_words import CAUSES, words_of
from exposure.attend.overview import CheckLine
from exposure.attend.ranked import Ranked
from exposure.attend.recent import recent
from exposure.attend.watched import Watched
from exposure.followup.models import Exposure, FollowUp, Restriction
from exposure.followup.readings import celsius
from exposure.web.strip import StripMark
from exposure.web.templatetags.look import in_words
from exposure.web.times import window_name

CHIPS = {"fever": "alert", "symptom": "alert", "silent": "no_reading", "missing": "no_reading"}
CHIPS |= {"repeat_due": "repeat_due"}


@dataclass(frozen=True)
class Flag:
    """Why a follow-up wants a look: a key of CAUSES, words, and whether somebody has seen it. `chip` is a shape or
    empty."""

    cause: str
    words: str
    seen: bool = False

    @property
    def chip(self) -> str:
        return CHIPS.get(self.cause, "")


@dataclass(frozen=True)
class Row(Watched):
    """A follow-up and what the pages say of it."""

    @cached_property
    def flags(self) -> tuple[Flag, ...]:
        """What is wrong, worst first."""
        return tuple(Flag(flag.cause, words_of(flag), flag.seen) for flag in self.found)

    @property
    def badness(self) -> tuple[list[tuple[int, bool]], int]:
        """Sorts rows worst first: compare flag by flag, then by how many readings are missing."""
        return ([*(flag.rank for flag in self.found), (len(CAUSES), False)], -self.missing)

    @property
    def threshold(self) -> float | None:
        """The usual fever limit in degrees Celsius, for the thin line of the strip."""
        limit = self.profile.fever.get("default") if self.profile else None
        return float(celsius(limit.limit, limit.unit)) if limit else None

    @property
    def marks(self) -> list[StripMark]:
        """The strip. Days count from the exposure that gives the last day; earlier ones are below 0."""
        last = self.overview.last
        return [_mark(line, last) for line in self.overview.lines] if last else []

    @property
    def recent(self) -> list[StripMark]:
        """The strip of the last seven days, today among them; of one that has ended, of its last seven."""
        last, today = self.overview.last, self._today
        if last is None or not self.overview.lines:
            return []
        newest = min(today, self.overview.lines[-1].check.local_date)
        since = newest - timedelta(days=6)
        lines = [line for line in self.overview.lines if since <= line.check.local_date <= newest]
        return [_mark(line, last) for line in lines]

    @property
    def restrictions(self) -> list[Restriction]:
        """Those that hold today; of several of a kind, the one that lasts longest."""
        today = self._today
        holding = [
            restriction
            for restriction in self.overview.restrictions
            if restriction.to_date is None or today <= restriction.to_date
        ]
        by_end = sorted(holding, key=lambda restriction: restriction.to_date or date.max)
        longest = {restriction.code: restriction for restriction in by_end}
        return list(longest.values())

    @property
    def restricted_until(self) -> date | None:
        """The last day of any restriction that holds today; None where one of them has no last day."""
        last = [held.to_date for held in self.restrictions]
        return None if None in last else max((day for day in last if day), default=None)

    @property
    def seen_in_words(self) -> str:
        """How far the plan's wish that somebody sees readings is met today; "" where there is none."""
        view = self.overview
        asked = view.observed_per_day
        if not asked or view.follow_up.ended_at is not None:
            return ""
        wish = ngettext(
            "%(asked)s reading a day is seen by somebody",
            "%(asked)s readings a day are seen by somebody",
            asked,
        )
        today = next((day for day in view.seen_days if day.on == view.local_date), None)
        seen = (
            _("today by %(names)s") % {"names": ", ".join(today.by)}
            if today and today.by
            else _("today not yet")
        )
        return f"{wish % {'asked': capfirst(in_words(asked))}}: {seen}"

    @property
    def trend(self) -> str:
        """How far the last reading lies above or below the one before it of the same method, in its unit: "+0.4"; ""
        where there is none to compare it with."""
        last = self.overview.last_reading
        if last is None or last.value is None:
            return ""
        before = [
            line.reading
            for line in self.overview.lines
            if line.reading is not None
            and line.reading.value is not None
            and line.reading.taken_at < last.taken_at
            and (line.reading.method, line.reading.unit) == (last.method, last.unit)
        ]
        if not before:
            return ""
        newest = max(before, key=lambda reading: reading.taken_at)
        return f"{last.value - newest.value:+.1f}".replace("-", "\u2212")

    @property
    def open_tasks(self) -> list:
        return [task for task in self.overview.tasks if task.kept_at is None]

    @property
    def elsewhere(self) -> "Row":
        """The row for another site, which does nothing about it: without what waits for somebody here."""
        return replace(self, overview=replace(self.overview, alerts=(), tasks=()))

    @property
    def _today(self) -> date:
        zone = self.overview.last.zone if self.overview.last else self.overview.follow_up.site.zone
        return self.overview.at.astimezone(ZoneInfo(zone)).date()


def rows(follow_ups: Iterable[FollowUp], *, at: datetime) -> list[Row]:
    """A row per follow-up, in the same order, from a fixed number of statements."""
    return [Row(watch.overview, watch.profile) for watch in watched.watched(follow_ups, at=at)]


def rows_of_page(page: Sequence[Ranked], *, at: datetime) -> list[Row]:
    """The rows of those on a page of a list, in the same order, from a fixed number of statements."""
    return [Row(watch.overview, watch.profile, watch.known) for watch in recent(page, at=at)]


def _mark(line: CheckLine, last: Exposure) -> StripMark:
    """The highest reading of the window is drawn, also where another filled it; none beside an empty window, unless it
    is an alert."""
    highest = line.highest if line.reading is not None or line.alert else None
    value = None if highest is None else float(celsius(highest.value, highest.unit))
    day = (line.check.opens_at.astimezone(ZoneInfo(last.zone)).date() - last.day_zero).days
    return StripMark(window_name(line.check.window), line.state, value, line.alert, day)
