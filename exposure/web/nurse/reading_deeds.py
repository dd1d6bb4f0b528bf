"""Readings that occupational health enters: one given by telephone, or the right one instead of one that was wrong."""

import uuid
from collections.abc import Iterable
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.attend.overview import overviews
from exposure.attend.watched import profiles_of
from exposure.classify.criteria import text
from exposure.followup.models import FollowUp, Reading
from exposure.followup.store_reading import Logged, follow_ups_taking_readings
from exposure.people.access import View, find
from exposure.people.models import Worker
from exposure.pipeline import follow
from exposure.refusal import BadSubmission
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.forms import ReadingForm
from exposure.web.nurse.person_deeds import WORKERS, back_to
from exposure.web.signed_in import signed_in

AS_ENTERED = (
    "taken_at", "unit", "method", "felt_feverish", "symptoms", "fever_reducer", "fever_reducer_hours",
    "observed_by", "could_not", "note",
)  # fmt: skip


class AmendForm(ReadingForm):
    """The right reading, with the reason; the one that was wrong stays in the record."""

    reason = forms.CharField(label=gettext_lazy("What was wrong?"), max_length=500)

    def body(self) -> dict[str, Any]:
        return {**super().body(), "reason": self.cleaned_data["reason"]}


@signed_in
def reading(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A reading given by telephone, judged as one that the worker sends."""
    worker = find(request.user, WORKERS, View.CLINICAL, at=request.at, uid=uid)
    initial = {"taken_at": request.at, "unit": worker.unit}
    said = {"title": _("Enter a reading"), "button": _("Record the reading")}
    return _entered(request, worker, ReadingForm, initial, said)


@signed_in
def amend(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The right reading instead of one that was entered wrongly: judged again, and what was raised stays."""
    rows = Reading.objects.select_related("worker__site", "worker__same_as__site")
    wrong = find(request.user, rows, View.CLINICAL, at=request.at, uid=uid)
    initial = {name: getattr(wrong, name) for name in AS_ENTERED}
    initial["temperature"] = "" if wrong.value is None else f"{wrong.value.normalize() + 0:f}"
    said = {
        "title": _("Correct a reading"),
        "lede": _("The one that was wrong stays in the record, and so does an alert that it raised."),
        "button": _("Record the right one"),
    }
    worker = wrong.worker.same_as or wrong.worker
    return _entered(request, worker, AmendForm, initial, said, replaces=str(wrong.uid))


def _entered(
    request: HttpRequest,
    worker: Worker,
    kind: type[ReadingForm],
    initial: dict[str, Any],
    said: dict[str, str],
    **more: str,
) -> HttpResponse:
    """The page of a reading; `more` goes with the body that the pipeline gets."""
    follow_ups = follow_ups_taking_readings(worker, at=request.at)
    asked = _symptoms_of(follow_ups)
    seen = any(one.observed_per_day for one in overviews(follow_ups, at=request.at))

    def form_of(data: QueryDict | None) -> ReadingForm:
        form = kind(data, initial={"submission_id": uuid.uuid4(), **initial}, symptoms=asked)
        if seen:
            form.fields["observed_by"].help_text = _("The plan asks that somebody sees one reading a day.")
        return form

    def do(form: ReadingForm) -> str:
        body = {**form.body(), **more}
        logged = follow.log_reading(body=body, worker=worker, entered_by=request.user, at=request.at)
        if logged.problems:
            if logged.row is not None:
                form.renew()
                messages.warning(request, _("What was typed is kept, and an alert is raised. Act on it now."))
            raise BadSubmission(*logged.problems)
        return _outcome(logged)

    with timezone.override(worker.site.zone):
        page = {"back": back_to(worker), "template": "nurse/reading.html", "about": worker, **said}
        return one_deed(request, form_of, do, **page)


def _symptoms_of(follow_ups: Iterable[FollowUp]) -> dict[str, str]:
    """Symptom -> its question, of everything the worker is followed up for."""
    profiles = profiles_of(follow_ups)
    return {
        code: text(symptom.ask)
        for profile in profiles.values()
        if profile is not None
        for code, symptom in profile.symptoms.items()
    }


def _outcome(logged: Logged) -> str:
    if logged.stop:
        return _("Recorded, and an alert is raised: the worker must stop and be looked at now.")
    return {
        "recorded_late": _("Recorded late."),
        "close": _("Recorded, close to the reading before."),
        "repeat_due": _("Kept. A fever reducer can hide a fever: another reading is due later."),
        "extra": _("Kept as an extra reading; none was due."),
        "unplaced": _("Kept; it belongs to no reading that was asked for."),
    }.get(logged.state, _("Recorded."))
