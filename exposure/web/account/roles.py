"""Roles that wait for a second person, and that person's yes or no."""

import uuid

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from exposure.people import roles
from exposure.people.access import holds
from exposure.people.policy import CONFIRMING
from exposure.refusal import Conflict
from exposure.web.signed_in import signed_in


@signed_in
def waiting_roles(request: HttpRequest) -> HttpResponse:
    """Who is to get which role, at whose request."""
    if not holds(request.user, CONFIRMING, at=request.at):
        raise PermissionDenied
    return render(request, "account/roles.html", {"rows": roles.waiting_for(request.user, at=request.at)})


@require_POST
@signed_in
def settle_role(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Yes: it is in force from now on. No: it never was."""
    if not holds(request.user, CONFIRMING, at=request.at):
        raise PermissionDenied
    role = roles.waiting_for(request.user, at=request.at).filter(uid=uid).first()
    if role is None:
        raise Http404
    agreed = request.POST.get("agreed") == "yes"
    try:
        roles.settle(role, agreed=agreed, by=request.user, at=request.at)
    except Conflict:
        messages.info(request, _("Somebody else has settled it meanwhile."))
        return redirect("waiting_roles")
    words = {"name": role.user.full_name, "role": role.get_kind_display()}
    said = _("%(name)s is %(role)s now.") if agreed else _("%(name)s does not become %(role)s.")
    messages.success(request, said % words)
    return redirect("waiting_roles")
