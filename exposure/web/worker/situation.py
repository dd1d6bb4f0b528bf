"""What an exposed person may know now, and the one thing that there is to do.

Nothing that nobody has told them in person or by telephone is in here, and no tier before a clinician has confirmed
it. All of it is their own record, however many roles they hold besides.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from exposure.attend import told
from exposure.attend.models import Alert, AlertEntry
from exposure.attend.overview import CheckLine, Overview, overviews
from exposure.attend.told import OwnView
from exposure.classify.plan import Profile
from exposure.classify.words import said
from exposure.clear.models import Clearance
from exposure.followup.models import Check, Exposure, FollowUpState, Reading, Restriction
from exposure.followup.plans import profile_of
from exposure.followup.readings import LATE_WITHOUT_NEXT
from exposure.followup.store_reading import follow_ups_taking_readings
from exposure.people.access import visible
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.report.models import Breach
from exposure.snapshot import one_moment
from exposure.web.worker.restricted import Restricted, merged

Kind = FollowUpState.Kind
IN_CARE = (Kind.EVALUATED, Kind.ADMITTED)


@dataclass(frozen=True)
class Situation:
    """As of `at`. `overviews` are the follow-ups that the worker was told of and that take readings, as told; `untold`
    and `unconfirmed` are the reports about them nobody has told, or told but not confirmed; `untold_exposures` are
    those without a report that nobody has told. `stops`: the fevers and symptoms that no clinician has closed.
    `profile_by`: follow-up -> the clinical numbers of its criteria."""

    worker: Worker
    at: datetime
    overviews: tuple[OwnView, ...]
    untold: tuple[Breach, ...]
    untold_exposures: tuple[Exposure, ...]
    unconfirmed: tuple[Breach, ...]
    stops: tuple[Alert, ...]
    profile_by: Mapping[int, Profile] = field(repr=False)

    @property
    def kind(self) -> str:
        """untold, stop, unconfirmed, in_care, monitored, cleared, ended or nothing: what Today is about."""
        states = {one.state.kind for one in self.overviews if one.state}
        if self.news_waits and not self.overviews and not self.unconfirmed:
            return "untold"
        if self.stops and not (states.intersection(IN_CARE) and self.stop_seen_at):
            return "stop"
        if self.unconfirmed:
            return "unconfirmed"
        if states.intersection(IN_CARE):
            return "in_care"
        if states.intersection((Kind.PROVISIONAL, Kind.MONITORED)):
            return "monitored"
        if Kind.CLEARED in states:
            return "cleared"
        return "ended" if states else "nothing"

    @property
    def top(self) -> str:
        """What stands above everything on every page: stop, untold (please ring), or empty."""
        if self.kind == "stop":
            return "stop"
        return "untold" if self.news_waits else ""

    @property
    def today(self) -> date:
        """The date on the worker's clock."""
        return self.at.astimezone(self.worker.zone).date()

    @property
    def urgent_symptoms(self) -> frozenset[str]:
        """The codes of the symptoms that any of the criteria call urgent."""
        return frozenset(
            code for profile in self.profiles for code, symptom in profile.symptoms.items() if symptom.urgent
        )

    @property
    def profiles(self) -> tuple[Profile, ...]:
        return tuple(self.profile_by.values())

    @property
    def stop_seen_at(self) -> datetime | None:
        """Since when a clinician has seen every reason for a Stop."""
        return told.seen_at(self.stops)

    @property
    def alerted_at(self) -> datetime | None:
        """When occupational health was last alerted of what stops the worker."""
        kinds = (AlertEntry.Kind.RAISED, AlertEntry.Kind.JOINED, AlertEntry.Kind.ROUND)
        told_of = AlertEntry.objects.filter(alert__in=self.stops, kind__in=kinds).order_by("recorded_at")
        newest = told_of.last()
        return newest.recorded_at if newest else None

    @property
    def telephoned_at(self) -> datetime | None:
        """When the worker last said, since the oldest of them, that they have telephoned."""
        if not self.stops:
            return None
        own = self.worker.calls.filter(by_user=self.worker.user_id, called_at__gte=self.stops[0].raised_at)
        newest = own.last()
        return newest.called_at if newest else None

    @property
    def stop_is_emergency(self) -> bool:
        """Whether a symptom that the criteria call urgent stands."""
        return told.calls_for_emergency(self.stops)

    @property
    def is_seen(self) -> bool:
        """Whether a plan asks that somebody sees readings."""
        return any(one.observed_per_day for one in self.overviews)

    @property
    def news_waits(self) -> bool:
        """Whether there is something that a person must tell them first."""
        return bool(self.untold or self.untold_exposures)

    @property
    def due(self) -> CheckLine | None:
        """The reading that can be taken now: open, to repeat, or missing and not yet too late."""
        lines = [line for one in self._expecting if (line := _current(one))]
        return min(lines, key=lambda line: line.check.closes_at, default=None)

    @property
    def next(self) -> Check | None:
        """The next reading that has not opened."""
        lines = [one.next_line for one in self._expecting if one.next_line]
        return min((line.check for line in lines), key=lambda check: check.opens_at, default=None)

    @property
    def _expecting(self) -> list[Overview]:
        return [
            one
            for one in self.overviews
            if one.state and one.state.kind in (Kind.PROVISIONAL, Kind.MONITORED)
        ]

    @property
    def call_by(self) -> datetime | None:
        """By when a clinician calls to confirm."""
        return min((one.confirm_due_at for one in self.unconfirmed if one.confirm_due_at), default=None)

    @property
    def symptoms(self) -> dict[str, str]:
        """Code -> words, of all the follow-ups together. "Do you have any of these?" is asked once above them."""
        return {
            code: said(symptom.ask).rstrip("? \u00a0\u202f")
            for profile in self.profiles
            for code, symptom in profile.symptoms.items()
        }

    def repeat_after(self, reading: Reading) -> datetime:
        """After when a fever reducer no longer hides a fever, by the most careful of the criteria."""
        hides = max((profile.reducer_hours or 0 for profile in self.profiles), default=0)
        return reading.taken_at + timedelta(hours=hides - float(reading.fever_reducer_hours or 0))

    @property
    def restrictions(self) -> list[Restricted]:
        """Those in force or to come, each once, with its last day."""
        return merged(self._standing_restrictions)

    @property
    def confirmed_restrictions(self) -> list[Restricted]:
        """The same, of exposures that a clinician has confirmed."""
        waiting = {breach.pk for breach in (*self.untold, *self.unconfirmed)}
        return merged([one for one in self._standing_restrictions if told.is_told(one.exposure, waiting)])

    @property
    def _standing_restrictions(self) -> list[Restriction]:
        return [
            restriction
            for one in self.overviews
            for restriction in one.restrictions
            if not _over(restriction, self.at)
        ]

    @property
    def clearances(self) -> list[Clearance]:
        """The signed ones, in effect or not yet."""
        return list(
            Clearance.objects.filter(
                follow_up__in=[one.follow_up for one in self.overviews], void_at=None, signed_at__isnull=False
            )
        )


