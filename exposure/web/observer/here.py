"""Who and what is at a station: whose stations they are, who was there lately, which cases are open."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Max
from django.http import Http404
from django.utils.translation import gettext as _

from exposure.people.models import User, Worker
from exposure.pipeline.remove import stations_of
from exposure.places.models import Station
from exposure.report.models import Case
from exposure.report.submission import uid_in
from exposure.web.bidi import isolated
from exposure.web.observer.near import near_numbers

LATELY = timedelta(days=14)
MOST_NAMES = 6
MOST_NEAR = 4


def find_station(user: User, code: str, *, at: datetime) -> Station:
    """The station with that code among the account's own; raises Http404."""
    station = stations_of(user, at=at).filter(code=code).first()
    if station is None:
        raise Http404
    return station


def open_cases(station: Station) -> list[Case]:
    """The cases at the station now, by code."""
    return list(Case.objects.filter(station=station, closed_at=None).order_by("code"))


def lately_here(station: Station, *, chosen: str = "", at: datetime) -> list[Worker]:
    """Who took equipment off here lately, the latest first: the list that spares typing. Whoever was `chosen` from
    it (a uid) stays on it, also when others have come since."""
    seen = Worker.objects.filter(
        removals__station=station, removals__started_at__gte=at - LATELY, same_as=None
    )
    people = list(seen.annotate(last_here=Max("removals__started_at")).order_by("-last_here")[:MOST_NAMES])
    worker = by_uid(chosen)
    return people if worker is None or worker in people else [worker, *people]


def by_uid(text: str) -> Worker | None:
    """The worker whom the text names by uid, if it does."""
    return Worker.objects.filter(uid=uid_in(text)).first()


def shown_at(station: Station, worker: Worker) -> str:
    """How a worker is shown at a station; of somebody from another site no more than the number."""
    if worker.site_id != station.site_id:
        return isolated(worker.number) or _("Somebody from another site")
    name = isolated(worker.name)
    return f"{name}, {isolated(worker.number)}" if worker.number else name


def by_number(number: str) -> Worker | None:
    """The worker with that number, whatever the case of its letters."""
    number = number.strip()
    return Worker.objects.filter(number__iexact=number).first() if number else None


@dataclass(frozen=True)
class Typed:
    """Somebody who was typed in, by number or by name, as the station may know of them.

    `listed` is the worker of this site with that number. `known`: some site has the number; whose it is stays there.
    `near`: people of this site who may be meant instead.
    """

    text: str
    listed: Worker | None
    known: bool
    near: tuple[Worker, ...]


def look_up(station: Station, kind: str, text: str) -> Typed:
    """`kind`: number or name."""
    text = text.strip()
    people = Worker.objects.filter(site=station.site, same_as=None)
    if kind == "name":
        return Typed(text, None, False, tuple(people.filter(name__iexact=text)[:MOST_NEAR]) if text else ())
    worker = by_number(text)
    if worker is not None and worker.site_id == station.site_id:
        return Typed(text, worker, True, ())
    numbers = people.exclude(number=None).values_list("number", flat=True)
    near = people.filter(number__in=near_numbers(text, numbers)[:MOST_NEAR])
    return Typed(text, None, worker is not None, tuple(near))
