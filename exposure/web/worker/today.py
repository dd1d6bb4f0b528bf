"""Today: the one thing to do now, what became of a reading, one that is put right, and “I have telephoned”."""

import json
import uuid
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from exposure.attend.told import STOPPING
from exposure.followup.models import Check, Reading
from exposure.followup.readings import USUAL_PROFILE, as_json
from exposure.followup.store_reading import LATEST_BY_WORKER, readings_of
from exposure.people.access import find, visible
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.pipeline.reply import say_telephoned
from exposure.web.signed_in import kept_form
from exposure.web.worker import spoken
from exposure.web.worker.entering import Taken, take, usual, with_id, would_stop
from exposure.web.worker.forms import CANNOT, CorrectionForm, ReadingForm
from exposure.web.worker.own import common, own_page
from exposure.web.worker.situation import Situation, situation_of


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def today(request: HttpRequest, worker: Worker) -> HttpResponse:
    """The one thing to do now, and the form for a reading. One that was kept through a sign-in is judged first."""
    situation = situation_of(worker, at=request.at)
    if request.method == "POST":
        form = ReadingForm(with_id(request.POST), symptoms=situation.symptoms)
        taken = take(form, request, situation)
        if taken.reading is not None:
            return redirect("reading_taken", uid=taken.reading.uid)
        return _show(request, situation_of(worker, at=request.at), form, status=422, taken=taken)
    kept = kept_form(request)
    if kept is None:
        missed = _missed(request, situation)
        return _show(request, situation, fresh_form(situation, missed), missed=missed)
    form = ReadingForm(with_id(kept), symptoms=situation.symptoms)
    return _show(request, situation, form, kept=True, unsent=would_stop(form, situation))


def fresh_form(situation: Situation, missed: Check | None) -> ReadingForm:
    """Empty but for the unit and the place of the last time; for a reading that is missing, its time."""
    initial = {"submission_id": str(uuid.uuid4()), **usual(situation)}
    if missed is not None:
        initial["taken_at"] = timezone.localtime(missed.due_at)
    return ReadingForm(symptoms=situation.symptoms, initial=initial)


def _missed(request: HttpRequest, situation: Situation) -> Check | None:
    """The reading without an entry that somebody wants to enter afterwards: `missed` names it in the address."""
    try:
        uid = uuid.UUID(request.GET.get("missed", ""))
    except ValueError:
        return None
    late = Check.objects.filter(
        withdrawn_at=None, closes_at__lte=request.at, due_at__gt=request.at - LATEST_BY_WORKER
    )
    own = visible(request.user, late, View.OWN, at=request.at)
    return own.filter(uid=uid).first() if situation.kind != "untold" else None


def _show(
    request: HttpRequest,
    situation: Situation,
    form: ReadingForm,
    *,
    status: int = 200,
    kept: bool = False,
    taken: Taken | None = None,
    unsent: bool = False,
    missed: Check | None = None,
) -> HttpResponse:
    """`taken`: what became of what was sent; `unsent`: what was kept would stop them."""
    context = common(request, situation)
    refused = taken is not None and taken.stop
    if (refused or unsent) and situation.kind != "untold":
        context["top"] = "stop"
    context |= {
        "form": form,
        "kept": kept,
        "refused": refused,
        "unsent": unsent,
        "emergency": situation.stop_is_emergency or (unsent and _names_urgent(form, situation)),
        "takes_readings": bool(situation.overviews),
        "missed": missed,
        "missed_when": spoken.window(missed, request.at) if missed else "",
        **parts_of_form(situation),
    }
    return render(request, "worker/today.html", context, status=status)


def parts_of_form(situation: Situation) -> dict[str, Any]:
    """What `worker/_form.html` shows besides the form: `cannot`, and the `limits` by which the page judges itself."""
    limits = [as_json(profile) for profile in situation.profiles or (USUAL_PROFILE,)]
    return {"cannot": CANNOT, "limits": json.dumps(limits)}


def _names_urgent(form: ReadingForm, situation: Situation) -> bool:
    """Whether a symptom that the criteria call urgent is ticked."""
    return not situation.urgent_symptoms.isdisjoint(form["symptoms"].value() or ())


@require_safe
@own_page
def reading_taken(request: HttpRequest, worker: Worker, uid: uuid.UUID) -> HttpResponse:
    """What became of a reading: recorded, to repeat, or stop and call; and which is the next one."""
    reading = find(request.user, Reading.objects.all(), View.OWN, at=request.at, uid=uid)
    situation = situation_of(worker, at=request.at)
    repeat_after, coming = situation.repeat_after(reading), situation.next
    context = {
        **common(request, situation),
        "reading": reading,
        "stopped": bool(STOPPING.intersection(reading.triggers)),
        "masked": "masked" in reading.triggers,
        "repeat_after": spoken.moment(repeat_after, request.at),
        "repeat_is_next": coming is not None and repeat_after >= coming.opens_at,
        "said": [situation.symptoms.get(code, code) for code in reading.symptoms],
    }
    return render(request, "worker/reading_taken.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def correct_reading(request: HttpRequest, worker: Worker, uid: uuid.UUID) -> HttpResponse:
    """Another reading stands in for one that was entered wrongly, which stays. The newest can be put right, for as long
    as a worker may enter readings of that day; a Stop that it raised is a clinician's to close."""
    rows = readings_of(worker).filter(could_not="", taken_at__gte=request.at - LATEST_BY_WORKER)
    reading = find(request.user, rows, View.OWN, at=request.at, uid=uid)
    if hasattr(reading, "replaced_by"):
        return redirect("my_days")
    situation = situation_of(worker, at=request.at)
    data = with_id(request.POST) if request.method == "POST" else kept_form(request)
    form = CorrectionForm(data, corrects=reading, symptoms=situation.symptoms)
    taken = take(form, request, situation) if request.method == "POST" else Taken()
    if taken.reading is not None:
        return redirect("reading_taken", uid=taken.reading.uid)
    context = common(request, situation_of(worker, at=request.at))
    if taken.stop:
        context["top"] = "stop"
    context |= {"form": form, "reading": reading, "kept": request.method != "POST" and data is not None}
    status = 422 if request.method == "POST" else 200
    return render(request, "worker/correct.html", context, status=status)


@require_POST
@own_page
def telephoned(request: HttpRequest, worker: Worker) -> HttpResponse:
    """“I have telephoned”: the nurse sees it; the Stop stands."""
    say_telephoned(worker=worker, by=request.user, at=request.at)
    return redirect("today")
