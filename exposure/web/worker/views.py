"""The exposed worker's pages: what to do now, my days, what this means, settings. Always one's own record."""

import uuid
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from exposure.attend.told import STOPPING
from exposure.audit.history import looks_at
from exposure.followup.entry import ReadingEntry, read_entry
from exposure.followup.models import Reading
from exposure.followup.readings import must_keep
from exposure.followup.store_reading import (
    Judged,
    Logged,
    follow_ups_taking_readings,
    judge_entry,
    readings_of,
)
from exposure.people.access import find, visible
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.pipeline import follow, remind
from exposure.refusal import BadSubmission, Conflict
from exposure.web.reach import devices
from exposure.web.signed_in import kept_form, signed_in
from exposure.web.times import TimesForm, in_words, times_of
from exposure.web.worker import days, spoken
from exposure.web.worker.forms import ReadingForm, SettingsForm, other_id
from exposure.web.worker.restricted import spans
from exposure.web.worker.situation import Situation, situation_of

LOOKS = 100  # the newest, on the worker's own page


def own_page(view: Callable[[HttpRequest, Worker], HttpResponse]) -> Callable[..., HttpResponse]:
    """A page about the signed-in person as a worker, on their own clock; 404 for who is none."""

    @wraps(view)
    def own(request: HttpRequest, **kwargs: Any) -> HttpResponse:
        workers = Worker.objects.filter(user=request.user).select_related("site", "user")
        worker = find(request.user, workers, View.OWN, at=request.at)
        with timezone.override(worker.zone):
            return view(request, worker, **kwargs)

    return signed_in(own)


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def today(request: HttpRequest, worker: Worker) -> HttpResponse:
    """The one thing to do now, and the form for a reading. One that was kept through a sign-in is judged first."""
    if request.method == "POST":
        return _log(request, worker)
    situation = situation_of(worker, at=request.at)
    kept = kept_form(request)
    if kept is None:
        return _show_today(request, situation, _fresh_form(situation))
    form = ReadingForm(_with_id(kept), symptoms=situation.symptoms)
    return _show_today(request, situation, form, kept=True, unsent=_would_stop(form, situation))


def _log(request: HttpRequest, worker: Worker) -> HttpResponse:
    """Whatever is to stop the worker is stored at once; only then is anything asked."""
    situation = situation_of(worker, at=request.at)
    form = ReadingForm(_with_id(request.POST), symptoms=situation.symptoms)
    try:
        body = form.body()
        entry = read_entry(body, at=request.at)
        asked = form.asks_again(entry)
        if asked and not _is_urgent(entry, situation):
            form.remember(asked)
            form.show((*entry.refused, *asked))
            return _show_today(request, situation, form, status=422)
        logged = _log_once(body, request, worker)
    except BadSubmission as bad:
        form.show(bad.problems)
        return _show_today(request, situation, form, status=422)
    if not logged.problems:
        return redirect("reading_taken", uid=logged.row.uid)
    form.show(logged.problems)
    if logged.row is not None:
        form.renew()
    situation = situation_of(worker, at=request.at)
    return _show_today(request, situation, form, status=422, refused=logged.stop)


def _judged(entry: ReadingEntry, situation: Situation) -> Judged:
    """The entry as the pipeline would judge it, nothing stored."""
    follow_ups = follow_ups_taking_readings(situation.worker, at=situation.at)
    return judge_entry(entry, situation.worker, follow_ups)


def _is_urgent(entry: ReadingEntry, situation: Situation) -> bool:
    """Whether it must be stored before anything is asked."""
    judged = _judged(entry, situation)
    return judged.stop or (bool(entry.refused) and must_keep(judged.triggers))


def _would_stop(form: ReadingForm, situation: Situation) -> bool:
    """Whether what stands in the form, not sent, would be a Stop."""
    try:
        return _judged(read_entry(form.body(), at=situation.at), situation).stop
    except BadSubmission:
        return False


def _log_once(body: dict[str, Any], request: HttpRequest, worker: Worker) -> Logged:
    """A page that was gone back to, changed and sent again is another reading: it must not be lost."""
    try:
        return follow.log_reading(body=body, worker=worker, entered_by=request.user, at=request.at)
    except Conflict:
        body = {**body, "submission_id": other_id(body)}
        return follow.log_reading(body=body, worker=worker, entered_by=request.user, at=request.at)


def _with_id(posted: QueryDict) -> QueryDict:
    """A page without a proper id still carries a reading."""
    try:
        uuid.UUID(posted.get("submission_id", ""))
    except ValueError:
        posted = posted.copy()
        posted["submission_id"] = str(uuid.uuid4())
    return posted


def _fresh_form(situation: Situation) -> ReadingForm:
    """Empty but for the unit and the place of the last time."""
    measured = situation.worker.readings.exclude(method="").order_by("taken_at").last()
    initial = {
        "submission_id": str(uuid.uuid4()),
        "unit": situation.worker.unit,
        "method": measured.method if measured else "",
    }
    return ReadingForm(symptoms=situation.symptoms, initial=initial)


