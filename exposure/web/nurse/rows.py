"""A running follow-up as a clinician reads it: what is wrong with it, its strip, and how bad that is."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from django.db.models.functions import Coalesce
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from exposure.attend.models import Alert
from exposure.attend.overview import CheckLine, Overview, overviews
from exposure.classify.assess import criteria_of
from exposure.classify.models import CriteriaVersion
from exposure.classify.plan import Profile
from exposure.followup.models import Exposure, FollowUp, Restriction
from exposure.followup.plans import under_criteria
from exposure.followup.readings import celsius
from exposure.remind.reminders import PAUSED
from exposure.web.strip import StripMark
from exposure.web.templatetags.look import in_words
from exposure.web.times import window_name

Cause = Alert.Cause
USUAL_SILENCE = 48  # hours, where no criteria say
# The causes of the filter, worst first.
CAUSES = {
    "fever": gettext_lazy("with a fever"),
    "symptom": gettext_lazy("with a symptom"),
    "silent": gettext_lazy("silent"),
    "missing": gettext_lazy("with readings missing"),
    "repeat_due": gettext_lazy("with a reading to repeat"),
    "unseen": gettext_lazy("seen by nobody yesterday"),
    "alert": gettext_lazy("with another alert"),
    "unconfirmed": gettext_lazy("not yet confirmed"),
    "over": gettext_lazy("past the last day"),
}
ORDER = list(CAUSES)
CHIPS = {"fever": "alert", "symptom": "alert", "silent": "no_reading", "missing": "no_reading"}
CHIPS |= {"repeat_due": "repeat_due"}
OWN_FLAGS = (Cause.FEVER, Cause.SYMPTOM, Cause.SILENCE, Cause.MISSED, Cause.LATE_CONFIRMATION)


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
class Row:
    """An overview and what the pages say of it."""

    overview: Overview
    profile: Profile | None

    @cached_property
    def flags(self) -> tuple[Flag, ...]:
        """What is wrong, worst first."""
        return tuple(sorted(self._flags(), key=_rank))

    @property
    def badness(self) -> tuple[list[tuple[int, bool]], int]:
        """Sorts rows worst first: compare flag by flag, then by how many readings are missing."""
        return ([*map(_rank, self.flags), (len(ORDER), False)], -self.missing)

    @property
    def paused(self) -> bool:
        state = self.overview.state
        return state is not None and state.kind in PAUSED

    @cached_property
    def missing(self) -> int:
        """How many of the newest closed readings are missing on end."""
        count = 0
        for line in reversed(self.overview.lines):
            if line.check.closes_at > self.overview.at:
                continue
            if line.state != "no_reading":
                break
            count += 1
        return count

    @property
    def over(self) -> bool:
        """Whether the last day has ended."""
        return self.overview.ends_at is not None and self.overview.ends_at <= self.overview.at

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
        """The last day of any restriction that holds today."""
        return max((held.to_date for held in self.restrictions if held.to_date), default=None)

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
    def open_tasks(self) -> list:
        return [task for task in self.overview.tasks if task.kept_at is None]

    @property
    def _today(self) -> date:
        zone = self.overview.last.zone if self.overview.last else self.overview.follow_up.site.zone
        return self.overview.at.astimezone(ZoneInfo(zone)).date()

    def _flags(self) -> Iterable[Flag]:
        view = self.overview
        for alert in view.alerts:
            if alert.cause in (Cause.FEVER, Cause.SYMPTOM):
                words = alert.get_cause_display()
                seen = alert.acknowledged_at is not None
                yield Flag(alert.cause, _("%(cause)s, seen") % {"cause": words} if seen else words, seen)
            elif alert.cause not in OWN_FLAGS:
                yield Flag("alert", alert.get_cause_display())
        if view.follow_up.ended_at is not None and view.follow_up.ended_at <= view.at:
            return
        if not self.paused:
            yield from self._lacking()
        if view.unconfirmed:
            yield Flag("unconfirmed", _("not yet confirmed"))
        if self.over:
            yield Flag("over", _("last day over, not cleared"))

    def _lacking(self) -> Iterable[Flag]:
        view = self.overview
        hours = (self.profile.silence_hours if self.profile else None) or USUAL_SILENCE
        asked = any(line.check.opens_at <= view.at for line in view.lines)
        if asked and not self.over and view.at - view.last_contact_at >= timedelta(hours=hours):
            silent = int((view.at - view.last_contact_at).total_seconds()) // 3600
            yield Flag("silent", _("silent for %(hours)s h") % {"hours": silent})
        if self.missing:
            words = ngettext("%(count)s reading missing", "%(count)s readings missing", self.missing)
            yield Flag("missing", words % {"count": self.missing})
        if view.now_due is not None and view.now_due.state == "repeat_due":
            yield Flag("repeat_due", _("reading to repeat"))
        yield from self._unseen()

    def _unseen(self) -> Iterable[Flag]:
        """Where yesterday is over and the plan asked that somebody sees readings of that day."""
        today = self.overview.local_date
        for day in self.overview.seen_days:
            if today is not None and day.on == today - timedelta(days=1) and day.over and not day.enough:
                few = _("%(seen)s of %(asked)s readings seen yesterday")
                words = few % {"seen": len(day.by), "asked": day.asked} if day.by else CAUSES["unseen"]
                yield Flag("unseen", str(words))


def _rank(flag: Flag) -> tuple[int, bool]:
    return ORDER.index(flag.cause), flag.seen


def rows(follow_ups: Iterable[FollowUp], *, at: datetime) -> list[Row]:
    """A row per follow-up, in the same order, from a fixed number of statements."""
    follow_ups = list(follow_ups)
    profiles = profiles_of(follow_ups)
    return [Row(view, profiles.get(view.follow_up.pk)) for view in overviews(follow_ups, at=at)]


def profiles_of(follow_ups: Iterable[FollowUp]) -> Mapping[int, Profile | None]:
    """Follow-up -> the clinical numbers of the criteria that its newest standing exposure is under."""
    exposures = under_criteria(
        Exposure.objects.filter(follow_up__in=[follow_up.pk for follow_up in follow_ups])
    )
    version = Coalesce("assessment__version", "version")
    pairs = dict(exposures.values_list("follow_up", version))
    versions = CriteriaVersion.objects.in_bulk(set(pairs.values()))
    return {follow_up: criteria_of(versions[version]).profile for follow_up, version in pairs.items()}


def _mark(line: CheckLine, last: Exposure) -> StripMark:
    """The highest reading of the window is drawn, also where another filled it; none beside an empty window, unless it
    is an alert."""
    highest = line.highest if line.reading is not None or line.alert else None
    value = None if highest is None else float(celsius(highest.value, highest.unit))
    day = (line.check.opens_at.astimezone(ZoneInfo(last.zone)).date() - last.day_zero).days
    return StripMark(window_name(line.check.window), line.state, value, line.alert, day)
