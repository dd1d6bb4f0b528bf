"""The hand-over: the list of a site as it stands, what has changed since the last one, and who takes it over."""

import uuid
from datetime import datetime

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.interop.handover import Sheet, more_in_words, pdf_of, sheet_of
from exposure.interop.handover_files import last_written
from exposure.people.access import find, holds, visible
from exposure.people.policy import SEEING, View
from exposure.pipeline.attend import take_list
from exposure.places.models import Site
from exposure.refusal import Conflict
from exposure.web.nurse.papers import pdf_response
from exposure.web.nurse.views import for_clinicians, note_list
from exposure.web.signed_in import signed_in


@for_clinicians
def handovers(request: HttpRequest) -> HttpResponse:
    """The sites of the reader; one alone is opened at once."""
    sites = visible(request.user, Site.objects.all(), View.CLINICAL, at=request.at)
    if len(sites) == 1:
        return redirect("handover", uid=sites[0].uid)
    return render(request, "nurse/handovers.html", {"sites": sites})


@signed_in
def handover(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The list of one site; sent, its reader has taken it over, once a minute at most."""
    site = _site(request, uid)
    if request.method == "POST":
        return _take(request, site)
    sheet = _sheet(request, site)
    with timezone.override(site.zone):
        note_list(request, f"handover {site.code}")
        context = {
            "sheet": sheet,
            "site": site,
            "at": request.at,
            "more": more_in_words(sheet.changes),
            "outside": bool(settings.HANDOVER_FOLDER),
            "written_at": last_written(site),
        }
        return render(request, "nurse/handover.html", context)


@signed_in
def handover_pdf(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The list to print."""
    site = _site(request, uid)
    note_look(request.user, AccessEntry.Kind.EXPORT, f"handover:{site.code}", at=request.at)
    return pdf_response(pdf_of(_sheet(request, site)), f"handover-{site.code}")


def _site(request: HttpRequest, uid: uuid.UUID) -> Site:
    site = find(request.user, Site.objects.all(), View.CLINICAL, at=request.at, uid=uid)
    if not holds(request.user, SEEING[View.CLINICAL], site.pk, at=request.at):
        raise PermissionDenied
    return site


def _sheet(request: HttpRequest, site: Site) -> Sheet:
    def seen(rows: QuerySet) -> QuerySet:
        return visible(request.user, rows, View.CLINICAL, at=request.at)

    return sheet_of(site, seen, at=request.at)


def _take(request: HttpRequest, site: Site) -> HttpResponse:
    """Whoever sends the list that they saw has it; where somebody else took it meanwhile, they see who."""
    seen = request.POST.get("last", "")
    try:
        take_list(site=site, seen=seen, read_at=_read_at(request), by=request.user, at=request.at)
        messages.success(request, _("You have taken the list over."))
    except Conflict as conflict:
        name = conflict.standing.taken_by if conflict.standing else ""
        words = _("%(name)s has taken it over meanwhile. Nothing was noted.")
        messages.warning(request, words % {"name": name})
    return redirect("handover", uid=site.uid)


def _read_at(request: HttpRequest) -> datetime | None:
    """When the page was made from which the list is taken; None where it does not say so readably."""
    try:
        read_at = parse_datetime(request.POST.get("read_at", ""))
    except ValueError:
        return None
    return read_at if read_at is not None and read_at.tzinfo is not None else None
