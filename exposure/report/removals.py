"""What a guided removal still asks: which marks are open, which answers can be taken back, which waited too long."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Count, Q, QuerySet
from django.db.models.functions import Coalesce

from exposure.people.models import User, Worker
from exposure.places.models import Site, Station, Step
from exposure.report.models import Breach, Mark, Removal
from exposure.report.submission import uid_in

UNFINISHED_MARK = timedelta(minutes=30)  # then it is sent as it stands
UNDO = UNFINISHED_MARK  # after the worker is out: the questions come only then


def running(station: Station, observer: User) -> list[Removal]:
    """The observer's removals at the station whose worker is not out yet, the latest first."""
    return list(_of(station, observer).filter(finished_at=None))


def today_at(station: Station, *, at: datetime) -> dict[str, int]:
    """How many removals began there today, by the site's calendar: real ones and drills. Never by whom."""
    zone = ZoneInfo(station.site.zone)
    midnight = at.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    begun = Removal.objects.filter(station=station, started_at__gte=midnight, started_at__lte=at)
    return begun.aggregate(real=Count("pk", filter=Q(drill=False)), drills=Count("pk", filter=Q(drill=True)))


def still_asking(station: Station, observer: User) -> list[Removal]:
    """The observer's removals at the station whose worker is out while a question is open, the latest first."""
    out = _of(station, observer).filter(finished_at__isnull=False)
    return list(out.filter(marks__in=Mark.objects.filter(deviation_at=None, breach=None)).distinct())


def _of(station: Station, observer: User) -> QuerySet[Removal]:
    removals = Removal.objects.filter(station=station, observer=observer)
    return removals.select_related("worker", "protocol").order_by("-started_at")


def path_of(removal: Removal, steps: list[Step]) -> list[int]:
    """The positions that the removal goes through: all steps of its protocol, or, since it takes the shortest safe way,
    those that the protocol names for that, with the one on which it stands."""
    if removal.way_out_at is None:
        return [step.position for step in steps]
    return [step.position for step in steps if step.way_out or step.position == removal.at_step]


def neighbours(path: list[int], position: int) -> tuple[int | None, int | None]:
    """The step before and the one after a position; None where there is none."""
    before = [one for one in path if one < position]
    after = [one for one in path if one > position]
    return (before[-1] if before else None), (after[0] if after else None)


def may_undo_finish(removal: Removal, *, at: datetime) -> bool:
    """Whether “the worker is out” can still be taken back: a slip of the hand, said soon and by the same person."""
    return removal.finished_at is not None and at <= removal.finished_at + UNDO


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


def named_in(removal: str, name: str, site: Site) -> Worker | None:
    """Who was named so, and is on no list, in the removal with that uid, or in a report of it: a tablet without a
    network names one person anew in each of them. The first one, as whoever they proved to be."""
    if not removal:
        return None
    unlisted = {"worker__name": name[:200], "worker__number": None, "worker__user": None}
    told = Breach.objects.filter(site=site, body__removal__iexact=removal, **unlisted)
    breach = told.select_related("worker__same_as").order_by("pk").first()
    if breach is not None:
        return breach.worker.same_as or breach.worker
    begun = Removal.objects.filter(site=site, uid=uid_in(removal), **unlisted)
    found = begun.select_related("worker__same_as").first()
    return (found.worker.same_as or found.worker) if found else None
