"""The history: who did and who saw what, over everything, and of one worker."""

import uuid
from datetime import datetime, time, timedelta
from typing import Any

from django import forms
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.http import urlencode
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.audit.access_log import note_look
from exposure.audit.as_of import stood
from exposure.audit.belonging import recorded_models, withdrawable, written_once_models
from exposure.audit.history import Wanted, latest, of_worker
from exposure.audit.models import AccessEntry
from exposure.people.access import holds, roles_of, visible
from exposure.people.models import User, Worker
from exposure.people.policy import SEEING, View
from exposure.places.models import Site
from exposure.web.auditor.words import THINGS, tell, tell_stood
from exposure.web.local_time import LocalTimeField
from exposure.web.signed_in import signed_in

FOR_CLINICIANS = frozenset({"PrivateNote"})


def kinds() -> list[tuple[str, str]]:
    """What the history is about, in words, those that follow from the rest left out."""
    models = [*recorded_models(), *(model for model in written_once_models() if not withdrawable(model))]
    words = sorted((capfirst(str(THINGS[model.__name__])), model.__name__) for model in models)
    return [("", _("Everything")), *((name, what) for what, name in words)]


class Filter(forms.Form):
    """Whose deeds, about whom, of what kind, from when to when; all may be empty."""

    who = forms.CharField(
        label=gettext_lazy("Who did or saw it"),
        help_text=gettext_lazy("Sign-in name or full name."),
        required=False,
    )
    about = forms.CharField(
        label=gettext_lazy("About which worker"), help_text=gettext_lazy("Number."), required=False
    )
    what = forms.ChoiceField(label=gettext_lazy("What"), choices=kinds, required=False)
    since = forms.DateField(label=gettext_lazy("From"), widget=forms.DateInput, required=False)
    to = forms.DateField(
        label=gettext_lazy("To"), help_text=gettext_lazy("That day included."), required=False
    )

    def __init__(self, data: Any, *, workers: Any) -> None:
        super().__init__(data)
        self.workers = workers

    def clean_who(self) -> User | None:
        who = self.cleaned_data["who"]
        users = list(User.objects.filter(Q(name__iexact=who) | Q(full_name__iexact=who))) if who else []
        if who and not users:
            raise ValidationError(_("No account has this name."))
        if len(users) > 1:
            raise ValidationError(_("Several people have this name. Give the sign-in name."))
        return users[0] if users else None

    def clean_about(self) -> Worker | None:
        about = self.cleaned_data["about"]
        worker = self.workers.filter(number__iexact=about).first() if about else None
        if about and worker is None:
            raise ValidationError(_("No worker has this number."))
        return worker

    def wanted(self, sites: frozenset[int], own: Worker | None, older: datetime | None) -> Wanted:
        """What to read; `older` narrows it to what lies before an instant."""
        values = self.cleaned_data
        ends = [_midnight(values["to"] + timedelta(days=1))] if values["to"] else []
        ends += [older] if older else []
        return Wanted(
            actor=values["who"].actor if values["who"] else "",
            model=values["what"],
            workers=frozenset({values["about"].pk}) if values["about"] else None,
            sites=sites,
            since=_midnight(values["since"]) if values["since"] else None,
            until=min(ends, default=None),
            except_worker=own.pk if own else None,
        )


# A list of hundreds of contacts, or a round of the service, is one act: its rows stand with each person's record.
ROWS_OF_A_MOMENT = 50


def _midnight(day: Any) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_current_timezone())


