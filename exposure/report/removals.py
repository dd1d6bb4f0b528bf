"""A guided removal: started, step by step, a mark where something went wrong, finished."""

from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import QuerySet

from exposure.people.models import User, Worker
from exposure.places.models import FailureType, Protocol, Station, Step
from exposure.report.models import Mark, Removal

UNFINISHED_MARK = timedelta(minutes=30)  # then it is sent as it stands


@transaction.atomic
def start_removal(
    *, station: Station, protocol: Protocol, worker: Worker | None, observer: User, drill: bool, at: datetime
) -> Removal:
    """Begin at the first step."""
    return Removal.objects.create(
        site=station.site,
        station=station,
        protocol=protocol,
        worker=worker,
        observer=observer,
        drill=drill,
        started_at=at,
    )


@transaction.atomic
def reach_step(removal: Removal, *, position: int) -> Removal:
    """Go on to a step; the same step twice (a double tap) changes nothing."""
    removal = Removal.objects.select_for_update(of=("self",)).get(pk=removal.pk)
    if removal.at_step != position and removal.finished_at is None:
        removal.at_step = position
        removal.save()
    return removal


@transaction.atomic
def mark_step(removal: Removal, step: Step, failure: FailureType | None, *, uid, at: datetime) -> Mark:
    """The one tap: step and moment are stored at once. The same `uid` again returns the first mark."""
    mark, _created = Mark.objects.get_or_create(
        uid=uid, defaults={"removal": removal, "step": step, "failure": failure, "marked_at": at}
    )
    return mark


@transaction.atomic
def name_failure(mark: Mark, failure: FailureType) -> Mark:
    """Say what went wrong at a mark; it can be said again until the mark is a deviation or a report."""
    mark = Mark.objects.select_for_update(of=("self",)).get(pk=mark.pk)
    if mark.breach_id is None and mark.deviation_at is None and mark.failure_id != failure.pk:
        mark.failure = failure
        mark.save()
    return mark


@transaction.atomic
def note_deviation(mark: Mark, *, at: datetime) -> Mark:
    """No contact was possible: noted, done."""
    mark = Mark.objects.select_for_update(of=("self",)).get(pk=mark.pk)
    if mark.breach_id is None and mark.deviation_at is None:
        mark.deviation_at = at
        mark.save()
    return mark


@transaction.atomic
def finish_removal(removal: Removal, *, at: datetime) -> Removal:
    """The worker is out."""
    removal = Removal.objects.select_for_update(of=("self",)).get(pk=removal.pk)
    if removal.finished_at is None:
        removal.finished_at = at
        removal.save()
    return removal


def open_marks(removal: Removal) -> list[Mark]:
    """Marks that are neither a deviation nor a report yet."""
    return list(removal.marks.filter(deviation_at=None, breach=None).select_related("step", "failure__card"))


def unfinished_marks(at: datetime) -> QuerySet[Mark]:
    """Marks that nobody has completed in time, the oldest first."""
    marks = Mark.objects.filter(
        deviation_at=None, breach=None, marked_at__lte=at - UNFINISHED_MARK, removal__observer__isnull=False
    )
    about = ("removal__station", "removal__worker", "removal__observer", "step", "failure")
    return marks.select_related(*about).order_by("marked_at", "pk")
