"""Stations: what is there, a removal that is started or ended there, the sheet for its wall."""

from contextlib import suppress
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode

from exposure.people.access import find
from exposure.people.policy import View
from exposure.pipeline import remove
from exposure.places.models import Station
from exposure.refusal import NotYet
from exposure.report.cases import pathogens_of
from exposure.report.models import Removal
from exposure.report.removals import open_marks, running, still_asking, today_at
from exposure.report.submission import uid_in
from exposure.web.account.sheet import svg
from exposure.web.observer.forms import StartForm
from exposure.web.observer.here import (
    by_number,
    by_uid,
    find_station,
    lately_here,
    look_up,
    open_cases,
)
from exposure.web.signed_in import kept_form, signed_in

CHOSEN = ("protocol", "drill", "watched", "who")  # what the addresses of the pages of a start carry: no name


@signed_in
def stations(request: HttpRequest) -> HttpResponse:
    """The stations of the person's sites."""
    here = remove.stations_of(request.user, at=request.at)
    return render(request, "observer/stations.html", {"stations": here})


@signed_in
def station(request: HttpRequest, code: str) -> HttpResponse:
    """What one can do at a station: start or end a removal, answer what is open, report something."""
    here = find_station(request.user, code, at=request.at)
    if request.method == "POST":
        return _finish(request, here)
    with timezone.override(ZoneInfo(here.site.zone)):
        context = {
            "station": here,
            "cases": [(case, ", ".join(pathogens_of(case))) for case in open_cases(here)],
            "protocols": list(here.protocols.all()),
            "today": today_at(here, at=request.at),
            "running": [(removal, open_marks(removal)) for removal in running(here, request.user)],
            "asking": [(removal, open_marks(removal)) for removal in still_asking(here, request.user)],
        }
        return render(request, "observer/station.html", context)


@signed_in
def start(request: HttpRequest, code: str) -> HttpResponse:
    """A removal starts: which protocol, real or drill, who; one tap each."""
    here = find_station(request.user, code, at=request.at)
    with timezone.override(ZoneInfo(here.site.zone)):
        if request.method != "POST":
            return _start_page(request, here, kept_form(request))
        sent = request.POST
        if sent.get("instead"):  # a near number was meant
            sent = _with(sent, who=sent["instead"])
        form = _form(request, here, sent)
        if "change" in sent:
            return _start_page(request, here, sent)
        if form.is_valid():
            return _start(request, here, form)
        if form.typing and sent.get("typing") == form.typing:
            return _start_page(request, here, sent, bound=True)
        return _to_start(request, here, sent)


def _with(data: QueryDict, **changes: str) -> QueryDict:
    changed = data.copy()
    for name, value in changes.items():
        changed[name] = value
    return changed


def _form(request: HttpRequest, here: Station, data: Any, **options: Any) -> StartForm:
    people = lately_here(here, chosen=(data or options.get("initial") or {}).get("who", ""), at=request.at)
    return StartForm(data, station=here, people=people, **options)


def _to_start(request: HttpRequest, here: Station, chosen: QueryDict) -> HttpResponse:
    query = {name: chosen[name] for name in CHOSEN if chosen.get(name)}
    return redirect(f"{reverse('start', args=[here.code])}?{urlencode(query)}")


def _start_page(
    request: HttpRequest, here: Station, sent: QueryDict | None, *, bound: bool = False
) -> HttpResponse:
    """The first thing that is not chosen yet; `sent`: what was typed already; `bound`: say what is missing."""
    chosen = sent if sent is not None else request.GET
    protocols = list(here.protocols.all())
    if not protocols:
        return redirect("station", code=here.code)
    known = {one.code: one for one in protocols}
    protocol = known.get(chosen.get("protocol", "")) or (protocols[0] if len(protocols) == 1 else None)
    form = _form(request, here, sent) if bound else _form(request, here, None, initial=chosen.dict())
    context = {
        "station": here,
        "form": form,
        "protocols": protocols,
        "protocol": protocol,
        "drill": chosen.get("drill") if chosen.get("drill") in ("yes", "no") else "",
        "watched": chosen.get("watched", Removal.Watched.OBSERVER),
        "kept": sent is not None and request.method == "GET",
    }
    return render(request, "observer/start.html", context)


def _start(request: HttpRequest, here: Station, form: StartForm) -> HttpResponse:
    """Start it; somebody typed who is on no list is shown as that first, and one tap more starts it all the same."""
    said = form.cleaned_data
    kind, worker, unlisted = said["who"], None, ""
    if kind in ("number", "name"):
        typed = look_up(here, kind, said[kind])
        worker = by_number(typed.text) if kind == "number" else None
        if typed.listed is None and request.POST.get("as_typed") != typed.text:
            fields = [(name, form.data[name]) for name in form.fields if name in form.data]
            return render(
                request, "observer/unlisted.html", {"station": here, "typed": typed, "fields": fields}
            )
        unlisted = "" if worker else typed.text
    elif kind != "nobody":
        worker = by_uid(kind)
    removal = remove.start_removal(
        station=here,
        protocol=said["protocol"],
        worker=worker,
        unlisted=unlisted,
        drill=said["drill"] == "yes",
        watched=said["watched"] or Removal.Watched.OBSERVER,
        by=request.user,
        at=request.at,
    )
    return redirect("removal", uid=removal.uid)


def _finish(request: HttpRequest, here: Station) -> HttpResponse:
    """Removal finished, nothing seen: one tap, taken back with one more."""
    removals = Removal.objects.all()
    removal = find(
        request.user, removals, View.AUTHOR, at=request.at, uid=uid_in(request.POST.get("finish", ""))
    )
    with suppress(NotYet):  # the removal's own page asks what is open
        remove.finish_removal(removal=removal, nothing_seen=True, by=request.user, at=request.at)
    return redirect("removal", uid=removal.uid)


@signed_in
def sheet(request: HttpRequest, code: str) -> HttpResponse:
    """For the wall: the station's page as a picture to point a telephone at, and the number to ring."""
    here = find_station(request.user, code, at=request.at)
    link = request.build_absolute_uri(reverse("station", args=[here.code]))
    return render(request, "observer/sheet.html", {"station": here, "link": link, "picture": svg(link)})