@signed_in
def history(request: HttpRequest) -> HttpResponse:
    """The newest changes and looks at the auditor's sites, filtered by person, worker and time."""
    if not holds(request.user, SEEING[View.AUDIT], at=request.at):
        raise PermissionDenied
    sites = list(visible(request.user, Site.objects.all(), View.AUDIT, at=request.at))
    own = getattr(request.user, "worker", None)
    workers = visible(request.user, Worker.objects.all(), View.AUDIT, at=request.at).exclude(
        user=request.user
    )
    with timezone.override(sites[0].zone if sites else "UTC"):
        form = Filter(request.GET, workers=workers)
        context: dict[str, Any] = {"form": form, "operations": [], "older": None}
        if form.is_valid():
            _note_list(request, form)
            wanted = form.wanted(
                frozenset(site.pk for site in sites), own, _instant(request.GET.get("older", ""))
            )
            operations, older = latest(wanted)
            context["operations"] = [
                tell(operation, withhold=FOR_CLINICIANS, most=ROWS_OF_A_MOMENT) for operation in operations
            ]
            asked = {name: value for name in form.fields if (value := request.GET.get(name))}
            context["worker"] = form.cleaned_data["about"]
            context["older"] = urlencode({**asked, "older": older.isoformat()}) if older else None
        return render(request, "auditor/history.html", context, status=200 if form.is_valid() else 422)


def _instant(typed: str) -> datetime | None:
    try:
        instant = parse_datetime(typed)
    except ValueError:
        return None
    return instant if instant is not None and instant.tzinfo is not None else None


def _note_list(request: HttpRequest, form: Filter) -> None:
    asked = [f"{name}:{request.GET[name]}" for name in form.fields if request.GET.get(name)]
    worker = form.cleaned_data["about"]
    note_look(
        request.user,
        AccessEntry.Kind.LIST,
        " ".join(["history", *asked]),
        worker.uid if worker else None,
        at=request.at,
    )


def read_by(request: HttpRequest, uid: uuid.UUID) -> tuple[Worker, frozenset[int] | None, frozenset[str]]:
    """The worker, of which sites the reader sees what was recorded (None: of all), and of which models only that there
    is something. Raises Http404 for whoever is neither clinician nor auditor there, and for one's own."""
    workers = Worker.objects.select_related("site").filter(uid=uid).exclude(user=request.user)
    clinical = visible(request.user, workers, View.CLINICAL, at=request.at).first()
    worker = clinical or visible(request.user, workers, View.AUDIT, at=request.at).first()
    if worker is None:
        raise Http404
    withhold = frozenset() if clinical else FOR_CLINICIANS
    seen = SEEING[View.CLINICAL] if clinical else SEEING[View.AUDIT]
    held = {role.site_id for role in roles_of(request.user, at=request.at) if role.kind in seen}
    return worker, None if None in held else frozenset(held), withhold


@signed_in
def worker_history(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """What the reader's sites have recorded of one worker, for clinicians and auditors; nobody's own."""
    worker, sites, withhold = read_by(request, uid)
    note_look(request.user, AccessEntry.Kind.PERSON, f"history of worker:{uid}", uid, at=request.at)
    newest_first = request.GET.get("order") == "newest"
    with timezone.override(worker.site.zone):
        if "at" in request.GET:
            return _as_it_stood(request, worker, sites, withhold)
        operations = [tell(operation, withhold=withhold) for operation in of_worker(uid, sites)]
        context = {
            "worker": worker,
            "operations": operations[:: -1 if newest_first else 1],
            "newest_first": newest_first,
            "then": Then(),
            "may_take": holds(request.user, SEEING[View.AUDIT], worker.site_id, at=request.at),
        }
        return render(request, "auditor/worker_history.html", context)


class Then(forms.Form):
    """An instant of the past."""

    at = LocalTimeField(label=gettext_lazy("As it stood on"))


def _as_it_stood(
    request: HttpRequest, worker: Worker, sites: frozenset[int] | None, withhold: frozenset[str]
) -> HttpResponse:
    """The record as of an instant: what was known then, and not what was learned later."""
    form = Then(request.GET)
    context: dict[str, Any] = {"worker": worker, "form": form, "rows": None}
    if form.is_valid():
        rows = stood(worker.uid, at=form.cleaned_data["at"], sites=sites)
        context["rows"] = [tell_stood(row, withhold=withhold) for row in rows]
    return render(request, "auditor/as_it_stood.html", context, status=200 if form.is_valid() else 422)
