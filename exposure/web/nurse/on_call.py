"""Who is on call at one's sites, now and next, and who is put there: from which hand-over to which."""

import uuid
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from exposure.people import on_call
from exposure.people.access import find, holds, visible
from exposure.people.models import OnCall, User
from exposure.people.policy import SEEING, View
from exposure.places.models import Site
from exposure.refusal import BadSubmission
from exposure.web.bidi import isolated
from exposure.web.local_time import LocalTimeField
from exposure.web.nurse.deed import put_at_fields
from exposure.web.signed_in import kept_form, signed_in


class PersonField(forms.ModelChoiceField):
    def label_from_instance(self, user: User) -> str:
        return isolated(user.full_name)


class OnCallForm(forms.Form):
    """Hours for one person, on the clock of the site."""

    user = PersonField(User.objects.none(), label=gettext_lazy("Who?"), empty_label=None)
    place = forms.TypedChoiceField(
        label=gettext_lazy("In which place?"),
        choices=[(place, str(place)) for place in range(1, on_call.MOST_PLACES + 1)],
        coerce=int,
        help_text=gettext_lazy("1 is told first. Two people in one place are told together."),
    )
    from_at = LocalTimeField(label=gettext_lazy("On call from"))
    until_at = LocalTimeField(label=gettext_lazy("until the hand-over at"))

    def __init__(self, *args: Any, site: Site, at: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = on_call.could_be(site, at=at)
        self.fields["user"].queryset = User.objects.filter(pk__in=[one.pk for one in people]).order_by(
            "full_name", "pk"
        )


@signed_in
def on_call_sites(request: HttpRequest) -> HttpResponse:
    """Who is on call now and next, site by site."""
    sites = _sites(request)
    rows = OnCall.objects.filter(site__in=sites, until_at__gt=request.at).exclude(until_at=F("from_at"))
    by_site: dict[int, list[OnCall]] = {}
    for row in rows.select_related("user").order_by("from_at", "place", "user__full_name"):
        by_site.setdefault(row.site_id, []).append(row)
    context = {"sites": [(site, by_site.get(site.pk, [])) for site in sites], "at": request.at}
    return render(request, "nurse/on_call.html", context)


@signed_in
def put_on_call(request: HttpRequest, code: str) -> HttpResponse:
    """Somebody more, for some hours."""
    site = find(request.user, Site.objects.all(), View.CLINICAL, at=request.at, code=code)
    sending = request.method == "POST"
    kept = None if sending else kept_form(request)
    with timezone.override(ZoneInfo(site.zone)):
        form = OnCallForm(request.POST if sending else kept, site=site, at=request.at)
        if sending and form.is_valid():
            try:
                row, _is_new = on_call.put_on_call(
                    site=site, by=request.user, at=request.at, **form.cleaned_data
                )
            except BadSubmission as refused:
                put_at_fields(form, refused.problems, {})
            else:
                messages.success(
                    request, _("%(name)s is on call then.") % {"name": isolated(row.user.full_name)}
                )
                return redirect("on_call")
        context = {"form": form, "site": site, "kept": bool(kept), "back": reverse("on_call")}
        return render(request, "nurse/put_on_call.html", context, status=422 if form.is_bound else 200)


@require_POST
@signed_in
def end_on_call(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Not on call from now on."""
    row = find(request.user, OnCall.objects.select_related("user"), View.CLINICAL, at=request.at, uid=uid)
    on_call.end_on_call(row, by=request.user, at=request.at)
    messages.success(
        request, _("%(name)s is not on call then any more.") % {"name": isolated(row.user.full_name)}
    )
    return redirect("on_call")


def _sites(request: HttpRequest) -> list[Site]:
    if not holds(request.user, SEEING[View.CLINICAL], at=request.at):
        raise PermissionDenied
    return list(visible(request.user, Site.objects.all(), View.CLINICAL, at=request.at).order_by("name"))
