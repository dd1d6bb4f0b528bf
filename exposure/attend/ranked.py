"""What is wrong with each of many follow-ups, without reading their readings.

What a list is ordered and filtered by is asked of the database: a fixed number of statements, a few plain values for
each follow-up. It is the same as `watched` finds from everything: a test compares them.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.db.models import F, Max, Q, QuerySet

from exposure.attend.models import Alert, Call
from exposure.attend.overview import UNTOLD, WITHOUT_CONFIRMATION, day_of, end_of, in_force_of, last_of
from exposure.attend.wanting import asked_of
from exposure.attend.watched import Flag, Signs, flags_of, profiles_of, unseen_yesterday
from exposure.classify.plan import Profile
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading
from exposure.followup.observed import SeenDay, seen_days
from exposure.followup.states import PAUSED
from exposure.people.models import Worker

NEAR = timedelta(days=2)  # yesterday and today, wherever on earth: who answers at all has answered in it
SEEN_NAMES = ("worker_id", "local_date", "observed_by")
CHECK_NAMES = ("pk", "follow_up_id", "local_date", "zone", "opens_at", "closes_at")
EXPOSURE_NAMES = ("pk", "follow_up_id", "breach_id", "occurred_at", "zone", "day_zero", "last_day", "tier",
                  "tier_label", "plan", "unconfirmed", "untold", "station")  # fmt: skip


class Standing(NamedTuple):
    """A follow-up as its own row has it."""

    pk: int
    worker: int
    name: str
    site: str
    site_name: str
    pathogen: str
    opened_at: datetime
    ended_at: datetime | None


@dataclass(frozen=True)
class Asked:
    """What has been asked for: `opened` is when the newest check that has opened did, `next` when the next one will;
    `missing` as in `Signs`; `repeat` whether the newest is to be repeated; `near`, where the plan asks that readings
    are seen, those of yesterday and today that nobody has explained."""

    opened: datetime | None
    next: datetime | None
    missing: int
    repeat: bool
    near: tuple[Any, ...]


@dataclass(frozen=True)
class Ranked:
    """A follow-up in a list, with what it is ordered and filtered by; `state` is the kind of its state."""

    row: Standing
    asked: Asked
    at: datetime
    exposures: tuple[Any, ...]
    state: str
    signs: Signs
    alerts: tuple[Any, ...]
    profile: Profile | None

    @cached_property
    def found(self) -> tuple[Flag, ...]:
        """What is wrong, worst first."""
        return flags_of(self.signs, self.alerts)

    @property
    def badness(self) -> tuple[Any, ...]:
        """Sorts worst first: flag by flag, then by how many readings are missing; the same order every time."""
        ranks = [*(flag.rank for flag in self.found), (LAST, False)]
        return ranks, -self.signs.missing, self.row.name, self.row.pk

    @property
    def in_force(self) -> Any:
        """The exposure with the tier in force."""
        return in_force_of(self.exposures, self.at)

    @property
    def day(self) -> int | None:
        return day_of(last_of(self.exposures), self.at)


LAST = 99  # after every flag


def ranked(follow_ups: QuerySet[FollowUp], *, at: datetime) -> list[Ranked]:
    """One per follow-up, in the order of the queryset."""
    names = ("worker", "worker__name", "site__code", "site__short_name", "pathogen", "opened_at", "ended_at")
    standing = [Standing(*row) for row in follow_ups.values_list("pk", *names)]
    # By key from here on, and not by the query again: a planner that does not know it is few reads whole tables.
    keys = [row.pk for row in standing]
    workers = {row.worker for row in standing}
    exposures = _grouped(_exposures(keys))
    states, returned = _states(keys)
    also = dict(Worker.objects.filter(same_as__in=workers).values_list("pk", "same_as"))
    contact = _last_contact(workers, also)
    alerts = _alerts(keys, workers, {one.breach_id for own in exposures.values() for one in own} - {None})
    profiles = profiles_of(keys)
    asking = {
        row.pk: row for row in standing if any(one.plan.get("observed_per_day") for one in exposures[row.pk])
    }
    asked = _asked(keys, asking.keys(), at)
    unseen = _unseen(asking, asked, exposures, also, at)
    found = []
    for row in standing:
        own = exposures[row.pk]
        profile = profiles.get(row.pk)
        ends_at = end_of(last_of(own))
        signs = Signs(
            at=at,
            ended=row.ended_at is not None and row.ended_at <= at,
            paused=states.get(row.pk) in PAUSED,
            over=ends_at is not None and ends_at <= at,
            asked=asked[row.pk].opened is not None,
            last_contact_at=max(
                row.opened_at,
                contact.get(row.worker, row.opened_at),
                returned.get(row.pk, row.opened_at),
            ),
            missing=asked[row.pk].missing,
            repeat_due=asked[row.pk].repeat,
            unseen=unseen.get(row.pk),
            untold=any(one.untold for one in own),
            unconfirmed=any(one.unconfirmed for one in own),
            silence_hours=profile.silence_hours if profile else None,
        )
        about = [alerts["follow_up", row.pk], alerts["worker", row.worker]]
        about += [alerts["breach", key] for key in {one.breach_id for one in own} - {None}]
        open_alerts = tuple(alert for group in about for alert in group)
        found.append(
            Ranked(row, asked[row.pk], at, tuple(own), states.get(row.pk, ""), signs, open_alerts, profile)
        )
    return found


def _asked(keys: Collection[int], asking: Collection[int], at: datetime) -> dict[int, Asked]:
    """What was asked of each; one statement, and two for those `asking` that readings are seen."""
    rows = asked_of(FollowUp.objects.filter(pk__in=keys), at=at).order_by()
    near = _near(asking, at)
    return {
        key: Asked(opened, following, missing, state == "repeat_due", tuple(near[key]))
        for key, opened, following, missing, state in rows.values_list(
            "pk", "opened", "following", "missing", "state"
        )
    }


def _near(asking: Collection[int], at: datetime) -> dict[int, list[Any]]:
    """The checks of yesterday and today that nobody has explained."""
    if not asking:
        return defaultdict(list)
    opened = Check.objects.filter(
        follow_up__in=asking, withdrawn_at=None, opens_at__gt=at - NEAR, opens_at__lte=at
    )
    rows = list(opened.order_by("opens_at").values_list(*CHECK_NAMES, named=True))
    given = Fill.objects.filter(standing_fill(), check_row__in=[check.pk for check in rows])
    states = dict(given.order_by("recorded_at", "id").values_list("check_row", "state"))
    return _grouped(check for check in rows if states.get(check.pk) != "excused")


def _exposures(keys: Collection[int]) -> Iterable[Any]:
    standing = Exposure.objects.filter(follow_up__in=keys, withdrawn_at=None)
    standing = standing.annotate(
        unconfirmed=WITHOUT_CONFIRMATION, untold=UNTOLD, station=F("breach__station")
    )
    return standing.values_list(*EXPOSURE_NAMES, named=True)


def _states(keys: Collection[int]) -> tuple[dict[int, str], dict[int, datetime]]:
    """Follow-up -> the kind of its state, and when it last came back from an evaluation or a ward; one statement."""
    rows = FollowUpState.objects.filter(Q(until_at=None) | Q(kind__in=PAUSED), follow_up__in=keys)
    kinds: dict[int, str] = {}
    returned: dict[int, datetime] = {}
    for follow_up, kind, until in rows.order_by("from_at", "id").values_list("follow_up", "kind", "until_at"):
        if until is None:
            kinds[follow_up] = kind
        else:
            returned[follow_up] = max(until, returned.get(follow_up, until))
    return kinds, returned


def _grouped(rows: Iterable[Any], name: str = "follow_up_id") -> dict[int, list[Any]]:
    groups: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        groups[getattr(row, name)].append(row)
    return groups


def _last_contact(workers: Collection[int], also: Mapping[int, int]) -> dict[int, datetime]:
    """Worker -> when they last gave a reading, or answered a call; two statements."""
    known = [*workers, *also]
    given = Reading.objects.filter(worker__in=known, could_not="").order_by().values("worker")
    rang = Call.objects.filter(worker__in=known, answered=True).order_by().values("worker")
    newest: dict[int, datetime] = {}
    for rows in (given.annotate(at=Max("recorded_at")), rang.annotate(at=Max("called_at"))):
        for worker, when in rows.values_list("worker", "at"):
            person = also.get(worker, worker)
            newest[person] = max(when, newest.get(person, when))
    return newest


def _alerts(
    keys: Collection[int], workers: Collection[int], breaches: Collection[int]
) -> dict[tuple[str, int], list[Any]]:
    """(kind of subject, its key) -> the open alerts; one statement."""
    about = Q(follow_up__in=keys) | Q(worker__in=workers) | Q(breach__in=breaches)
    rows = Alert.objects.filter(about, closed_at=None).order_by("-urgent", "round_at")
    names = ("follow_up_id", "worker_id", "breach_id", "cause", "acknowledged_at")
    of_subject: dict[tuple[str, int], list[Any]] = defaultdict(list)
    for row in rows.values_list(*names, named=True):
        for kind in ("follow_up", "worker", "breach"):
            key = getattr(row, f"{kind}_id")
            if key is not None:
                of_subject[kind, key].append(row)
    return of_subject


def _unseen(
    asking: Mapping[int, Standing],
    asked: Mapping[int, Asked],
    exposures: Mapping[int, list[Any]],
    also: Mapping[int, int],
    at: datetime,
) -> dict[int, SeenDay]:
    """Follow-up -> yesterday, where the plan asks that readings are seen and too few were; one statement, or none
    where no plan asks it."""
    if not asking:
        return {}
    people = {row.worker for row in asking.values()}
    about = Q(worker__in=people) | Q(worker__in=[key for key, person in also.items() if person in people])
    since = at - NEAR - timedelta(days=1)
    taken = Reading.objects.filter(
        about, taken_at__gt=since, taken_at__lte=at, could_not="", replaced_by=None
    )
    seen: dict[int, list[Any]] = defaultdict(list)
    for reading in taken.exclude(observed_by="").values_list(*SEEN_NAMES, named=True):
        seen[also.get(reading.worker_id, reading.worker_id)].append(reading)
    found = {}
    for key, row in asking.items():
        near = asked[key].near
        today = at.astimezone(ZoneInfo(near[-1].zone)).date() if near else None
        days = seen_days(near, exposures[key], seen[row.worker], opened_at=row.opened_at, at=at)
        day = unseen_yesterday(days, today)
        if day is not None:
            found[key] = day
    return found