@one_moment()
def situation_of(worker: Worker, *, at: datetime) -> Situation:
    """The situation of a worker who looks at their own pages."""
    breaches = list(visible(worker.user, told.unconfirmed_reports(worker), View.OWN, at=at))
    untold = tuple(one for one in breaches if not one.told)
    hidden = {breach.pk for breach in untold}
    whole = overviews(follow_ups_taking_readings(worker, at=at), at=at)
    known = [as_told for one in whole if (as_told := told.as_told(one, hidden))]
    profiles = {one.follow_up.pk: profile_of(one.follow_up) for one in known}
    return Situation(
        worker=worker,
        at=at,
        overviews=tuple(known),
        untold=untold,
        untold_exposures=tuple(
            exposure for one in whole for exposure in one.exposures if not told.is_told(exposure, frozenset())
        ),
        unconfirmed=tuple(one for one in breaches if one.told),
        stops=tuple(told.standing_stops(worker)),
        profile_by={follow_up: profile for follow_up, profile in profiles.items() if profile},
    )


def _current(overview: Overview) -> CheckLine | None:
    """The last reading that has opened, while it is still to be taken."""
    opened = [line for line in overview.lines if line.check.opens_at <= overview.at]
    if not opened or opened[-1].state not in ("open", "repeat_due", "no_reading"):
        return None
    last = opened[-1]
    latest = max(last.check.closes_at, last.check.opens_at + LATE_WITHOUT_NEXT)
    return last if overview.next_line or overview.at < latest else None


def _over(restriction: Restriction, at: datetime) -> bool:
    today: date = at.astimezone(ZoneInfo(restriction.exposure.zone)).date()
    return restriction.to_date is not None and restriction.to_date < today
