"""What a station lead sees: who is not to be planned for duty, until when, and how many. Nothing of why."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.clear.letters import Off, off_duty
from exposure.followup.models import Restriction
from exposure.people.access import holds, visible
from exposure.people.models import Worker
from exposure.people.policy import SEEING, View
from exposure.places.models import Site
from exposure.web.signed_in import signed_in

SOON = timedelta(days=7)


@dataclass(frozen=True)
class OffDuty:
    """Somebody and the days on which they are not to be planned: `now`, and `until` when (None: until further
    notice, or, not `called`, until occupational health has called), else from `start` on."""

    worker: Worker
    now: bool
    start: date
    until: date | None
    called: bool


@signed_in
def duty(request: HttpRequest) -> HttpResponse:
    """Everybody of the lead's sites who is off duty today or will be, soonest back first."""
    if not holds(request.user, SEEING[View.DUTY], at=request.at):
        raise PermissionDenied
    sites = list(visible(request.user, Site.objects.all(), View.DUTY, at=request.at).order_by("short_name"))
    note_look(request.user, AccessEntry.Kind.LIST, "duty", at=request.at)
    restrictions = visible(request.user, Restriction.objects.all(), View.DUTY, at=request.at)
    off = off_duty(restrictions, at=request.at)
    context = {"sites": [_of_site(site, request, off) for site in sites], "at": request.at}
    return render(request, "lead/duty.html", context)


def _of_site(site: Site, request: HttpRequest, off: Mapping[tuple[int, Worker], Off]) -> dict[str, Any]:
    today = request.at.astimezone(ZoneInfo(site.zone)).date()
    people = sorted(
        (
            OffDuty(worker, first <= today, first, last, own.called)
            for (key, worker), own in off.items()
            if key == site.pk
            for first, last in own.spans
        ),
        key=lambda person: (not person.now, person.until or date.max, person.worker.name, person.worker.pk),
    )
    return {"site": site, "people": people, "today": today, **_counts(people, today)}


def _counts(people: Iterable[OffDuty], today: date) -> dict[str, int]:
    now = {person.worker.pk: person.until for person in people if person.now}
    back = [until for until in now.values() if until is not None and until < today + SOON]
    return {"off": len(now), "back_soon": len(back)}
