"""What an auditor takes away as proof: the newest signed head on a sheet of paper, and a worker's record as a file."""

import uuid

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.utils.translation import get_language
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from exposure import paper
from exposure.audit import heads
from exposure.audit.access_log import note_look
from exposure.audit.exporting import NoHead, record_of
from exposure.audit.heads import Head
from exposure.audit.keeping import line_of
from exposure.audit.models import AccessEntry
from exposure.people.access import holds, visible
from exposure.people.models import Worker
from exposure.people.policy import SEEING, View
from exposure.places.models import Site
from exposure.web.account.sheet import svg
from exposure.web.signed_in import signed_in


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


def _no_head(request: HttpRequest, name: str, *arguments: object) -> HttpResponse:
    messages.warning(
        request, _("No seal is signed yet, so nothing could be proved. Ask whoever runs the service.")
    )
    return redirect(name, *arguments)


def _file(answer: HttpResponse, name: str) -> HttpResponse:
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
