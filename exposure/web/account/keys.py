"""The keys to the API of the person who is signed in: made here and shown once, listed, ended."""

import uuid
from collections.abc import Iterable
from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people import tokens
from exposure.people.access import roles_of
from exposure.people.models import ApiToken
from exposure.web.bidi import isolated
from exposure.web.signed_in import signed_in


class KeyForm(forms.Form):
    label = forms.CharField(
        label=gettext_lazy("What is it for?"),
        help_text=gettext_lazy("The program or device that will hold it."),
        max_length=100,
    )
    role = forms.ChoiceField(
        label=gettext_lazy("What may it do?"),
        help_text=gettext_lazy("No more than the program needs."),
        widget=forms.RadioSelect,
    )
    days = forms.TypedChoiceField(
        label=gettext_lazy("How long does it work?"),
        choices=[(30, gettext_lazy("30 days")), (90, gettext_lazy("90 days")), (365, gettext_lazy("a year"))],
        coerce=int,
        initial=90,
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, kinds: Iterable[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        own = dict(ApiToken._meta.get_field("role").choices)
        offered = [("all", _("everything that I may do")), *((kind, own[kind]) for kind in kinds)]
        self.fields["role"].choices = [*offered, (ApiToken.OWN, own[ApiToken.OWN])]

    def clean_role(self) -> str:
        role = self.cleaned_data["role"]
        return "" if role == "all" else role


@signed_in
def keys(request: HttpRequest) -> HttpResponse:
    """Every key, newest first; a new one is shown in the answer to the form and nowhere again."""
    kinds = list(dict.fromkeys(role.kind for role in roles_of(request.user, at=request.at)))
    form = KeyForm(request.POST if request.method == "POST" else None, kinds=kinds)
    made = None
    if request.method == "POST" and form.is_valid():
        made, row = tokens.issue(request.user, **form.cleaned_data, at=request.at)
        note_look(request.user, AccessEntry.Kind.KEY, f"key:{row.uid}", at=request.at)
        form = KeyForm(kinds=kinds)
    context = {
        "form": form,
        "made": made,
        "rows": request.user.api_tokens.order_by("-created_at", "-pk"),
        "at": request.at,
    }
    return render(request, "account/keys.html", context)


@require_POST
@signed_in
def end_key(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The key works no longer. Ended twice is ended."""
    token = request.user.api_tokens.filter(uid=uid).first()
    if token is None:
        raise Http404
    tokens.end(token, at=request.at)
    note_look(request.user, AccessEntry.Kind.KEY, f"key:{token.uid}", at=request.at)
    messages.success(request, _("The key “%(label)s” works no longer.") % {"label": isolated(token.label)})
    return redirect("keys")
