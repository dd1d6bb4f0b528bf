"""What is wrong with a follow-up, and when its next reading is due: one meaning for the pages and the API."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

from django.db.models import Q, QuerySet
from django.db.models.functions import Coalesce

from exposure.attend.models import Alert
from exposure.attend.overview import Overview, overviews
from exposure.classify.assess import criteria_or_none
from exposure.classify.models import CriteriaVersion
from exposure.classify.plan import Profile
from exposure.followup.models import Exposure, FollowUp
from exposure.followup.observed import SeenDay
from exposure.followup.plans import under_criteria

Cause = Alert.Cause
USUAL_SILENCE = 48  # hours, where no criteria say
# What can be wrong, worst first.
CAUSES = (
    *("fever", "symptom", "silent", "missing", "repeat_due"),
    *("unseen", "alert", "untold", "unconfirmed", "over"),
)
# Alerts about what the follow-up itself shows to be so, or no longer so.
SHOWN_OTHERWISE = (
    Cause.FEVER, Cause.SYMPTOM, Cause.SILENCE, Cause.MISSED, Cause.UNTOLD, Cause.LATE_CONFIRMATION,
)  # fmt: skip
# The alerts that are a flag.
FLAGGED_BY_ALERT = Q(cause__in=(Cause.FEVER, Cause.SYMPTOM)) | ~Q(cause__in=SHOWN_OTHERWISE)


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
class Signs:
    """What the flags of a follow-up are read from, as of `at`. `asked`: a reading has been asked for; `missing`: how
    many of the newest closed ones are missing on end; `repeat_due`: the one to take now is a repeat; `unseen`:
    yesterday, where too few readings were seen; `untold`: nobody has told the worker of one of the exposures;
    `silence_hours`: of the plan."""

    at: datetime
    ended: bool
    paused: bool
    over: bool
    asked: bool
    last_contact_at: datetime
    missing: int
    repeat_due: bool
    unseen: SeenDay | None
    untold: bool
    unconfirmed: bool
    silence_hours: int | None


def flags_of(signs: Signs, alerts: Iterable[Any]) -> tuple[Flag, ...]:
    """What is wrong, worst first; `alerts` are the open ones."""
    return tuple(sorted(_flags(signs, alerts), key=lambda flag: flag.rank))


def _flags(signs: Signs, alerts: Iterable[Any]) -> Iterable[Flag]:
    for alert in alerts:
        if alert.cause in (Cause.FEVER, Cause.SYMPTOM):
            yield Flag(alert.cause, alert)
        elif alert.cause not in SHOWN_OTHERWISE:
            yield Flag("alert", alert)
    if signs.ended:
        return
    if not signs.paused:
        yield from _lacking(signs)
    if signs.untold:
        yield Flag("untold")
    if signs.unconfirmed:
        yield Flag("unconfirmed")
    if signs.over:
        yield Flag("over")


def _lacking(signs: Signs) -> Iterable[Flag]:
    silence = signs.at - signs.last_contact_at
    if signs.asked and not signs.over and silence >= timedelta(hours=signs.silence_hours or USUAL_SILENCE):
        yield Flag("silent", count=int(silence.total_seconds()) // 3600)
    if signs.missing:
        yield Flag("missing", count=signs.missing)
    if signs.repeat_due:
        yield Flag("repeat_due")
    if signs.unseen is not None:
        yield Flag("unseen", day=signs.unseen)


def unseen_yesterday(days: Iterable[SeenDay], today: date | None) -> SeenDay | None:
    """Yesterday, if it is over and too few readings of it were seen."""
    if today is None:
        return None
    yesterday = today - timedelta(days=1)
    return next((day for day in days if day.on == yesterday and day.over and not day.enough), None)


@dataclass(frozen=True)
class Watched:
    """A follow-up as of a moment, with the clinical numbers of its criteria. `known`: its signs, where they were read
    without its readings."""

    overview: Overview
    profile: Profile | None
    known: Signs | None = None

    @cached_property
    def found(self) -> tuple[Flag, ...]:
        """What is wrong, worst first."""
        return flags_of(self.signs, self.overview.alerts)

    @cached_property
    def signs(self) -> Signs:
        view = self.overview
        return self.known or Signs(
            at=view.at,
            ended=self.ended,
            paused=self.paused,
            over=self.over,
            asked=any(line.check.opens_at <= view.at for line in view.lines),
            last_contact_at=view.last_contact_at,
            missing=self._missing(),
            repeat_due=view.now_due is not None and view.now_due.state == "repeat_due",
            unseen=unseen_yesterday(view.seen_days, view.local_date),
            untold=view.untold,
            unconfirmed=view.unconfirmed,
            silence_hours=self.profile.silence_hours if self.profile else None,
        )

    @property
    def missing(self) -> int:
        """How many of the newest closed readings are missing on end."""
        return self.signs.missing

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
        return self.overview.paused

    @property
    def over(self) -> bool:
        """Whether the last day has ended."""
        return self.overview.ends_at is not None and self.overview.ends_at <= self.overview.at

    def _missing(self) -> int:
        count = 0
        for line in reversed(self.overview.lines):
            if line.check.closes_at > self.overview.at:
                continue
            if line.state != "no_reading":
                break
            count += 1
        return count


def watched(follow_ups: Iterable[FollowUp], *, at: datetime) -> list[Watched]:
    """One per follow-up, in the same order, from a fixed number of statements."""
    follow_ups = list(follow_ups)
    profiles = profiles_of([one.pk for one in follow_ups])
    return [Watched(view, profiles.get(view.follow_up.pk)) for view in overviews(follow_ups, at=at)]


def profiles_of(keys: Collection[int] | QuerySet) -> Mapping[int, Profile | None]:
    """Key of a follow-up -> the clinical numbers of the criteria that its newest standing exposure is under."""
    exposures = under_criteria(Exposure.objects.filter(follow_up__in=keys))
    version = Coalesce("assessment__version", "version")
    pairs = dict(exposures.values_list("follow_up", version))
    versions = CriteriaVersion.objects.in_bulk(set(pairs.values()))
    criterias = {key: criteria_or_none(version) for key, version in versions.items()}
    profiles = {key: criteria.profile if criteria else None for key, criteria in criterias.items()}
    return {follow_up: profiles[version] for follow_up, version in pairs.items()}
