"""My record: a copy to keep, on paper and as a file with its proofs, and receipts for what one has sent.

The copy holds what one's own pages show, and is given once nothing waits that a person must say first. Notes, calls and
what waits for clinicians are not in it.
"""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils.timezone import localtime
from django.utils.translation import get_language
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from exposure import paper
from exposure.audit import receipts
from exposure.audit.access_log import note_look
from exposure.audit.exporting import NoHead, record_of
from exposure.audit.models import AccessEntry
from exposure.audit.receipts import Receipt
from exposure.clear.models import Clearance
from exposure.followup.models import Exposure, Reading, Restriction
from exposure.followup.store_reading import readings_of
from exposure.people.access import visible
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.report.models import Breach
from exposure.web.bidi import spelled_out
from exposure.web.looks import looks
from exposure.web.templatetags.look import day, degrees, moment, unmarked
from exposure.web.worker.own import common, own_page
from exposure.web.worker.signed import cleared
from exposure.web.worker.situation import Situation, situation_of
from exposure.wording import ending_in_words, shipped

# What one's own pages are made of; a new model is not in the copy before somebody has put it here.
IN_THE_COPY = frozenset(
    {
        "Assessment", "Breach", "BrokenGlass", "Check", "Clearance", "Exposure", "Fill", "FollowUp", "FollowUpState",
        "Protection", "Reading", "Restriction", "Told", "UnplacedReading", "Worker", "WorkerWindow",
    }
)  # fmt: skip
MOST = 200  # receipts on the page, the newest first


@dataclass(frozen=True)
class Sent:
    """Something that the worker sent: a reading or a report, when, in words; its receipt once it is sealed."""

    uid: uuid.UUID
    at: datetime
    words: str
    receipt: Receipt | None


@require_safe
@own_page
def my_record(request: HttpRequest, worker: Worker) -> HttpResponse:
    """What can be taken, the receipts, and whether a code that was kept is still right."""
    situation = situation_of(worker, at=request.at)
    sent, code = _sent(request, worker), request.GET.get("code", "").strip()
    found = next((one for one in sent if one.receipt and receipts.is_code(code, one.receipt.code)), None)
    context = {
        **common(request, situation),
        "sent": sent[:MOST],
        "code": code[:100],
        "found": found,
        "stands": found is not None and receipts.stands(found.receipt),
        "may_take": may_take(situation),
    }
    return render(request, "worker/my_record.html", context)


def may_take(situation: Situation) -> bool:
    """Not before a person has said what there is to say, and settled what was said."""
    return not (situation.news_waits or situation.unconfirmed)


@require_safe
@own_page
def receipt_file(request: HttpRequest, worker: Worker, uid: uuid.UUID) -> HttpResponse:
    """One receipt with its proof, for the script that checks it without this service."""
    one = next((one for one in _sent(request, worker) if one.uid == uid), None)
    if one is None:
        raise Http404
    try:
        if one.receipt is None or one.receipt.signed_at is None:
            raise NoHead
        content = receipts.file_of(worker, one.receipt, at=request.at)
    except NoHead:
        return _not_yet(request)
    return _json(content, f"receipt-{one.receipt.sequence}.json")


@require_safe
@own_page
def copy_file(request: HttpRequest, worker: Worker) -> HttpResponse:
    """The sealed entries of one's own record with their proofs."""
    if not may_take(situation_of(worker, at=request.at)):
        return redirect("my_record")
    try:
        content = record_of(worker, sites=None, at=request.at, only=IN_THE_COPY)
    except NoHead:
        return _not_yet(request)
    _note(request, worker)
    return _json(content, "my-record.json")


@require_safe
@own_page
def copy_paper(request: HttpRequest, worker: Worker) -> HttpResponse:
    """The same in words, to print."""
    situation = situation_of(worker, at=request.at)
    if not may_take(situation):
        return redirect("my_record")
    _note(request, worker)
    data = {
        "title": _("My record: %(name)s") % {"name": spelled_out(worker.name)},
        "site": worker.site.name,
        "lede": _("%(site)s, as of %(at)s. Times of %(zone)s.")
        % {"site": worker.site.name, "at": _when(request.at), "zone": worker.zone.key},
        "footer": _("Printed by the person it is about. Local protocol and the licensed clinician decide."),
        "sections": [
            {"heading": heading, "lines": lines or [("", _("Nothing."))]}
            for heading, lines in _sections(request, worker, situation)
        ],
    }
    page = paper.pdf("copy", data, written_at=request.at, language=get_language() or "en")
    answer = HttpResponse(page, content_type="application/pdf")
    answer["Content-Disposition"] = 'attachment; filename="my-record.pdf"'
    return answer


