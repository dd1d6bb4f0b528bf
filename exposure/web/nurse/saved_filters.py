"""Lists that a clinician saves under a name, renames and removes: nobody else's are there."""

import uuid
from collections.abc import Mapping

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from exposure.people.access import holds
from exposure.people.desk_models import SavedFilter
from exposure.people.policy import SEEING, View
from exposure.people.saved_filters import LONGEST, end_filter, rename_filter, save_filter, saved_by
from exposure.refusal import BadSubmission
from exposure.web.bidi import isolated
from exposure.web.nurse.deed import put_at_fields
from exposure.web.nurse.filters import LONGEST as LONGEST_VALUE
from exposure.web.nurse.filters import NAMES
from exposure.web.nurse.views import for_clinicians
from exposure.web.signed_in import kept_form, signed_in

KEPT = ("cause", *NAMES, "group")  # what an address of the list says of it


class NameForm(forms.Form):
    """`chosen`: the query of the list that is saved."""

    name = forms.CharField(label=gettext_lazy("Name"), max_length=LONGEST)
    chosen = forms.CharField(widget=forms.HiddenInput, required=False)


def chosen_in(asked: Mapping[str, str]) -> dict[str, str]:
    """Of an address what is saved: its filters and its grouping, as far as they are chosen."""
    given = {name: asked.get(name, "")[:LONGEST_VALUE] for name in KEPT}
    return {name: value for name, value in given.items() if value}


def saved_address(row: SavedFilter) -> str:
    """The list as it was saved."""
    return f"{reverse('monitoring')}?{urlencode(row.chosen)}"


@for_clinicians
def saved_filters(request: HttpRequest) -> HttpResponse:
    """Those of the reader; and a name for the list whose filters stand in the address."""
    sending = request.method == "POST"
    kept = None if sending else kept_form(request)
    chosen = urlencode(chosen_in(request.GET))
    form = NameForm(request.POST if sending else kept, initial={"chosen": chosen})
    if sending and form.is_valid():
        wanted = chosen_in(QueryDict(form.cleaned_data["chosen"]))
        try:
            row = save_filter(name=form.cleaned_data["name"], chosen=wanted, by=request.user, at=request.at)
        except BadSubmission as refused:
            put_at_fields(form, refused.problems, {})
        else:
            messages.success(request, _("Saved as \u201c%(name)s\u201d.") % {"name": isolated(row.name)})
            return redirect(saved_address(row))
    context = {
        "form": form if chosen or form.is_bound else None,
        "kept": bool(kept),
        "saved": [(row, saved_address(row)) for row in saved_by(request.user)],
        "back": f"{reverse('monitoring')}?{chosen}",
    }
    return render(request, "nurse/saved_filters.html", context, status=422 if sending else 200)


@signed_in
def rename(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Another name for one of one's own."""
    row = _own(request, uid)
    sending = request.method == "POST"
    kept = None if sending else kept_form(request)
    form = NameForm(request.POST if sending else kept, initial={"name": row.name})
    if sending and form.is_valid():
        try:
            row = rename_filter(row, name=form.cleaned_data["name"], by=request.user, at=request.at)
        except BadSubmission as refused:
            put_at_fields(form, refused.problems, {})
        else:
            messages.success(
                request, _("It is called \u201c%(name)s\u201d now.") % {"name": isolated(row.name)}
            )
            return redirect("saved_filters")
    context = {"form": form, "kept": bool(kept), "row": row, "back": reverse("saved_filters")}
    return render(request, "nurse/rename_filter.html", context, status=422 if sending else 200)


@require_POST
@signed_in
def remove(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One of one's own is there no longer."""
    row = end_filter(_own(request, uid), by=request.user, at=request.at)
    messages.success(request, _("\u201c%(name)s\u201d is removed.") % {"name": isolated(row.name)})
    return redirect("saved_filters")


def _own(request: HttpRequest, uid: uuid.UUID) -> SavedFilter:
    row = saved_by(request.user).filter(uid=uid).first()
    if row is None or not holds(request.user, SEEING[View.CLINICAL], at=request.at):
        raise Http404
    return row
