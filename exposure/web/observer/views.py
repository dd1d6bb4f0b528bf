"""Stations and guided removals. Every tap is a POST that may arrive twice and counts once."""

import uuid
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure.people.access import View, find
from exposure.places.models import FailureType, Station, Step
from exposure.report.models import Mark, Removal
from exposure.report.removals import (
    finish_removal,
    mark_step,
    name_failure,
    note_deviation,
    open_marks,
    reach_step,
)
from exposure.web.observer.forms import StartForm
from exposure.web.observer.guided import running, start_once
from exposure.web.observer.here import find_station, lately_here, open_cases, stations_of
from exposure.web.signed_in import kept_form, signed_in


@signed_in
def stations(request: HttpRequest) -> HttpResponse:
    """The stations of the person's sites."""
    return render(request, "observer/stations.html", {"stations": stations_of(request.user, at=request.at)})


@signed_in
def station(request: HttpRequest, code: str) -> HttpResponse:
    """What one can do at a station: start or end a removal, report something."""
    here = find_station(request.user, code, at=request.at)
    if request.method == "POST" and "finish" in request.POST:
        return _finish(request, here)
    sent = request.POST if request.method == "POST" else None
    kept = None if sent is not None else kept_form(request)
    data = sent if sent is not None else kept
    people = lately_here(here, chosen=(data or {}).get("who", ""), at=request.at)
    form = StartForm(data, station=here, people=people)
    if sent is not None and form.is_valid():
        removal = start_once(
            station=here,
            protocol=form.cleaned_data["protocol"],
            who=form.cleaned_data,
            observer=request.user,
            drill=form.cleaned_data["drill"] == "yes",
            at=request.at,
        )
        return redirect("removal", uid=removal.uid)
    context = {
        "station": here,
        "form": form,
        "kept": kept,
        "cases": open_cases(here),
        "running": [(one, open_marks(one)) for one in running(here, request.user)],
    }
    with timezone.override(ZoneInfo(here.site.zone)):
        return render(request, "observer/station.html", context)


def _finish(request: HttpRequest, here: Station) -> HttpResponse:
    """Removal finished, nothing seen: one tap."""
    removal = _own_removal(request, request.POST["finish"])
    if open_marks(removal):
        return redirect("removal", uid=removal.uid)
    finish_removal(removal, at=request.at)
    messages.success(request, _("The removal is finished; nothing was seen."))
    return redirect("station", code=here.code)


@signed_in
def removal(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A removal: one step at a time, then one question for each thing that went wrong."""
    current = _own_removal(request, uid)
    steps = list(current.protocol.steps.all())
    if request.method == "POST":
        return _tapped(request, current, steps)
    kept = kept_form(request)
    marks = open_marks(current)
    context = {"removal": current, "station": current.station, "marks": marks, "count": len(steps)}
    if current.finished_at is None and steps:
        position = min(current.at_step, len(steps))
        step = steps[position - 1]
        unsent = kept if kept and kept.get("tap") == "wrong" else None
        page = "observer/step.html"
        context |= {"step": step, "last": position == len(steps), "fresh": uuid.uuid4(), "unsent": unsent}
    elif marks:
        page, context["mark"] = "observer/question.html", marks[0]
    else:
        page, context["noted"] = "observer/finished.html", current.marks.select_related("step", "failure")
    with timezone.override(ZoneInfo(current.station.site.zone)):
        return render(request, page, context)


def _tapped(request: HttpRequest, current: Removal, steps: list[Step]) -> HttpResponse:
    """What a tap does counts for the step that was on the screen, not for the one reached meanwhile."""
    tap, position = request.POST.get("tap"), _position(request, current, len(steps))
    if tap == "wrong" and steps:
        noted = mark_step(
            current, steps[position - 1], None, uid=_uid(request.POST.get("mark")), at=request.at
        )
        if noted.removal_id != current.pk:
            raise Http404
        return redirect("mark", uid=current.uid, mark=noted.uid)
    if tap == "out" or (tap == "done" and position >= len(steps)):
        finish_removal(current, at=request.at)
    elif tap == "done":
        reach_step(current, position=position + 1)
    return redirect("removal", uid=current.uid)


@signed_in
def mark(request: HttpRequest, uid: uuid.UUID, mark: uuid.UUID) -> HttpResponse:
    """What went wrong: named with one more tap, the first-aid card, and back to the removal."""
    marks = Mark.objects.filter(removal__uid=uid).select_related(
        "removal__station__site", "step", "failure__card"
    )
    noted = find(request.user, marks, View.AUTHOR, at=request.at, uid=mark)
    if request.method == "POST":
        return _said(request, noted)
    if noted.failure is not None and noted.failure.card is None:
        return redirect("removal", uid=uid)
    page = "observer/mark.html" if noted.failure is None else "observer/first_aid.html"
    failures = FailureType.objects.filter(step_failures__step=noted.step).order_by("step_failures__position")
    with timezone.override(ZoneInfo(noted.removal.station.site.zone)):
        return render(request, page, {"mark": noted, "removal": noted.removal, "failures": failures})


def _said(request: HttpRequest, noted: Mark) -> HttpResponse:
    contact = request.POST.get("contact")
    if contact == "no":
        note_deviation(noted, at=request.at)
        return redirect("removal", uid=noted.removal.uid)
    if contact:
        address = reverse("report", args=[noted.removal.station.code])
        return redirect(f"{address}?mark={noted.uid}")
    failure = FailureType.objects.filter(code=request.POST.get("failure", "")).first()
    if failure is None:
        return redirect("removal", uid=noted.removal.uid)
    name_failure(noted, failure)
    if failure.card is None:
        messages.success(request, _("Noted: %(failure)s.") % {"failure": failure.label})
    return redirect("mark", uid=noted.removal.uid, mark=noted.uid)


def _own_removal(request: HttpRequest, uid: uuid.UUID | str) -> Removal:
    removals = Removal.objects.select_related("station__site", "protocol", "worker")
    return find(request.user, removals, View.AUTHOR, at=request.at, uid=_uid(uid))


def _uid(text: uuid.UUID | str | None) -> uuid.UUID:
    """The id that the page carried; a tap whose id cannot be read gets its own, so that it is never lost."""
    try:
        return text if isinstance(text, uuid.UUID) else uuid.UUID(text or "")
    except ValueError:
        return uuid.uuid4()


def _position(request: HttpRequest, current: Removal, count: int) -> int:
    try:
        position = int(request.POST.get("position", ""))
    except ValueError:
        position = current.at_step
    return max(1, min(position, count))
