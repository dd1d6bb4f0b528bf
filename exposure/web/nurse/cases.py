"""Cases: what is known of each source patient, stated anew when it changes, and who is linked."""

import uuid
from functools import partial

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure import monitoring
from exposure.people.access import View, find, visible
from exposure.report.models import Case
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.forms import CaseForm
from exposure.web.nurse.views import for_clinicians
from exposure.web.signed_in import signed_in

CASES = Case.objects.select_related("site", "station").prefetch_related("statements")


@for_clinicians
def cases(request: HttpRequest) -> HttpResponse:
    """The cases of the person's sites, open ones first."""
    found = visible(request.user, CASES, View.CLINICAL, at=request.at)
    # In time order, so that the newest statement of each pathogen is the one that stays.
    rows = [(case, list({one.pathogen: one for one in case.statements.all()}.values())) for case in found]
    rows.sort(key=lambda row: row[0].closed_at is not None)
    return render(request, "nurse/cases.html", {"rows": rows})


@signed_in
def case(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One case: its statements in time order and the follow-ups linked to it."""
    found = find(request.user, CASES, View.CLINICAL, at=request.at, uid=uid)
    linked = [
        one
        for one in monitoring.linked_follow_ups(found, at=request.at)
        if one.worker.user_id != request.user.pk
    ]
    with timezone.override(found.site.zone):
        context = {
            "case": found,
            "statements": found.statements.all(),
            "pathogens": sorted({one.pathogen for one in found.statements.all()}),
            "linked": linked,
        }
        return render(request, "nurse/case.html", context)


@signed_in
def state(request: HttpRequest, uid: uuid.UUID, pathogen: str) -> HttpResponse:
    """State anew what the case has. Nobody is moved by it."""
    found = find(request.user, CASES, View.CLINICAL, at=request.at, uid=uid)
    newest = found.statements.filter(pathogen=pathogen).last()

    def do(form: CaseForm) -> str:
        facts = newest.facts if newest else {}
        monitoring.state_case(
            case=found, pathogen=pathogen, facts=facts, by=request.user, at=request.at, **form.cleaned_data
        )
        return _("Stated. Nobody is moved; every linked follow-up asks for a decision.")

    with timezone.override(found.site.zone):
        return one_deed(
            request,
            partial(CaseForm, initial={"onset_on": newest.onset_on} if newest else None),
            do,
            back=reverse("case", args=[found.uid]),
            template="nurse/case_state.html",
            title=_("State case %(code)s anew") % {"code": found.code},
            lede=pathogen.capitalize(),
            button=_("State it"),
        )
