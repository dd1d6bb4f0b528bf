"""A mobile number answers before it receives anything: a code goes to it, and the earlier one stays until then."""

import secrets
import uuid
from datetime import datetime, timedelta
from typing import Any

from allauth.account.decorators import reauthentication_required
from django import forms
from django.contrib import messages
from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.crypto import constant_time_compare, salted_hmac
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people.access import roles_of
from exposure.people.models import User, Worker
from exposure.pipeline import reach, remind
from exposure.remind.channels import text
from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused
from exposure.web.signed_in import signed_in

LASTS = timedelta(minutes=10)
MOST_WRONG = 3
MOST_A_DAY = 6  # codes that one account has sent: each costs money, and may ring a stranger's telephone
ASKED = "mobile_asked"


class CodeForm(forms.Form):
    code = forms.CharField(
        label=gettext_lazy("The code from the text message"),
        max_length=12,
        widget=forms.TextInput({"inputmode": "numeric", "autocomplete": "one-time-code"}),
    )

    def clean_code(self) -> str:
        return "".join(self.cleaned_data["code"].split())


def put_off(request: HttpRequest, holder: Worker | User, chosen: dict[str, Any]) -> dict[str, Any]:
    """Of what somebody chose, what is saved now. Another number, with the wish to be reached by it, waits in the
    session for its code; `waits` says whether one does."""
    request.session.pop(ASKED, None)
    stored = holder._meta.default_manager.filter(pk=holder.pk)
    [before] = stored.values("mobile", "reach_by")
    number = chosen.get("mobile", "")
    if not number or number == before["mobile"]:
        return chosen
    asked = {"mobile": number, "reach_by": chosen.get("reach_by", before["reach_by"])}
    request.session[ASKED] = {**asked, "as_worker": isinstance(holder, Worker)}
    return {**chosen, **before}


def waits(request: HttpRequest) -> bool:
    return ASKED in request.session


@require_http_methods(["GET", "HEAD", "POST"])
@signed_in
@reauthentication_required
def confirm_mobile(request: HttpRequest) -> HttpResponse:
    """Send the code, then take it. Whoever changes where messages go is asked first who they are."""
    asked = request.session.get(ASKED)
    if asked is None:
        return redirect("home")
    form = CodeForm(request.POST if "code" in request.POST else None)
    if request.method == "POST" and not form.is_bound:
        _send(request, asked)
        return redirect("confirm_mobile")
    if form.is_bound and form.is_valid() and _is_right(request, asked, form):
        _save(request, asked)
        return redirect(_back(asked))
    context = {"form": form, "number": asked["mobile"], "sent": "digest" in asked, "back": _back(asked)}
    return render(request, "account/mobile.html", context, status=422 if form.is_bound else 200)


def _send(request: HttpRequest, asked: dict[str, Any]) -> None:
    """A code to the number, unless too many have been sent today. What came of it is said."""
    counted = f"codes-sent-{request.user.pk}"
    cache.add(counted, 0, timedelta(days=1).total_seconds())
    try:
        sent = cache.incr(counted)
    except ValueError:  # without a cache nothing is counted
        sent = 0
    if sent > MOST_A_DAY:
        messages.error(request, _("No more codes today. Your earlier number stays; try again tomorrow."))
        return
    code = f"{secrets.randbelow(10**6):06d}"
    body = _("%(site)s: the code is %(code)s. Enter it on your page only.")
    words = body % {"site": _site(request.user, asked, request.at), "code": code}
    try:
        text.send(Letter(uuid.uuid4(), asked["mobile"], "", words))
    except Refused:
        messages.error(
            request,
            _("No code could be sent to that number. Your earlier one stays; check it, or go on later."),
        )
        return
    until = (request.at + LASTS).isoformat()
    request.session[ASKED] = {**asked, "digest": _digest(code, asked), "until": until, "wrong": 0}


def _is_right(request: HttpRequest, asked: dict[str, Any], form: CodeForm) -> bool:
    """Whether the code is the one that was sent; what is wrong is said at the field, and counted."""
    sent = "digest" in asked
    if not sent or request.at > datetime.fromisoformat(asked["until"]):
        form.add_error("code", _("This code works no longer. Have another one sent."))
    elif not constant_time_compare(asked["digest"], _digest(form.cleaned_data["code"], asked)):
        form.add_error("code", _("That is not the code that was sent. Read it once more."))
        asked["wrong"] += 1
        if asked["wrong"] >= MOST_WRONG:
            for name in ("digest", "until", "wrong"):
                del asked[name]
        request.session[ASKED] = asked
    return form.is_valid()


def _save(request: HttpRequest, asked: dict[str, Any]) -> None:
    chosen = {"mobile": asked["mobile"], "reach_by": asked["reach_by"]}
    if asked["as_worker"]:
        remind.change_settings(worker=request.user.worker, by=request.user, at=request.at, **chosen)
    else:
        reach.change_reach(user=request.user, by=request.user, at=request.at, **chosen)
    note_look(request.user, AccessEntry.Kind.ADDRESS, "mobile number", at=request.at)
    del request.session[ASKED]
    messages.success(request, _("Text messages go to %(number)s from now on.") % {"number": asked["mobile"]})


def _digest(code: str, asked: dict[str, Any]) -> str:
    return salted_hmac("exposure.mobile", f"{asked['mobile']} {code}", algorithm="sha256").hexdigest()


def _site(user: User, asked: dict[str, Any], at: datetime) -> str:
    if asked["as_worker"]:
        return user.worker.site.short_name
    sites = [role.site.short_name for role in roles_of(user, at=at) if role.site]
    return sites[0] if sites else _("Follow-up")


def _back(asked: dict[str, Any]) -> str:
    return "my_settings" if asked["as_worker"] else "how_told"
