"""The readings that a follow-up expects, kept in step with its exposures, windows and zones."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from exposure.followup import schedule
from exposure.followup.models import Check, Exposure, FollowUp
from exposure.followup.plans import min_hours_of
from exposure.people.models import Worker, WorkerWindow
from exposure.places.models import Site, SiteWindow
from exposure.record import insert_many, mark_withdrawn


@dataclass(frozen=True)
class Replanned:
    """Checks of one follow-up that were withdrawn and that were added."""

    withdrawn: tuple[Check, ...]
    added: tuple[Check, ...]


def plan_checks(follow_up: FollowUp, *, at: datetime) -> Replanned:
    """Bring the follow-up's unopened checks in line with its standing exposures, windows and zones."""
    existing = list(follow_up.checks.filter(withdrawn_at=None))
    planned = _planned(follow_up)
    if existing:
        withdraw, add = schedule.replan(existing, planned, at, min_hours_of(follow_up))
    else:
        withdraw, add = [], [check for check in planned if check.closes_at >= at + schedule.LEAST_TIME_LEFT]
    mark_withdrawn(Check.objects.filter(pk__in=[check.pk for check in withdraw]), at=at)
    zone = str(follow_up.worker.zone)
    added = insert_many(
        Check,
        [
            Check(
                follow_up=follow_up,
                day=check.day,
                window=check.window,
                local_date=check.local_date,
                zone=zone,
                opens_at=check.opens_at,
                due_at=check.due_at,
                closes_at=check.closes_at,
            )
            for check in add
        ],
    )
    return Replanned(tuple(withdraw), tuple(added))


def _planned(follow_up: FollowUp) -> list[schedule.PlannedCheck]:
    """What the exposure with the latest last day asks for; of several, the one with the latest contact."""
    standing = [one for one in follow_up.exposures.filter(withdrawn_at=None) if one.last_day is not None]
    if not standing:
        return []
    last = max(standing, key=lambda one: (one.last_day, one.occurred_at))
    days = (last.last_day - last.day_zero).days
    return schedule.plan(
        last.occurred_at,
        follow_up.opened_at,
        days,
        ZoneInfo(last.zone),
        follow_up.worker.zone,
        windows_of(follow_up.worker),
        min_hours=0,  # they were judged when they were set; nothing is left unplanned because of them now
        first_day=_first_day(standing, last),
    )


def _first_day(standing: list[Exposure], last: Exposure) -> int:
    """Where readings start, in days from the last exposure: from the first exposure on where the plan says so."""
    if not last.plan.get("window"):
        return 0
    first = min(one.day_zero for one in standing)
    return (first - last.day_zero).days + last.plan["window"][0]


def windows_of(worker: Worker) -> tuple[schedule.Window, ...]:
    """The worker's own windows, else the site's, else the default ones."""
    return _windows(worker.windows.all()) or windows_of_site(worker.site)


def windows_of_site(site: Site) -> tuple[schedule.Window, ...]:
    """The site's windows, else the default ones."""
    return _windows(site.windows.all()) or schedule.DEFAULT_WINDOWS


def _windows(rows: Iterable[WorkerWindow | SiteWindow]) -> tuple[schedule.Window, ...]:
    return tuple(schedule.Window(row.name, row.opens, row.due, row.closes) for row in rows)
