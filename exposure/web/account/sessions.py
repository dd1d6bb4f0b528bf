"""How long somebody stays signed in, and where: limits by role, the list of sessions, an end to any of them."""

from datetime import datetime, timedelta
from math import ceil
from typing import Any

from allauth.usersessions.models import UserSession
from django.contrib import messages
from django.contrib.auth import logout
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from exposure.people import pins, station_pins
from exposure.people.access import roles_of
from exposure.people.models import PhonePin, User
from exposure.people.policy import LASTING, ON_OWN_DEVICE, WITHOUT_ROLE, Lasting
from exposure.record import acting
from exposure.web.account.own_phone import OPENED_BY, secret_of
from exposure.web.signed_in import signed_in

BEGAN, USED, OWN_DEVICE = "began_at", "used_at", "own_device"
EVERY = timedelta(minutes=1)  # so seldom is written down that a session is in use
BY_ITSELF = "By-Itself"  # the header of what a page asks while it stands open
ASKING = "/account/session/"  # what only asks how long is left is no use


def lasting(user: User, *, own_device: bool, at: datetime) -> Lasting:
    """The strictest of what the roles allow; the long one on a device of one's own, for who has none."""
    held = [LASTING[role.kind] for role in roles_of(user, at=at)]
    if not held:
        return ON_OWN_DEVICE if own_device else WITHOUT_ROLE
    return Lasting(min(limit.idle for limit in held), min(limit.whole for limit in held))


def end_if_over(request: HttpRequest) -> None:
    """Sign out whoever has been away, or signed in, for too long; else write down that the session is in use. What
    they were sending is kept for them as it is for anybody whose session has ended."""
    if not request.user.is_authenticated:
        return
    session, at = request.session, request.at
    limits = lasting(request.user, own_device=bool(session.get(OWN_DEVICE)), at=at)
    if BEGAN not in session:
        session[BEGAN] = session[USED] = at.timestamp()
        session.set_expiry(limits.whole if session.get(OWN_DEVICE) else 0)
    began, used = _instant(session[BEGAN], at), _instant(session[USED], at)
    if at - used >= limits.idle or at - began >= limits.whole:
        with acting(request.user.actor, f"{request.META.get('REMOTE_ADDR', '')} time out", at=at):
            logout(request)
        if not request.path.startswith(ASKING):
            messages.warning(
                request, _("You were signed out because it was so long ago. Please sign in again.")
            )
        return
    if at - used >= EVERY and not _only_asks(request):
        session[USED] = at.timestamp()


def _only_asks(request: HttpRequest) -> bool:
    """What a page asks by itself while nobody does anything: how long is left, and what has changed on it."""
    by_itself = request.path.startswith(ASKING) or BY_ITSELF in request.headers
    return by_itself and request.method != "POST"


def seconds_left(request: HttpRequest) -> int:
    """How long the session of this request lasts if nothing more is done."""
    session, at = request.session, request.at
    limits = lasting(request.user, own_device=bool(session.get(OWN_DEVICE)), at=at)
    ends = min(_instant(session[USED], at) + limits.idle, _instant(session[BEGAN], at) + limits.whole)
    return max(ceil((ends - at).total_seconds()), 0)


def _instant(seconds: float, at: datetime) -> datetime:
    """An instant of the session; one ahead of the clock, after the clock was put back, is now."""
    return min(datetime.fromtimestamp(seconds, at.tzinfo), at)


@require_http_methods(["GET", "HEAD", "POST"])
def left(request: HttpRequest) -> HttpResponse:
    """How many seconds are left, for the page that warns; by POST the session goes on."""
    seconds = seconds_left(request) if request.user.is_authenticated else 0
    return JsonResponse({"seconds": seconds})


@signed_in
def sessions(request: HttpRequest) -> HttpResponse:
    """Where the account is signed in, this one first; and which phones open it by six digits."""
    rows = PhonePin.objects.filter(user=request.user, ended_at=None)
    context = {
        "rows": _rows(request),
        "pins": [(row, pins.is_of(row, secret_of(request))) for row in rows],
        "may_observe": station_pins.may_observe(request.user, at=request.at),
        "may_have_pin": not roles_of(request.user, at=request.at),
    }
    return render(request, "account/sessions.html", context)


def _rows(request: HttpRequest) -> list[dict[str, Any]]:
    rows = []
    for session in UserSession.objects.purge_and_list(request.user):
        used = session._session_store(session.session_key).get(USED)
        is_this = session.session_key == request.session.session_key
        seen = datetime.fromtimestamp(used, request.at.tzinfo) if used else session.created_at
        rows.append({"session": session, "used": seen, "is_this": is_this})
    return sorted(rows, key=lambda row: (not row["is_this"], -row["used"].timestamp()))


@require_POST
@signed_in
def end_session(request: HttpRequest, key: int) -> HttpResponse:
    """That browser is signed out now, and opens nothing by six digits either."""
    session = UserSession.objects.filter(user=request.user, pk=key).first()
    if session is None:
        raise Http404
    opened_by = PhonePin.objects.filter(
        user=request.user, pk=session._session_store(session.session_key).get(OPENED_BY)
    ).first()
    if opened_by:
        pins.end(opened_by, at=request.at)
    session.end()
    messages.success(request, _("Signed out there."))
    return redirect("sessions")


@require_POST
@signed_in
def end_others(request: HttpRequest) -> HttpResponse:
    """Every other browser is signed out now, and no other phone opens anything by six digits."""
    pins.end_all(request.user, at=request.at, but=secret_of(request))
    others = UserSession.objects.filter(user=request.user).exclude(session_key=request.session.session_key)
    for session in others:
        session.end()
    messages.success(request, _("Signed out everywhere else."))
    return redirect("sessions")
