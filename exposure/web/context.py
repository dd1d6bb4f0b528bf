"""What every template knows: the pages of this person's audience and the number to ring."""

from functools import cache
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from exposure.people.access import holds, roles_of
from exposure.people.models import Role
from exposure.people.policy import SEEING, TWO_FACTORS, View
from exposure.places.models import Site
from exposure.web.account.phone_pins import PinForm, of_phone
from exposure.web.account.sessions import seconds_left
from exposure.web.language import others
from exposure.web.signed_in import owner_token

PAGES = {
    Role.Kind.OBSERVER: [("stations", _("Stations")), ("my_reports", _("My reports"))],
    Role.Kind.NURSE: [
        ("needs_action", _("Needs action")),
        ("calls", _("Calls")),
        ("monitoring", _("Monitoring list")),
        ("handovers", _("Hand-over")),
        ("on_call", _("On call")),
        ("reports", _("Reports")),
        ("cases", _("Cases")),
        ("outgoing", _("Messages")),
        ("how_told", _("How I am told")),
    ],
    Role.Kind.PHYSICIAN: [
        ("needs_action", _("Needs action")),
        ("calls", _("Calls")),
        ("monitoring", _("Monitoring list")),
        ("handovers", _("Hand-over")),
        ("on_call", _("On call")),
        ("reports", _("Reports")),
        ("cases", _("Cases")),
        ("criteria", _("Criteria")),
        ("waiting_roles", _("Roles to confirm")),
        ("retention", _("Retention")),
        ("how_told", _("How I am told")),
    ],
    Role.Kind.LEAD: [("duty", _("On duty"))],
    Role.Kind.AUDITOR: [("history", _("History")), ("retention", _("Retention"))],
    Role.Kind.ADMINISTRATOR: [
        ("admin:index", _("Set-up")),
        ("station_devices", _("Devices of the stations")),
        ("waiting_roles", _("Roles to confirm")),
        ("outgoing", _("Messages")),
    ],
}
WORKER_PAGES = [
    ("today", _("Today")),
    ("my_days", _("My days")),
    ("what_this_means", _("What this means")),
    ("my_settings", _("Settings")),
]


def audience(request: HttpRequest) -> dict[str, Any]:
    """`nav`: (address, label, current) of the pages that concern this person; `site_number`: the number to ring;
    `form_owner`: who a form is made for; `searches`: whether this person looks for others; `languages`: those that the
    page could be in too. Of somebody who is not signed in nobody knows whose they are: `live_sites` are then all that
    are live, and `pin_form` asks for the digits of a phone that opens by them. Functions, so that a page that shows
    none of it asks nothing."""
    if not getattr(request, "user", None) or not hasattr(request, "at"):
        return {"nav": [], "site_number": ""}
    page = {"languages": others(request)}
    if not request.user.is_authenticated:
        live = Site.objects.filter(live_from__lte=request.at).order_by("short_name")
        known = {
            "live_sites": cache(lambda: list(live)),
            "pin_form": cache(lambda: of_phone(request) and PinForm()),
        }
        return {**page, "nav": [], "site_number": "", **known}
    return {
        **page,
        "nav": cache(lambda: _navigation(request)),
        "searches": cache(lambda: holds(request.user, SEEING[View.CLINICAL], at=request.at)),
        "site_number": cache(lambda: _number(request)),
        "form_owner": cache(lambda: owner_token(request)),
        "session_seconds": cache(lambda: seconds_left(request)),
        "factors_off": not settings.SECOND_FACTOR_REQUIRED
        and holds(request.user, TWO_FACTORS, at=request.at),
    }


def _navigation(request: HttpRequest) -> list[tuple[str, Any, bool]]:
    pages: list[tuple[str, Any]] = []
    for role in roles_of(request.user, at=request.at):
        pages += [page for page in PAGES[Role.Kind(role.kind)] if page not in pages]
    if hasattr(request.user, "worker"):
        pages += WORKER_PAGES
    entries = []
    for name, label in pages:
        address = reverse(name)
        entries.append((address, label, request.path == address))
    return entries


def _number(request: HttpRequest) -> str:
    if hasattr(request.user, "worker"):
        return request.user.worker.site.phone
    for role in roles_of(request.user, at=request.at):
        if role.site_id:
            return role.site.phone
    return ""
