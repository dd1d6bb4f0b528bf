"""What a guided removal stores beyond `report.removals`: once, however often a tap arrives."""

from datetime import datetime, timedelta

from django.db import transaction

from exposure.people.models import User, Worker
from exposure.places.models import Protocol, Station
from exposure.report.models import Removal
from exposure.report.removals import start_removal
from exposure.web.observer.here import by_number

ONE_TAP = timedelta(minutes=2)  # starting the same removal again within this is a double tap


@transaction.atomic
def start_once(
    *, station: Station, protocol: Protocol, who: dict[str, str], observer: User, drill: bool, at: datetime
) -> Removal:
    """Start a removal; a second tap on the same start returns the first. `who`: the answers of StartForm."""
    User.objects.select_for_update().get(pk=observer.pk)  # two taps at once wait for each other here
    for removal in running(station, observer):
        same = (removal.protocol_id, removal.drill) == (protocol.pk, drill)
        if same and removal.started_at >= at - ONE_TAP and _names(who, removal.worker):
            return removal
    worker = _worker(who, station)
    return start_removal(
        station=station, protocol=protocol, worker=worker, observer=observer, drill=drill, at=at
    )


def running(station: Station, observer: User) -> list[Removal]:
    """The observer's removals at the station that have not finished, the latest first."""
    removals = Removal.objects.filter(station=station, observer=observer, finished_at=None)
    return list(removals.select_related("worker", "protocol").order_by("-started_at"))


def _names(who: dict[str, str], worker: Worker | None) -> bool:
    """Whether the answers name that worker."""
    kind = who["who"]
    if worker is None or kind == "nobody":
        return worker is None and kind == "nobody"
    if kind == "number":
        return who["number"].strip().casefold() in (worker.name.casefold(), (worker.number or "").casefold())
    return who["name"].strip() == worker.name if kind == "name" else kind == str(worker.uid)


def _worker(who: dict[str, str], station: Station) -> Worker | None:
    """The worker whom the answers name. Nobody waits at the station for a list to be right: a person on no list
    becomes a worker without number at once, as in a report."""
    kind = who["who"]
    if kind == "nobody":
        return None
    if kind == "number":
        typed = who["number"]
        return by_number(typed) or Worker.objects.create(site=station.site, name=typed.strip()[:200])
    if kind == "name":
        return Worker.objects.create(site=station.site, name=who["name"].strip()[:200])
    return Worker.objects.get(uid=kind)
