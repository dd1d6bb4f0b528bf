"""What a guided removal still asks: which marks are open, which answers can be taken back, which waited too long."""

from datetime import datetime, timedelta

from django.db.models import QuerySet
from django.db.models.functions import Coalesce

from exposure.people.models import User
from exposure.places.models import Station
from exposure.report.models import Mark, Removal

UNFINISHED_MARK = timedelta(minutes=30)  # then it is sent as it stands
UNDO = UNFINISHED_MARK  # after the worker is out: the questions come only then


def running(station: Station, observer: User) -> list[Removal]:
    """The observer's removals at the station whose worker is not out yet, the latest first."""
    return list(_of(station, observer).filter(finished_at=None))


def still_asking(station: Station, observer: User) -> list[Removal]:
    """The observer's removals at the station whose worker is out while a question is open, the latest first."""
    out = _of(station, observer).filter(finished_at__isnull=False)
    return list(out.filter(marks__in=Mark.objects.filter(deviation_at=None, breach=None)).distinct())


def _of(station: Station, observer: User) -> QuerySet[Removal]:
    removals = Removal.objects.filter(station=station, observer=observer)
    return removals.select_related("worker", "protocol").order_by("-started_at")


def open_marks(removal: Removal) -> list[Mark]:
    """Marks that are neither a deviation nor a report yet."""
    return list(removal.marks.filter(deviation_at=None, breach=None).select_related("step", "failure__card"))


def may_undo(mark: Mark, *, at: datetime) -> bool:
    """Whether “no contact possible” can be taken back: while the removal goes on, and as long again after the worker is
    out as a mark may wait for its answer."""
    finished_at = mark.removal.finished_at
    return mark.deviation_at is not None and (finished_at is None or at <= finished_at + UNDO)


def unfinished_marks(at: datetime) -> QuerySet[Mark]:
    """Marks that nobody has completed in time, the oldest first; one taken up again waits from then on."""
    waiting = Mark.objects.filter(deviation_at=None, breach=None, removal__observer__isnull=False)
    marks = waiting.alias(since=Coalesce("reopened_at", "marked_at")).filter(since__lte=at - UNFINISHED_MARK)
    about = ("removal__station", "removal__worker", "removal__observer", "step", "failure")
    return marks.select_related(*about).order_by("marked_at", "pk")
