"""Stations and guided removals. Every tap is a POST that may arrive twice and counts once."""

import uuid
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure.people.access import find
from exposure.people.policy import View
from exposure.pipeline import remove
from exposure.places.first_aid import emergencies, failures_of
from exposure.places.models import FailureType, Station, Step
from exposure.refusal import NotYet
from exposure.report.models import Mark, Removal
from exposure.report.removals import may_undo, open_marks, running, still_asking
from exposure.web.observer.forms import StartForm
from exposure.web.observer.here import by_number, by_uid, find_station, lately_here, look_up, open_cases
from exposure.web.signed_in import kept_form, signed_in
from exposure.wording import shipped


@signed_in
def stations(request: HttpRequest) -> HttpResponse:
    """The stations of the person's sites."""
    here = remove.stations_of(request.user, at=request.at)
    return render(request, "observer/stations.html", {"stations": here})


@signed_in
def station(request: HttpRequest, code: str) -> HttpResponse:
    """What one can do at a station: start or end a removal, answer what is open, report something."""
    here = find_station(request.user, code, at=request.at)
    if request.method == "POST" and "finish" in request.POST:
        return _finish(request, here)
    sent = request.POST if request.method == "POST" else None
    kept = None if sent is not None else kept_form(request)
    data = sent if sent is not None else kept
    if data is not None and data.get("instead"):  # a near number was meant
        data = {**data.dict(), "who": data["instead"]}
    people = lately_here(here, chosen=(data or {}).get("who", ""), at=request.at)
    form = StartForm(data, station=here, people=people)
    with timezone.override(ZoneInfo(here.site.zone)):
        if sent is not None and form.is_valid() and "change" not in sent:
            return _start(request, here, form)
        context = {
            "station": here,
            "form": form,
            "kept": kept,
            "cases": open_cases(here),
            "running": [(removal, open_marks(removal)) for removal in running(here, request.user)],
            "asking": [(removal, open_marks(removal)) for removal in still_asking(here, request.user)],
        }
        return render(request, "observer/station.html", context)


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
        by=request.user,
        at=request.at,
    )
    return redirect("removal", uid=removal.uid)


def _finish(request: HttpRequest, here: Station) -> HttpResponse:
    """Removal finished, nothing seen: one tap."""
    removal = _own_removal(request, request.POST["finish"])
    try:
        remove.finish_removal(removal=removal, nothing_seen=True, by=request.user, at=request.at)
    except NotYet:
        return redirect("removal", uid=removal.uid)
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
        unsent = kept if kept and (kept.get("tap") == "wrong" or "emergency" in kept) else None
        page = "observer/step.html"
        context |= {
            "step": steps[position - 1],
            "last": position == len(steps),
            "fresh": uuid.uuid4(),
            "unsent": unsent,
            "emergencies": emergencies(),
        }
    else:
        page = "observer/question.html" if marks else "observer/finished.html"
        context |= {"mark": marks[0] if marks else None, "noted": _noted(request, current)}
    with timezone.override(ZoneInfo(current.station.site.zone)):
        return render(request, page, context)


def _noted(request: HttpRequest, current: Removal) -> list[tuple[Mark, bool]]:
    """What is answered already, and whether it can be taken back."""
    answered = current.marks.exclude(deviation_at=None, breach=None)
    rows = answered.select_related("removal", "step", "failure", "breach")
    return [(mark, may_undo(mark, at=request.at)) for mark in rows]