def _show_today(
    request: HttpRequest,
    situation: Situation,
    form: ReadingForm,
    *,
    status: int = 200,
    kept: bool = False,
    refused: bool = False,
    unsent: bool = False,
) -> HttpResponse:
    """`refused`: what was sent was no reading, and stops the worker; `unsent`: what was kept would stop them."""
    context = _common(request, situation)
    if (refused or unsent) and situation.kind != "untold":
        context["top"] = "stop"
    context |= {
        "form": form,
        "kept": kept,
        "refused": refused,
        "unsent": unsent,
        "emergency": situation.stop_is_emergency or (unsent and _names_urgent(form, situation)),
        "takes_readings": bool(situation.overviews),
    }
    return render(request, "worker/today.html", context, status=status)


def _names_urgent(form: ReadingForm, situation: Situation) -> bool:
    """Whether a symptom that the criteria call urgent is ticked."""
    return not situation.urgent_symptoms.isdisjoint(form["symptoms"].value() or ())


def _common(request: HttpRequest, situation: Situation) -> dict[str, Any]:
    """What every page of the worker says: what stands above all else, the reading now and next in words, and by when
    the call comes."""
    due, coming, call_by = situation.due, situation.next, situation.call_by
    return {
        "situation": situation,
        "top": situation.top,
        "emergency": situation.stop_is_emergency,
        "site": situation.worker.site,
        "at": request.at,
        "due": due,
        "due_when": spoken.window(due.check, request.at) if due else "",
        "repeat_after": spoken.moment(situation.repeat_after(due.reading), request.at)
        if due and due.reading
        else "",
        "next_when": spoken.window(coming, request.at) if coming else "",
        "call_by": spoken.moment(call_by, request.at) if call_by else "",
        "call_late": call_by is not None and call_by <= request.at,
        "clearances": situation.clearances,
        "until": spans(situation.confirmed_restrictions, today=situation.today),
    }


@require_safe
@own_page
def reading_taken(request: HttpRequest, worker: Worker, uid: uuid.UUID) -> HttpResponse:
    """What became of a reading: recorded, to repeat, or stop and call; and which is the next one."""
    reading = find(request.user, Reading.objects.all(), View.OWN, at=request.at, uid=uid)
    situation = situation_of(worker, at=request.at)
    repeat_after, coming = situation.repeat_after(reading), situation.next
    context = {
        **_common(request, situation),
        "reading": reading,
        "stopped": bool(STOPPING.intersection(reading.triggers)),
        "masked": "masked" in reading.triggers,
        "repeat_after": spoken.moment(repeat_after, request.at),
        "repeat_is_next": coming is not None and repeat_after >= coming.opens_at,
        "said": [situation.symptoms.get(code, code) for code in reading.symptoms],
    }
    return render(request, "worker/reading_taken.html", context)


@require_safe
@own_page
def my_days(request: HttpRequest, worker: Worker) -> HttpResponse:
    """The strip, and every reading, gap and refused entry in words."""
    situation = situation_of(worker, at=request.at)
    readings = list(visible(request.user, readings_of(worker), View.OWN, at=request.at))
    refused = visible(request.user, days.refused_of(worker), View.OWN, at=request.at)
    context = {
        **_common(request, situation),
        "strips": days.strips(situation, readings),
        "entries": days.entries(situation, readings, refused),
        "today": situation.today,
        "several": len({exposure.day_zero for one in situation.overviews for exposure in one.exposures}) > 1,
    }
    return render(request, "worker/my_days.html", context)


@require_safe
@own_page
def what_this_means(request: HttpRequest, worker: Worker) -> HttpResponse:
    """Restrictions, what happens next, whom to call, who looked."""
    situation = situation_of(worker, at=request.at)
    context = {
        **_common(request, situation),
        "counts": [days.counted(one) for one in situation.overviews],
        "looks": looks_at(worker.uid)[:LOOKS],
        "broken": worker.broken_glass.select_related("user").order_by("-recorded_at", "-pk"),
    }
    return render(request, "worker/what_this_means.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def my_settings(request: HttpRequest, worker: Worker) -> HttpResponse:
    """How and when to be reminded. Saving plans the readings that have not opened anew."""
    context = _common(request, situation_of(worker, at=request.at))  # before the form writes on the worker
    posted = request.method == "POST"
    kept = None if posted else kept_form(request)
    form = SettingsForm(request.POST if posted else kept, instance=worker)
    if posted and form.is_valid():
        remind.change_settings(worker=worker, by=request.user, at=request.at, **form.cleaned_data)
        messages.success(request, _("Saved."))
        return redirect("my_settings")
    context |= {"form": form, "kept": kept, "worker": worker, "times": times_of(worker)["words"]}
    context |= devices(request, back="my_settings")
    return render(request, "worker/my_settings.html", context, status=422 if posted else 200)


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def my_times(request: HttpRequest, worker: Worker) -> HttpResponse:
    """When readings are taken: as at the site, or at times of one's own."""
    posted = request.method == "POST"
    kept = None if posted else kept_form(request)
    form = TimesForm(request.POST if posted else kept, worker=worker)
    if posted and form.is_valid():
        try:
            now = follow.set_windows(worker=worker, windows=form.windows, by=request.user, at=request.at)
        except BadSubmission as refused:
            for problem in form.at_fields(refused).problems:
                form.add_error(problem.pointer.strip("/"), problem.message)
        else:
            messages.success(request, _("Saved. Readings are taken %(times)s.") % {"times": in_words(now)})
            return redirect("my_settings")
    context = _common(request, situation_of(worker, at=request.at))
    context |= {"form": form, "kept": kept, "now": times_of(worker)["words"]}
    return render(request, "worker/my_times.html", context, status=422 if posted else 200)
