"""A guided removal. Every tap is a POST that may arrive twice and counts once, for the step that was on the screen."""

import uuid
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure.people.access import find
from exposure.people.policy import View
from exposure.pipeline import remove
from exposure.places.first_aid import emergencies, failures_of, length_of
from exposure.places.models import FailureType, Step
from exposure.refusal import NotYet
from exposure.report.models import Mark, Removal
from exposure.report.removals import may_undo, may_undo_finish, neighbours, open_marks, path_of
from exposure.web.signed_in import kept_form, signed_in
from exposure.wording import shipped

TAPPED = "tapped "  # with the mark: signs the moment of a tap that arrived without a session


@signed_in
def removal(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A removal: one step at a time, then one question for each thing that went wrong."""
    current = _own_removal(request, uid)
    steps = list(current.protocol.steps.prefetch_related("step_failures__failure"))
    if request.method == "POST":
        return _tapped(request, current, steps)
    kept = kept_form(request)
    marks = open_marks(current)
    context = {"removal": current, "station": current.station, "marks": marks, "count": len(steps)}
    if current.finished_at is None and steps:
        page = "observer/step.html"
        context |= _on_step(current, steps) | {"unsent": _unsent(request, kept)}
    else:
        page = "observer/question.html" if marks else "observer/finished.html"
        context |= {
            "mark": marks[0] if marks else None,
            "noted": _noted(request, current),
            "undo": may_undo_finish(current, at=request.at),
        }
    with timezone.override(ZoneInfo(current.station.site.zone)):
        return render(request, page, context)


def _on_step(current: Removal, steps: list[Step]) -> dict[str, Any]:
    """What the page of the step shows on which the removal stands."""
    step = steps[min(current.at_step, len(steps)) - 1]
    before, after = neighbours(path_of(current, steps), step.position)
    return {
        "step": step,
        "usual": [row.failure for row in step.step_failures.all()],
        "first": before is None,
        "last": after is None,
        "has_way_out": any(one.way_out for one in steps),
        "fresh": uuid.uuid4(),
        "emergencies": emergencies(),
    }


def _unsent(request: HttpRequest, kept: Any) -> dict[str, Any] | None:
    """A mark tapped when the session had ended; it is noted with the moment of that tap."""
    if not kept or not (kept.get("tap") == "wrong" or "emergency" in kept):
        return None
    said = {name: kept.get(name, "") for name in ("position", "mark", "emergency")}
    moment = request.kept_at
    signed = signing.dumps(moment.isoformat(), salt=TAPPED + said["mark"]) if moment else ""
    return said | {"at": moment, "signed": signed}


def _tapped_at(request: HttpRequest) -> datetime | None:
    """The moment that was signed for this mark and no other; None where there is none."""
    salt = TAPPED + request.POST.get("mark", "")
    try:
        return datetime.fromisoformat(signing.loads(request.POST.get("tapped", ""), salt=salt, max_age=86400))
    except signing.BadSignature:
        return None


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
        moment = _tapped_at(request)
        noted = remove.mark_step(
            removal=current, step=step, uid=uid, emergency=emergency, tapped_at=moment, **doing
        )
        return redirect("mark", uid=current.uid, mark=noted.uid)
    try:
        _moved(current, tap, position, steps, doing)
    except NotYet:
        messages.warning(request, _("It is too late to take this back. Report it instead."))
    return redirect("removal", uid=current.uid)


def _moved(
    current: Removal, tap: str | None, position: int, steps: list[Step], doing: dict[str, Any]
) -> None:
    """Every tap but a mark: to another step, a pause, the way out, the end and back from it. Raises NotYet where that
    is too late."""
    before, after = neighbours(path_of(current, steps), position)
    if tap == "done" and after is not None:
        remove.reach_step(removal=current, left=position, position=after, **doing)
    elif tap == "back" and before is not None:
        remove.reach_step(removal=current, left=position, position=before, **doing)
    elif tap == "done":
        remove.finish_removal(removal=current, left=position if steps else None, **doing)
    elif tap == "out":
        remove.finish_removal(removal=current, **doing)
    elif tap in ("pause", "go_on"):
        remove.pause_removal(removal=current, paused=tap == "pause", **doing)
    elif tap in ("way_out", "whole"):
        remove.take_way_out(removal=current, out=tap == "way_out", **doing)
    elif tap == "not_out":
        remove.undo_finish(removal=current, **doing)


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
        context |= length_of(card, noted.aid_begun_at, at=request.at)
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
    if "begun" in request.POST:
        remove.begin_first_aid(mark=noted, **doing)
        return redirect("mark", uid=noted.removal.uid, mark=noted.uid)
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
