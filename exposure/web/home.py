"""Where people land, and the page that shows what left (and, on one machine without mail, what would have)."""

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from exposure.people.access import holds, roles_of, visible
from exposure.people.models import Role
from exposure.people.policy import SEEING, View
from exposure.places.models import Site
from exposure.remind.models import Message
from exposure.web.nurse.messages import WHY_NOT
from exposure.web.set_aside import parts_set_aside
from exposure.web.signed_in import signed_in

# The first that concerns the person: whoever watches over others starts there, everybody else with themself.
STARTS = [
    ({Role.Kind.NURSE, Role.Kind.PHYSICIAN}, "needs_action"),
    ({Role.Kind.OBSERVER}, "stations"),
    ({Role.Kind.AUDITOR}, "history"),
    ({Role.Kind.LEAD}, "duty"),
]
LATEST = 100


@signed_in
def home(request: HttpRequest) -> HttpResponse:
    """To the page of the person's audience."""
    for kinds, page in STARTS:
        if holds(request.user, kinds, at=request.at):
            return redirect(page)
    if hasattr(request.user, "worker"):
        return redirect("today")
    kinds = {role.kind for role in roles_of(request.user, at=request.at)}
    context = {
        "administrator": Role.Kind.ADMINISTRATOR in kinds,
        "parts": parts_set_aside(at=request.at) if Role.Kind.ADMINISTRATOR in kinds else [],
        "at": request.at,
    }
    return render(request, "home.html", context)


@signed_in
def outgoing(request: HttpRequest) -> HttpResponse:
    """The newest messages to the people whom this person looks after; to whoever runs the service, without names."""
    if not holds(request.user, SEEING[View.MESSAGES], at=request.at):
        raise PermissionDenied
    rows = visible(
        request.user, Message.objects.select_related("worker", "user"), View.MESSAGES, at=request.at
    )
    named = holds(request.user, SEEING[View.CLINICAL], at=request.at)
    newest = list(rows.order_by("-created_at")[:LATEST])
    for message in newest:
        message.why_not = WHY_NOT.get(message.skipped_because, "")
    sites = visible(request.user, Site.objects.all(), View.CLINICAL, View.SETUP, at=request.at)
    first = sites.first()
    with timezone.override(first.zone if first else "UTC"):
        return render(request, "outgoing.html", {"rows": newest, "named": named})
