"""What a worker may know of their own follow-ups: nothing that nobody has told them in person or by telephone."""

from collections.abc import Collection
from dataclasses import dataclass, fields
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q, QuerySet

from exposure.attend.duties import with_due
from exposure.attend.models import Alert
from exposure.attend.overview import CheckLine, Overview
from exposure.followup.models import Exposure
from exposure.people.models import Worker
from exposure.report.models import Breach, Told

STOPPING = frozenset({Alert.Cause.FEVER, Alert.Cause.SYMPTOM})


def unconfirmed_reports(worker: Worker) -> QuerySet[Breach]:
    """The standing reports about the worker that no clinician has confirmed, each with `told`, whether a person has
    spoken of it with the worker, and by when that and the confirmation are due."""
    told = Exists(Told.objects.filter(breach=OuterRef("pk")))
    waiting = Breach.objects.filter(worker=worker, withdrawn_at=None, drill=False, confirmed_at=None)
    return with_due(waiting).annotate(told=told)


@dataclass(frozen=True)
class OwnView(Overview):
    """A follow-up as its worker sees it: no tier before a clinician has confirmed it."""

    @property
    def in_force(self) -> Exposure | None:
        """The exposure with the tier in force, once its report is confirmed."""
        highest = super().in_force
        return None if highest is None or highest.unconfirmed else highest


def is_told(exposure: Exposure, hidden: Collection[int]) -> bool:
    """Whether the worker knows of it; `hidden` are the reports that they must not be shown yet."""
    if exposure.breach_id is None:
        return exposure.told_at is not None
    return exposure.breach_id not in hidden


def told_exposures(hidden: Collection[int]) -> Q:
    """The exposures that `is_told` says yes to."""
    return Q(breach=None, told_at__isnull=False) | Q(breach__isnull=False) & ~Q(breach__in=hidden)


def as_told(view: Overview, hidden: Collection[int]) -> OwnView | None:
    """The follow-up as if what nobody has told had not been: no exposure, no restriction and no reading beyond the
    last day that the worker knows of. None where nothing of it was told. Tasks and other alerts are not theirs."""
    told = tuple(one for one in view.exposures if is_told(one, hidden))
    if not told:
        return None
    ending = [one for one in told if one.last_day is not None]
    last = max(ending, key=lambda one: (one.last_day, one.occurred_at), default=None)
    changed = {
        "exposures": told,
        "last": last,
        "lines": view.lines if len(told) == len(view.exposures) else _until(last, view.lines),
        "restrictions": tuple(one for one in view.restrictions if is_told(one.exposure, hidden)),
        "alerts": tuple(alert for alert in view.alerts if alert.cause in STOPPING),
        "tasks": (),
    }
    return OwnView(**{one.name: getattr(view, one.name) for one in fields(view)} | changed)


def _until(last: Exposure | None, lines: tuple[CheckLine, ...]) -> tuple[CheckLine, ...]:
    if last is None or last.last_day is None:
        return ()
    zone = ZoneInfo(last.zone)
    return tuple(line for line in lines if line.check.opens_at.astimezone(zone).date() <= last.last_day)


def standing_stops(worker: Worker) -> list[Alert]:
    """The fevers and symptoms of the worker that no clinician has closed, the oldest first."""
    return list(worker.alerts.filter(closed_at=None, cause__in=STOPPING).order_by("raised_at", "pk"))


def calls_for_emergency(stops: Collection[Alert]) -> bool:
    """Whether one of them is a symptom that the criteria call urgent."""
    return any(alert.cause == Alert.Cause.SYMPTOM and alert.urgent for alert in stops)


def seen_at(stops: Collection[Alert]) -> datetime | None:
    """Since when a clinician has seen all of them; None while one is unseen."""
    moments = [alert.acknowledged_at for alert in stops]
    seen = [moment for moment in moments if moment is not None]
    return max(seen) if seen and len(seen) == len(moments) else None