def _sections(
    request: HttpRequest, worker: Worker, situation: Situation
) -> Iterable[tuple[str, list[tuple[str, str]]]]:
    own = (View.OWN,)
    exposures = visible(request.user, Exposure.objects.all(), *own, at=request.at).filter(withdrawn_at=None)
    yield (
        _("What was found"),
        [(_on(one.day_zero), shipped(one.tier_label)) for one in exposures if one.tier_label],
    )
    readings = visible(request.user, readings_of(worker), *own, at=request.at).order_by("taken_at", "pk")
    yield _("Readings"), [(_when(one.taken_at), _reading(one, situation)) for one in readings]
    restrictions = visible(request.user, Restriction.objects.all(), *own, at=request.at)
    yield _("What was restricted"), [(shipped(one.title), _days(one)) for one in restrictions]
    clearances = visible(request.user, Clearance.objects.all(), *own, at=request.at)
    signed = list(clearances.filter(void_at=None, signed_at__isnull=False))
    yield (
        _("Signed clearances"),
        [
            (
                ending_in_words(localtime(one.clearance.effective_at)),
                ", ".join(spelled_out(name) for name, _roles in one.signed_by),
            )
            for one in cleared(signed)
        ],
    )
    yield (
        _("Who looked at my record"),
        [(_on(look.on), ", ".join((spelled_out(look.name), *look.roles))) for look in looks(worker)],
    )


def _reading(one: Reading, situation: Situation) -> str:
    said = [f"{degrees(one.value, one.unit)}, {one.get_method_display()}"] if one.value is not None else []
    said += [_("no reading")] if one.could_not else []
    said += [_("felt feverish")] if one.felt_feverish else []
    said += [situation.symptoms.get(code, code.replace("_", " ")) for code in one.symptoms]
    return ", ".join(said)


def _days(one: Restriction) -> str:
    if one.to_date is None:
        return _("from %(first)s") % {"first": _on(one.from_date)}
    return _("from %(first)s to %(last)s, both days included") % {
        "first": _on(one.from_date),
        "last": _on(one.to_date),
    }


def _sent(request: HttpRequest, worker: Worker) -> list[Sent]:
    """What the worker has sent themself, the newest first."""
    readings = visible(request.user, readings_of(worker), View.OWN, at=request.at)
    readings = readings.filter(entered_by=request.user).order_by("-recorded_at", "-pk")
    of_readings = receipts.receipts("reading", readings.values_list("pk", flat=True))
    sent = [Sent(one.uid, one.recorded_at, _of_reading(one), of_readings.get(one.pk)) for one in readings]
    reports = visible(request.user, Breach.objects.filter(reported_by=request.user), View.OWN, at=request.at)
    firsts = {
        version.id: version
        for version in Breach.history.filter(id__in=reports.values("pk"), history_type="+")
    }
    of_reports = receipts.receipts("historicalbreach", [version.pk for version in firsts.values()])
    sent += [
        Sent(
            one.uid,
            firsts[one.pk].history_date,
            _("Report %(reference)s") % {"reference": one.reference},
            of_reports.get(firsts[one.pk].pk),
        )
        for one in reports
        if one.pk in firsts
    ]
    return sorted(sent, key=lambda one: one.at, reverse=True)


def _of_reading(one: Reading) -> str:
    value = degrees(one.value, one.unit) if one.value is not None else _("no reading")
    return _("Reading of %(at)s: %(value)s") % {"at": _when(one.taken_at), "value": value}


def _when(instant: datetime) -> str:
    return unmarked(moment(instant))


def _on(that: date) -> str:
    return unmarked(day(that))


def _note(request: HttpRequest, worker: Worker) -> None:
    note_look(request.user, AccessEntry.Kind.EXPORT, "own copy", worker.uid, at=request.at)


def _not_yet(request: HttpRequest) -> HttpResponse:
    messages.info(request, _("It is not signed yet. Try again in ten minutes."))
    return redirect("my_record")


def _json(content: dict[str, Any], name: str) -> HttpResponse:
    answer = JsonResponse(content, json_dumps_params={"ensure_ascii": False, "indent": 1})
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
