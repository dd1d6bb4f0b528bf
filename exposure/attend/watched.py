"""What is wrong with a follow-up, and when its next reading is due: one meaning for the pages and the API."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from django.db.models.functions import Coalesce

from exposure.attend.models import Alert
from exposure.attend.overview import Overview, overviews
from exposure.classify.assess import criteria_or_none
from exposure.classify.models import CriteriaVersion
from exposure.classify.plan import Profile
from exposure.followup.models import Exposure, FollowUp
from exposure.followup.observed import SeenDay
from exposure.followup.plans import under_criteria
from exposure.followup.states import PAUSED

Cause = Alert.Cause
USUAL_SILENCE = 48  # hours, where no criteria say
# What can be wrong, worst first.
CAUSES = (
    *("fever", "symptom", "silent", "missing", "repeat_due"),
    *("unseen", "alert", "unconfirmed", "over"),
)
# Alerts about what the follow-up itself shows to be so, or no longer so.
SHOWN_OTHERWISE = (Cause.FEVER, Cause.SYMPTOM, Cause.SILENCE, Cause.MISSED, Cause.LATE_CONFIRMATION)


@dataclass(frozen=True)
class Flag:
    """Why a follow-up wants a look: one of CAUSES. `count` is hours of silence or readings missing, `day` one on which
    too few readings were seen."""

    cause: str
    alert: Alert | None = None
    count: int = 0
    day: SeenDay | None = None

    @property
    def seen(self) -> bool:
        """Whether it is a trigger that somebody has acknowledged."""
        trigger = self.cause in (Cause.FEVER, Cause.SYMPTOM)
        return trigger and self.alert is not None and self.alert.acknowledged_at is not None

    @property
    def rank(self) -> tuple[int, bool]:
        return CAUSES.index(self.cause), self.seen


@dataclass(frozen=True)
class Watched:
    """A follow-up as of a moment, with the clinical numbers of its criteria."""

    overview: Overview
    profile: Profile | None

    @cached_property
    def found(self) -> tuple[Flag, ...]:
        """What is wrong, worst first."""
        return tuple(sorted(self._found(), key=lambda flag: flag.rank))

    @property
    def due_at(self) -> datetime | None:
        """When the reading to take now, else the next one, is due; None while paused, and once it has ended."""
        line = self.overview.now_due or self.overview.next_line
        return None if line is None or self.paused or self.ended else line.check.due_at

    @property
    def ended(self) -> bool:
        ended_at = self.overview.follow_up.ended_at
        return ended_at is not None and ended_at <= self.overview.at

    @property
    def paused(self) -> bool:
        state = self.overview.state
        return state is not None and state.kind in PAUSED

    @property
    def over(self) -> bool:
        """Whether the last day has ended."""
        return self.overview.ends_at is not None and self.overview.ends_at <= self.overview.at

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

    def _found(self) -> Iterable[Flag]:
        for alert in self.overview.alerts:
            if alert.cause in (Cause.FEVER, Cause.SYMPTOM):
                yield Flag(alert.cause, alert)
            elif alert.cause not in SHOWN_OTHERWISE:
                yield Flag("alert", alert)
        if self.ended:
            return
        if not self.paused:
            yield from self._lacking()
        if self.overview.unconfirmed:
            yield Flag("unconfirmed")
        if self.over:
            yield Flag("over")

    def _lacking(self) -> Iterable[Flag]:
        view = self.overview
        hours = (self.profile.silence_hours if self.profile else None) or USUAL_SILENCE
        silence = view.at - view.last_contact_at
        asked = any(line.check.opens_at <= view.at for line in view.lines)
        if asked and not self.over and silence >= timedelta(hours=hours):
            yield Flag("silent", count=int(silence.total_seconds()) // 3600)
        if self.missing:
            yield Flag("missing", count=self.missing)
        if view.now_due is not None and view.now_due.state == "repeat_due":
            yield Flag("repeat_due")
        for (
            day
        ) in view.seen_days:  # yesterday is over, and the plan asked that somebody sees readings of that day
            yesterday = view.local_date is not None and day.on == view.local_date - timedelta(days=1)
            if yesterday and day.over and not day.enough:
                yield Flag("unseen", day=day)


def watched(follow_ups: Iterable[FollowUp], *, at: datetime) -> list[Watched]:
    """One per follow-up, in the same order, from a fixed number of statements."""
    follow_ups = list(follow_ups)
    profiles = profiles_of(follow_ups)
    return [Watched(view, profiles.get(view.follow_up.pk)) for view in overviews(follow_ups, at=at)]


def profiles_of(follow_ups: Iterable[FollowUp]) -> Mapping[int, Profile | None]:
    """Follow-up -> the clinical numbers of the criteria that its newest standing exposure is under."""
    exposures = under_criteria(Exposure.objects.filter(follow_up__in=[one.pk for one in follow_ups]))
    version = Coalesce("assessment__version", "version")
    pairs = dict(exposures.values_list("follow_up", version))
    versions = CriteriaVersion.objects.in_bulk(set(pairs.values()))
    criterias = {key: criteria_or_none(version) for key, version in versions.items()}
    return {
        follow_up: criteria.profile if (criteria := criterias[version]) else None
        for follow_up, version in pairs.items()
    }
