"""The keys to the API of the person who is signed in: made here and shown once, listed, ended."""

import uuid

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from exposure.people import tokens
from exposure.web.bidi import isolated
from exposure.web.signed_in import signed_in


class KeyForm(forms.Form):
    label = forms.CharField(
        label=gettext_lazy("What is it for?"),
        help_text=gettext_lazy("The program or device that will hold it."),
        max_length=100,
    )
    days = forms.TypedChoiceField(
        label=gettext_lazy("How long does it work?"),
        choices=[(30, gettext_lazy("30 days")), (90, gettext_lazy("90 days")), (365, gettext_lazy("a year"))],
        coerce=int,
        initial=90,
        widget=forms.RadioSelect,
    )


@signed_in
def keys(request: HttpRequest) -> HttpResponse:
    """Every key, newest first; a new one is shown in the answer to the form and nowhere again."""
    form = KeyForm(request.POST if request.method == "POST" else None)
    made = None
    if request.method == "POST" and form.is_valid():
        made, _row = tokens.issue(request.user, **form.cleaned_data, at=request.at)
        form = KeyForm()
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
    messages.success(request, _("The key “%(label)s” works no longer.") % {"label": isolated(token.label)})
    return redirect("keys")