def _tapped(request: HttpRequest, current: Removal, steps: list[Step]) -> HttpResponse:
    """What a tap does counts for the step that was on the screen, not for the one reached meanwhile."""
    tap, emergency = request.POST.get("tap"), request.POST.get("emergency", "")
    position = _position(request, current, len(steps))
    doing: dict[str, Any] = {"by": request.user, "at": request.at}
    if steps and (emergency or tap == "wrong"):
        uid = _uid(request.POST.get("mark"))
        # Another emergency tapped on the same page is another mark; the same one twice is one.
        uid = uuid.uuid5(uid, emergency) if emergency else uid
        step = steps[position - 1]
        noted = remove.mark_step(removal=current, step=step, uid=uid, emergency=emergency, **doing)
        return redirect("mark", uid=current.uid, mark=noted.uid)
    if tap == "done" and position < len(steps):
        remove.reach_step(removal=current, left=position, position=position + 1, **doing)
    elif tap == "back":
        remove.reach_step(removal=current, left=position, position=position - 1, **doing)
    elif tap == "done":
        remove.finish_removal(removal=current, left=position if steps else None, **doing)
    elif tap == "out":
        remove.finish_removal(removal=current, **doing)
    return redirect("removal", uid=current.uid)


@signed_in
def mark(request: HttpRequest, uid: uuid.UUID, mark: uuid.UUID) -> HttpResponse:
    """What went wrong: named with one more tap, the first-aid card, and back to the removal."""
    marks = Mark.objects.filter(removal__uid=uid).select_related(
        "removal__station__site", "removal__worker", "removal__protocol", "step", "failure__card"
    )
    noted = find(request.user, marks, View.AUTHOR, at=request.at, uid=mark)
    if request.method == "POST":
        return _said(request, noted)
    context = {"mark": noted, "removal": noted.removal, "station": noted.removal.station}
    card = noted.failure.card if noted.failure else None
    if noted.failure is None or "again" in request.GET:
        page = "observer/mark.html"
        usual = FailureType.objects.filter(step_failures__step=noted.step)
        context |= {"failures": usual.order_by("step_failures__position"), "emergencies": emergencies()}
    elif card is None:
        return redirect("removal", uid=uid)
    else:
        page = "observer/first_aid.html"
        alike = failures_of(card.emergency, [noted.removal.protocol]) if card.emergency else []
        context |= {"card": card, "others": [failure for failure in alike if failure.card_id != card.pk]}
    with timezone.override(ZoneInfo(noted.removal.station.site.zone)):
        return render(request, page, context)


def _said(request: HttpRequest, noted: Mark) -> HttpResponse:
    contact, doing = request.POST.get("contact"), {"by": request.user, "at": request.at}
    if contact == "no":
        return _no_contact(request, noted)
    if contact:
        address = reverse("report", args=[noted.removal.station.code])
        return redirect(f"{address}?mark={noted.uid}")
    if "undo" in request.POST:
        try:
            remove.undo_deviation(mark=noted, **doing)
        except NotYet:
            messages.warning(request, _("It is too late to take this back. Report it instead."))
        return redirect("removal", uid=noted.removal.uid)
    failure = _failure_named(request, noted)
    if failure is None:
        return redirect("removal", uid=noted.removal.uid)
    remove.name_failure(mark=noted, failure=failure, **doing)
    if failure.card is None:
        messages.success(request, _("Noted: %(failure)s.") % {"failure": shipped(failure.label)})
    return redirect("mark", uid=noted.removal.uid, mark=noted.uid)


def _failure_named(request: HttpRequest, noted: Mark) -> FailureType | None:
    emergency = request.POST.get("emergency", "")
    if emergency:
        return next(iter(failures_of(emergency, [noted.removal.protocol])), None)
    return FailureType.objects.filter(code=request.POST.get("failure", "")).first()


def _no_contact(request: HttpRequest, noted: Mark) -> HttpResponse:
    """A No; where what was marked says otherwise, it is asked once more by its name."""
    named = request.POST.get("named", "")
    try:
        remove.note_deviation(mark=noted, named=named, by=request.user, at=request.at)
    except NotYet:
        context = {"mark": noted, "removal": noted.removal, "station": noted.removal.station}
        return render(request, "observer/sure.html", context)
    return redirect("removal", uid=noted.removal.uid)


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
