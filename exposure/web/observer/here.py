"""Who and what is at a station: whose stations they are, who was there lately, which cases are open."""

import uuid
from datetime import datetime, timedelta

from django.db.models import Max, QuerySet
from django.http import Http404

from exposure.people.access import roles_of
from exposure.people.models import User, Worker
from exposure.places.models import Station
from exposure.report.models import Case

LATELY = timedelta(days=14)
MOST_NAMES = 6


def stations_of(user: User, *, at: datetime) -> QuerySet[Station]:
    """The stations of every site where the account holds a role or works."""
    roles = roles_of(user, at=at)
    stations = Station.objects.select_related("site")
    if any(role.site_id is None for role in roles):
        return stations
    sites = {role.site_id for role in roles}
    if hasattr(user, "worker"):
        sites.add(user.worker.site_id)
    return stations.filter(site__in=sites)


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
    try:
        return Worker.objects.filter(uid=uuid.UUID(text)).first()
    except ValueError:
        return None


def by_number(number: str) -> Worker | None:
    """The worker with that number, whatever the case of its letters."""
    number = number.strip()
    return Worker.objects.filter(number__iexact=number).first() if number else None
