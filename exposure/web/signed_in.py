"""Pages for signed-in people, and forms that survive a session that ends in the middle of them.

A form sent after the session has ended is kept with the browser's new session and comes back, filled in and not
yet sent, once the same person has signed in again. Somebody else who signs in never sees it. A kept reading may be a
fever: whoever signs in again is led to it before any other page, and the sign-in page says of every form alike that
the telephone does not wait for it, so that nobody who stands beside learns what was in it.
"""

from collections.abc import Callable
from datetime import datetime
from functools import wraps
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.core import signing
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _

OWNER_FIELD = "form_owner"
READING = "today"  # the page whose form carries a reading
_KEPT = "kept_form"
_SALT = "form-owner"


def owner_token(request: HttpRequest) -> str:
    """Stands in every form: who it was made for."""
    return signing.dumps(request.user.pk, salt=_SALT)


def signed_in(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """Sends people without a session to sign in; a form that they were sending is kept for them."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.user.is_authenticated:
            first = _waits_first(request)
            return redirect(first) if first else view(request, *args, **kwargs)
        if request.method == "POST":
            _keep(request)
        elif _was_ended(request):
            messages.warning(
                request,
                _(
                    "You were signed out here: on another device, by a new way in, or because it was long ago."
                ),
            )
        return redirect(f"{reverse('account_login')}?{urlencode({'next': request.path})}")

    return guarded


def _was_ended(request: HttpRequest) -> bool:
    """Whether this browser brings a session that is there no more. One that has just run out is no longer as it was
    read, and that is said where it happens."""
    session = request.session
    return (
        settings.SESSION_COOKIE_NAME in request.COOKIES and not session.session_key and not session.modified
    )


def _waits_first(request: HttpRequest) -> str | None:
    """The address of a kept reading of this person, where they are about to see another page; else None. Once: where
    that page is theirs no longer, they must not be led there for ever."""
    kept = request.session.get(_KEPT)
    if not kept or request.method != "GET" or kept["owner"] != request.user.pk or kept.get("led"):
        return None
    if kept["path"] != reverse(READING) or kept["path"] == request.path:
        return None
    request.session[_KEPT] = {**kept, "led": True}
    return kept["path"]


def _keep(request: HttpRequest) -> None:
    try:
        owner = signing.loads(request.POST.get(OWNER_FIELD, ""), salt=_SALT, max_age=24 * 3600)
    except signing.BadSignature:
        messages.warning(
            request,
            _(
                "You were signed out, and nothing was sent. Please sign in and fill it in again. If it is urgent, do "
                "not wait for that: telephone now."
            ),
        )
        return
    fields = request.POST.copy()
    for name in ("csrfmiddlewaretoken", OWNER_FIELD, "pin"):  # six digits are typed anew
        fields.pop(name, None)
    request.session[_KEPT] = {
        "owner": owner,
        "path": request.path,
        "fields": fields.urlencode(),
        "at": request.at.isoformat(),
    }
    messages.warning(
        request,
        _(
            "You were signed out before it was sent. What you typed is kept: sign in, look at it and send it. If it "
            "is urgent, do not wait for that: telephone now."
        ),
    )


def kept_form(request: HttpRequest) -> QueryDict | None:
    """What this person was sending to this address when the session ended, once; else None. When that was is then in
    `request.kept_at` (aware)."""
    kept = request.session.get(_KEPT)
    if not kept:
        return None
    if kept["owner"] != request.user.pk:
        del request.session[_KEPT]
        return None
    if kept["path"] != request.path:
        return None
    del request.session[_KEPT]
    request.kept_at = datetime.fromisoformat(kept["at"]) if "at" in kept else None
    return QueryDict(kept["fields"])
