"""The sheet for the people at home: what stands at one's sites, and what a physician approves in its place."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.people.access import find, require
from exposure.people.policy import Deed, View
from exposure.pipeline import guide
from exposure.places.household import advice_at
from exposure.places.models import HouseholdAdvice, Site
from exposure.refusal import BadSubmission, Conflict
from exposure.web.nurse.deed import put_at_fields
from exposure.web.physician.standing import sites_of
from exposure.web.physician.views import for_physicians
from exposure.web.signed_in import kept_form

LONGEST = 4000  # characters of each text: the sheet stays one page


class AdviceForm(forms.Form):
    """The two texts, and what stood as they were written."""

    english = forms.CharField(
        label=gettext_lazy("In English"),
        required=False,
        max_length=LONGEST,
        help_text=gettext_lazy(
            "One sentence a line, said to the people at home: sleeping, washing, meals, visitors, children."
        ),
        widget=forms.Textarea(attrs={"rows": 8, "lang": "en"}),
    )
    french = forms.CharField(
        label=gettext_lazy("In French"),
        required=False,
        max_length=LONGEST,
        help_text=gettext_lazy("Where one of the two is empty, everybody reads the other."),
        widget=forms.Textarea(attrs={"rows": 8, "lang": "fr"}),
    )
    replaces = forms.UUIDField(required=False, widget=forms.HiddenInput)


@for_physicians
def household_advice(request: HttpRequest) -> HttpResponse:
    """What stands at each of one's sites, and what stood before."""
    sites = sites_of(request.user, at=request.at)
    rows: dict[int, list[HouseholdAdvice]] = {}
    for row in HouseholdAdvice.objects.filter(site__in=sites).select_related("approved_by"):
        rows.setdefault(row.site_id, []).insert(0, row)
    context = {"sites": [(site, rows.get(site.pk, [])) for site in sites]}
    return render(request, "physician/household_advice.html", context)


@for_physicians
def approve_advice(request: HttpRequest, code: str) -> HttpResponse:
    """Another text for the sheet of a site. What another physician approved meanwhile is shown, and what was typed
    stays."""
    site = find(request.user, Site.objects.all(), View.CLINICAL, at=request.at, code=code)
    require(request.user, Deed.APPROVE_ADVICE, site.pk, at=request.at)
    sending = request.method == "POST"
    kept = None if sending else kept_form(request)
    standing, meanwhile = advice_at(site), None
    with timezone.override(site.zone):
        form = AdviceForm(request.POST if sending else kept, initial=_as_it_stands(standing))
        if sending and form.is_valid():
            try:
                guide.approve_advice(site=site, by=request.user, at=request.at, **form.cleaned_data)
            except BadSubmission as refused:
                put_at_fields(form, refused.problems, {})
            except Conflict as conflict:
                meanwhile = conflict.standing
                form = AdviceForm(_typed_beside(request, meanwhile))
            else:
                messages.success(request, _("Approved under your name. It stands on the sheets from now on."))
                return redirect("household_advice")
        context: dict[str, Any] = {"form": form, "site": site, "kept": bool(kept), "meanwhile": meanwhile}
        status = 409 if meanwhile else 422 if sending else 200
        return render(request, "physician/approve_advice.html", context, status=status)


def _as_it_stands(standing: HouseholdAdvice | None) -> dict[str, Any]:
    if standing is None:
        return {}
    return {"english": standing.english, "french": standing.french, "replaces": standing.uid}


def _typed_beside(request: HttpRequest, standing: HouseholdAdvice) -> Any:
    """What was typed, to be approved in the place of what stands now."""
    typed = request.POST.copy()
    typed["replaces"] = str(standing.uid)
    return typed
