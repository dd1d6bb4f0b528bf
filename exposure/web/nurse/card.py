"""The paper card of whoever has no telephone to enter readings on: printed with a box for every reading still to come,
and entered back line by line, each judged as any other reading."""

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Exists, OuterRef, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone, translation
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from exposure.attend.watched import profiles_of
from exposure.audit.models import AccessEntry
from exposure.classify.criteria import text
from exposure.classify.plan import Profile
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Fill
from exposure.followup.readings import celsius
from exposure.followup.store_reading import follow_ups_taking_readings
from exposure.people.access import find, require_on
from exposure.people.models import Worker
from exposure.people.policy import IN_LISTS, Deed
from exposure.pipeline import follow
from exposure.refusal import BadSubmission, Conflict
from exposure.web.language import of_reader
from exposure.web.local_time import TYPED
from exposure.web.nurse.deed import back_to, put_at_fields, words_of
from exposure.web.nurse.forms import ReadingForm
from exposure.web.nurse.person_deeds import WORKERS
from exposure.web.nurse.views import note_person
from exposure.web.signed_in import signed_in
from exposure.web.times import window_name

PEOPLE = WORKERS.filter(same_as=None)


@signed_in
def card(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The card, in the worker's language and times; it names no disease."""
    worker = find(request.user, PEOPLE, *IN_LISTS, at=request.at, uid=uid)
    note_person(request, AccessEntry.Kind.EXPORT, f"paper card of worker:{uid}", worker)
    profiles = _profiles(worker, request)
    language = worker.language or of_reader(request)
    with timezone.override(worker.zone), translation.override(language):
        context = {
            "worker": worker,
            "site": worker.site,
            "lines": [
                {"name": window_name(check.window), "check": check}
                for check in _unanswered(worker, request).filter(closes_at__gt=request.at)
            ],
            "limit": min((limit for profile in profiles for limit in _limits(profile)), default=None),
            "signs": [text(sign.ask) for profile in profiles for sign in profile.symptoms.values()],
            "at": request.at,
        }
        return render(request, "worker/card.html", context)


class LineForm(ReadingForm):
    """One line of the card. Left empty it was no reading."""

    temperature = forms.CharField(
        label=gettext_lazy("Temperature"),
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "size": 6}),
    )
    NOTHING = ("temperature", "felt_feverish", "symptoms", "could_not")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("unit", "method"):
            asked = self.fields[name]
            asked.widget = forms.Select(choices=[("", "")] * (name == "method") + list(asked.choices))
        self.fields["taken_at"].required = False

    @property
    def is_empty(self) -> bool:
        return not any(self.cleaned_data.get(name) for name in self.NOTHING)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if not cleaned.get("taken_at") and not self.errors and not self.is_empty:
            self.add_error("taken_at", _("When was this reading taken?"))
        return cleaned


@dataclass
class Line:
    """A reading that was asked for, with its form."""

    check: Check
    form: LineForm

    @property
    def name(self) -> str:
        return window_name(self.check.window)


@signed_in
def enter_card(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Every reading that was asked for and has not come, a line each. What is refused stays, with the reason."""
    worker = find(request.user, PEOPLE, *IN_LISTS, at=request.at, uid=uid)
    require_on(request.user, Deed.ENTER_READING, worker, at=request.at)
    note_person(request, AccessEntry.Kind.DETAIL, f"person_card_entry:{uid}", worker)
    with timezone.override(worker.zone):
        lines = list(_lines(request, worker))
        refused = _enter(request, worker, lines) if request.method == "POST" else []
        if request.method == "POST" and not refused:
            return redirect(back_to(worker))
        context = {"worker": worker, "lines": refused or lines, "refused": len(refused), "at": request.at}
        return render(request, "nurse/card_entry.html", context, status=422 if refused else 200)


def _lines(request: HttpRequest, worker: Worker) -> Iterator[Line]:
    """Of what was sent the lines that came, filled since or not; else those without an answer so far."""
    symptoms = {
        code: text(sign.ask)
        for profile in _profiles(worker, request)
        for code, sign in profile.symptoms.items()
    }
    checks = _asked(worker, request).filter(opens_at__lte=request.at)
    if request.method != "POST":
        checks = checks.filter(~Exists(_answers()))
    last = worker.readings.filter(value__isnull=False).order_by("-taken_at").first()
    for check in checks:
        prefix = f"line-{check.uid}"
        if request.method == "POST" and f"{prefix}-submission_id" not in request.POST:
            continue
        initial = {
            "submission_id": uuid.uuid4(),
            "taken_at": localtime(min(check.due_at, request.at)).strftime(TYPED),
            "unit": worker.unit,
            "method": last.method if last is not None else "",
        }
        data = request.POST if request.method == "POST" else None
        yield Line(check, LineForm(data, initial=initial, prefix=prefix, symptoms=symptoms))


def _enter(request: HttpRequest, worker: Worker, lines: list[Line]) -> list[Line]:
    """Store what can be stored, the oldest first; returns the lines that were refused, and says what became of all."""
    refused, recorded, stop = [], 0, False
    for line in lines:
        if not line.form.is_valid():
            refused.append(line)
            continue
        if line.form.is_empty:
            continue
        try:
            logged = follow.log_reading(
                body=line.form.body(), worker=worker, entered_by=request.user, at=request.at
            )
        except BadSubmission as bad:
            put_at_fields(line.form, bad.problems, {})
            refused.append(line)
            continue
        except Conflict as conflict:
            line.form.add_error(None, words_of(conflict))
            refused.append(line)
            continue
        stop = stop or logged.stop
        if logged.problems:
            put_at_fields(line.form, logged.problems, {})
            if logged.row is not None:
                line.form.data = line.form.data.copy()
                line.form.data[f"{line.form.prefix}-submission_id"] = str(uuid.uuid4())
            refused.append(line)
        else:
            recorded += 1
    if recorded or not refused:
        words = ngettext("%(count)s reading recorded.", "%(count)s readings recorded.", recorded)
        messages.success(request, words % {"count": recorded})
    if stop:
        messages.warning(request, _("An alert is raised: the worker must stop and be looked at now."))
    return refused


def _asked(worker: Worker, request: HttpRequest) -> QuerySet[Check]:
    """One line a window, also where several follow-ups ask for it."""
    follow_ups = follow_ups_taking_readings(worker, at=request.at)
    checks = Check.objects.filter(follow_up__in=follow_ups, withdrawn_at=None)
    earlier = checks.filter(opens_at=OuterRef("opens_at"), pk__lt=OuterRef("pk"))
    return checks.filter(~Exists(earlier)).order_by("opens_at")


def _unanswered(worker: Worker, request: HttpRequest) -> QuerySet[Check]:
    return _asked(worker, request).filter(~Exists(_answers()))


def _answers() -> QuerySet[Fill]:
    return Fill.objects.filter(standing_fill(), check_row=OuterRef("pk")).exclude(state="repeat_due")


def _profiles(worker: Worker, request: HttpRequest) -> list[Profile]:
    follow_ups = follow_ups_taking_readings(worker, at=request.at)
    return [one for one in profiles_of([row.pk for row in follow_ups]).values() if one is not None]


def _limits(profile: Profile) -> Iterator[Any]:
    limit = profile.fever.get("default")
    if limit is not None:
        yield celsius(limit.limit, limit.unit)
