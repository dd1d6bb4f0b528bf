"""What an auditor takes away: the newest signed head on a sheet of paper, a worker's record on paper and as a file."""

import uuid
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import get_language
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from exposure import paper
from exposure.audit import heads
from exposure.audit.access_log import note_look
from exposure.audit.exporting import NoHead, record_of
from exposure.audit.heads import Head
from exposure.audit.history import of_worker
from exposure.audit.keeping import line_of
from exposure.audit.models import AccessEntry
from exposure.people.access import holds, visible
from exposure.people.models import Worker
from exposure.people.policy import SEEING, View
from exposure.places.models import Site
from exposure.web.account.sheet import svg
from exposure.web.auditor.views import read_by
from exposure.web.auditor.words import Told, tell
from exposure.web.bidi import spelled_out
from exposure.web.signed_in import signed_in
from exposure.web.templatetags.look import moment, unmarked


@signed_in
@require_safe
def head_sheet(request: HttpRequest) -> HttpResponse:
    """The newest head as PDF; nothing in it is of anybody."""
    if not holds(request.user, SEEING[View.AUDIT], at=request.at):
        raise PermissionDenied
    row = heads.newest()
    if row is None:
        return _no_head(request, "history")
    head = Head.of(row)
    data = {
        "title": _("Seal of the record"),
        "author": _("Exposure follow-up"),
        "why": _(
            "Keep this sheet where nobody who runs the service can exchange it. It proves later what the record was: "
            "point a telephone at the picture, put the line that it shows into a file, and run manage.py verify "
            "--head FILE."
        ),
        "rows": [
            [_("Signed at"), head.at],
            [_("Entries"), str(head.size)],
            [_("Root of the tree (SHA-256, RFC 9162)"), head.root.hex()],
            [_("Key (Ed25519)"), head.key],
            [_("Signature"), head.signature.hex()],
        ],
        "line": line_of(row),
        "picture": str(svg(line_of(row))),
        "signed": _("Received by, on:"),
        "footer": _("Nothing on this sheet is about a person."),
    }
    page = paper.pdf("head", data, written_at=request.at, language=get_language() or "en")
    return _file(HttpResponse(page, content_type="application/pdf"), f"seal-{head.size}.pdf")


@signed_in
@require_safe
def record_file(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A worker's sealed record with its proofs, for the auditors of the site: as `manage.py export_record`."""
    others = Worker.objects.filter(uid=uid).exclude(user=request.user)
    found = visible(request.user, others, View.AUDIT, at=request.at).select_related("same_as").first()
    if found is None:
        raise Http404
    worker = found.same_as or found
    sites = visible(request.user, Site.objects.all(), View.AUDIT, at=request.at)
    try:
        record = record_of(worker, sites=frozenset(sites.values_list("pk", flat=True)), at=request.at)
    except NoHead:
        return _no_head(request, "worker_history", uid)
    note_look(request.user, AccessEntry.Kind.EXPORT, f"export:{worker.uid}", worker.uid, at=request.at)
    answer = JsonResponse(record, json_dumps_params={"ensure_ascii": False, "indent": 1})
    return _file(answer, f"record-{worker.uid}.json")


@signed_in
@require_safe
def record_pdf(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A worker's whole record to print, for who may read its page."""
    worker, sites, withhold = read_by(request, uid)
    note_look(request.user, AccessEntry.Kind.EXPORT, f"printed record of worker:{uid}", uid, at=request.at)
    with timezone.override(worker.site.zone):
        name = worker.name or _("nobody named")
        data = {
            "title": _("The record of %(name)s") % {"name": spelled_out(name)},
            "site": worker.site.name,
            "lede": _(
                "%(number)s, %(site)s. Times of %(zone)s, as of %(at)s. Who did and who saw what, oldest first."
            )
            % {
                "number": worker.number or _("no number"),
                "site": worker.site.name,
                "zone": worker.site.zone,
                "at": unmarked(moment(request.at)),
            },
            "footer": _("Printed for %(name)s.") % {"name": request.user.full_name},
            "operations": [_on_paper(tell(one, withhold=withhold)) for one in of_worker(uid, sites)],
        }
    page = paper.pdf("record", data, written_at=request.at, language=get_language() or "en")
    return _file(HttpResponse(page, content_type="application/pdf"), f"record-{worker.uid}.pdf")


def _on_paper(told: Told) -> dict[str, Any]:
    withheld = [(_("Seen by clinicians only."), "", "")]
    return {
        "at": unmarked(moment(told.at)),
        "who": told.who,
        "why": _("Why: %(why)s") % {"why": told.why} if told.why else "",
        "origin": _("From: %(origin)s") % {"origin": told.origin} if told.origin else "",
        "lines": [
            {
                "what": f"{line.kind}: {line.what}",
                "changes": withheld
                if line.withheld
                else [tuple(map(unmarked, change)) for change in line.changes],
            }
            for line in told.lines
        ],
    }


def _no_head(request: HttpRequest, name: str, *arguments: object) -> HttpResponse:
    messages.warning(
        request, _("No seal is signed yet, so nothing could be proved. Ask whoever runs the service.")
    )
    return redirect(name, *arguments)


def _file(answer: HttpResponse, name: str) -> HttpResponse:
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
