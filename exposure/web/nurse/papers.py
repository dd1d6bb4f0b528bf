"""What is printed for one person: the letter of a clearance, and the note for whoever plans duties."""

import uuid

from django.http import Http404, HttpRequest, HttpResponse
from django.utils import translation

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.clear import letters
from exposure.clear.models import Clearance
from exposure.people.access import find
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.refusal import NotYet
from exposure.web.language import of_reader
from exposure.web.nurse.person_deeds import WORKERS
from exposure.web.signed_in import signed_in


@signed_in
def clearance_letter(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The letter, for clinicians of the site and for whom it is about, once the clearance is in effect."""
    rows = Clearance.objects.select_related("follow_up__site", "follow_up__worker__site")
    clearance = find(request.user, rows, View.CLINICAL, View.OWN, at=request.at, uid=uid)
    try:
        with translation.override(clearance.follow_up.worker.language or of_reader(request)):
            printed = letters.letter(clearance, at=request.at)
    except NotYet as not_yet:
        raise Http404 from not_yet
    return _file(request, printed, f"letter:{uid}", clearance.follow_up.worker, "letter")


@signed_in
def work_note(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The dates of the work restrictions that hold, and nothing else."""
    worker = find(request.user, WORKERS.filter(same_as=None), View.CLINICAL, at=request.at, uid=uid)
    try:
        printed = letters.work_note(worker, at=request.at)
    except NotYet as not_yet:
        raise Http404 from not_yet
    return _file(request, printed, f"work-note:{uid}", worker, "work-note")


def _file(request: HttpRequest, printed: bytes, subject: str, worker: Worker, name: str) -> HttpResponse:
    note_look(request.user, AccessEntry.Kind.EXPORT, subject, worker.uid, at=request.at)
    return pdf_response(printed, name)


def pdf_response(printed: bytes, name: str) -> HttpResponse:
    """A file that the browser shows; nobody else keeps it, and its name names nobody."""
    response = HttpResponse(printed, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    response["Cache-Control"] = "no-store"
    return response
