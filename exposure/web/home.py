"""Where people land, and the page that shows what left (and, on one machine without mail, what would have)."""

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from exposure.people.access import SEEING, View, holds, visible
from exposure.people.models import Role
from exposure.remind.models import Message
from exposure.web.signed_in import signed_in

# The first that concerns the person: whoever watches over others starts there, everybody else with themself.
STARTS = [
    ({Role.Kind.NURSE, Role.Kind.PHYSICIAN}, "needs_action"),
    ({Role.Kind.OBSERVER}, "stations"),
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
    return render(request, "home.html")


@signed_in
def outgoing(request: HttpRequest) -> HttpResponse:
    """The newest messages to the people whom this person looks after."""
    if not holds(request.user, SEEING[View.MESSAGES], at=request.at):
        raise PermissionDenied
    rows = visible(
        request.user, Message.objects.select_related("worker", "user"), View.MESSAGES, at=request.at
    )
    return render(request, "outgoing.html", {"rows": rows.order_by("-created_at")[:LATEST]})
