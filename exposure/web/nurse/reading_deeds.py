"""Readings that occupational health enters: one given by telephone, or the right one instead of one that was wrong."""

import uuid
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, QueryDict
from django.utils.translation import gettext_lazy as _

from exposure.attend.overview import overviews
from exposure.attend.watched import profiles_of
from exposure.classify.criteria import text
from exposure.followup.models import FollowUp, Reading
from exposure.followup.store_reading import Logged, follow_ups_taking_readings
from exposure.people.models import Worker
from exposure.people.policy import Deed
from exposure.pipeline import follow
from exposure.refusal import BadSubmission
from exposure.web.nurse.deed import DeedPage, Done, Subject, back_to
from exposure.web.nurse.forms import ReadingForm
from exposure.web.nurse.person_deeds import WORKERS

READINGS = Reading.objects.select_related("worker__site", "worker__same_as__site")
AS_ENTERED = (
    "taken_at", "unit", "method", "felt_feverish", "symptoms", "fever_reducer", "fever_reducer_hours",
    "observed_by", "could_not", "note",
)  # fmt: skip


class AmendForm(ReadingForm):
    """The right reading, with the reason; the one that was wrong stays in the record."""

    reason = forms.CharField(label=_("What was wrong?"), max_length=500)

    def body(self) -> dict[str, Any]:
        return {**super().body(), "reason": self.cleaned_data["reason"]}


def _log(*, subject: Subject, form: ReadingForm, replaces: str = "", **_who: Any) -> Logged:
    """A reading that is refused and would have been a trigger is kept: what is corrected then is another one."""
    body = {**form.body(), **({"replaces": replaces} if replaces else {})}
    logged = follow.log_reading(
        body=body, worker=subject.more["worker"], entered_by=subject.user, at=subject.at
    )
    if logged.problems:
        if logged.row is not None:
            form.renew()
            messages.warning(
                subject.request, _("What was typed is kept, and an alert is raised. Act on it now.")
            )
        raise BadSubmission(*logged.problems)
    return logged


def _wrong_reading(_request: HttpRequest, wrong: Reading) -> Mapping[str, Any]:
    initial = {name: getattr(wrong, name) for name in AS_ENTERED}
    initial["temperature"] = "" if wrong.value is None else f"{wrong.value.normalize() + 0:f}"
    return {"worker": wrong.worker.same_as or wrong.worker, "initial": initial}


def _new_reading(request: HttpRequest, worker: Worker) -> Mapping[str, Any]:
    return {"worker": worker, "initial": {"taken_at": request.at, "unit": worker.unit}}


def _form(form_class: type[ReadingForm]) -> Callable[[QueryDict | None, Subject], ReadingForm]:
    """The form with the symptoms of everything that the worker is followed up for."""

    def form_of(data: QueryDict | None, subject: Subject) -> ReadingForm:
        follow_ups = follow_ups_taking_readings(subject.more["worker"], at=subject.at)
        initial = {"submission_id": uuid.uuid4(), **subject.more["initial"]}
        form = form_class(data, initial=initial, symptoms=_symptoms_of(follow_ups))
        if any(overview.observed_per_day for overview in overviews(follow_ups, at=subject.at)):
            form.fields["observed_by"].help_text = _("The plan asks that somebody sees one reading a day.")
        return form

    return form_of


def _symptoms_of(follow_ups: Iterable[FollowUp]) -> dict[str, str]:
    """Symptom -> its question, of everything the worker is followed up for."""
    profiles = profiles_of([one.pk for one in follow_ups])
    return {
        code: text(symptom.ask)
        for profile in profiles.values()
        if profile is not None
        for code, symptom in profile.symptoms.items()
    }


def _outcome(done: Done) -> str:
    logged = done.result
    if logged.stop:
        return _("Recorded, and an alert is raised: the worker must stop and be looked at now.")
    return {
        "recorded_late": _("Recorded late."),
        "close": _("Recorded, close to the reading before."),
        "repeat_due": _("Kept. A fever reducer can hide a fever: another reading is due later."),
        "extra": _("Kept as an extra reading; none was due."),
        "unplaced": _("Kept; it belongs to no reading that was asked for."),
    }.get(logged.state, _("Recorded."))


_page = partial(
    DeedPage,
    named="",
    use_case=_log,
    about=lambda subject: subject.more["worker"],
    back=lambda subject: back_to(subject.more["worker"]),
    zone=lambda subject: subject.more["worker"].site.zone,
    template="nurse/reading.html",
    done=_outcome,
)

PAGES = (
    _page(
        "person_reading",
        "people/<uuid:uid>/reading/",
        deed=Deed.ENTER_READING,
        rows=WORKERS,
        prepare=_new_reading,
        form=_form(ReadingForm),
        sent=lambda form, subject: {"form": form, "subject": subject},
        title=_("Enter a reading"),
        button=_("Record the reading"),
    ),
    _page(
        "reading_amend",
        "readings/<uuid:uid>/",
        deed=Deed.ENTER_READING,
        rows=READINGS,
        prepare=_wrong_reading,
        form=_form(AmendForm),
        sent=lambda form, subject: {"form": form, "subject": subject, "replaces": str(subject.row.uid)},
        title=_("Correct a reading"),
        lede=_("The one that was wrong stays in the record, and so does an alert that it raised."),
        button=_("Record the right one"),
    ),
)
