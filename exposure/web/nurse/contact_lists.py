"""A contact list or duty roster of a case: read, shown line by line, mended in place, and recorded as it was shown."""

import csv
import io
import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.followup import listed
from exposure.followup.contact_list import COLUMNS, MOST_BYTES, MOST_LINES, ignored_columns, read_contact_list
from exposure.followup.listed import ListedContact
from exposure.people.access import find, visible
from exposure.people.models import Worker
from exposure.people.policy import IN_LISTS, View
from exposure.pipeline import expose
from exposure.refusal import BadSubmission
from exposure.report import cases
from exposure.report.models import Case
from exposure.web.nurse.by_telephone import with_telephone
from exposure.web.nurse.cases import CASES
from exposure.web.nurse.contact_list_forms import ContactListForm
from exposure.web.signed_in import kept_form, signed_in
from exposure.web.templatetags.look import Mistake, in_words

SHOWN = 50  # complaints over the page; every one stands at its line
WHO = ("number", "name", "phone", "employer")


@signed_in
def contact_list(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Shows what a list would record and stores nothing; sent once more from there, it is recorded."""
    case = find(request.user, CASES, View.CLINICAL, at=request.at, uid=uid)
    tiers = _tiers(case, request.at)
    kept = kept_form(request) if request.method == "GET" else None
    form = ContactListForm(
        request.POST if request.method == "POST" else kept, request.FILES or None, tiers=tiers
    )
    lines: list[ListedContact] = []
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        what = {"case": case, "pathogen": given["pathogen"], "source": given["source"]}
        rows = read_contact_list(given["text"], tier=given["tier"])
        if "record" in request.POST:
            try:
                made = expose.record_contact_list(rows=rows, by=request.user, at=request.at, **what)
            except BadSubmission:
                pass  # it was mended badly, or something changed meanwhile: shown below, line by line
            else:
                messages.success(request, _recorded(len(made)))
                return redirect("case", case.uid)
        lines = expose.preview_contact_list(rows, by=request.user, at=request.at, **what)
        note_look(request.user, AccessEntry.Kind.LIST, f"contact list {case.code}", at=request.at)
    with timezone.override(case.site.zone):
        context = {
            "case": case,
            "tiers": tiers,
            "form": form,
            "kept": bool(kept),
            "columns": COLUMNS,
            "most_lines": MOST_LINES,
            "most_kib": MOST_BYTES // 1024,
            **_preview(form, lines, _perhaps(request, lines)),
        }
        return render(request, "nurse/contact_list.html", context)


def _tiers(case: Case, at: datetime) -> dict[str, list[tuple[str, str]]]:
    """Pathogen of the case -> (code, label) of the tiers that ask for follow-up; without those that have none."""
    every = {
        pathogen: listed.tiers_to_follow(case.site, pathogen, at=at) for pathogen in cases.pathogens_of(case)
    }
    return {pathogen: tiers for pathogen, tiers in every.items() if tiers}


def _recorded(count: int) -> str:
    people = ngettext("%(count)s line is recorded.", "%(count)s lines are recorded.", count) % {
        "count": count
    }
    return f"{people} {_('Tell each person in person or by telephone: until then no message goes out.')}"


def _preview(
    form: ContactListForm, lines: Sequence[ListedContact], perhaps: Mapping[int, Sequence[Worker]]
) -> dict[str, Any]:
    """What the page shows of the lines: each with its complaints by column, and all of them at the top."""
    mistakes = [
        Mistake(
            _complaint(line.row.line, problem.pointer.strip("/"), problem.message), f"line-{line.row.line}"
        )
        for line in lines
        for problem in line.problems
    ]
    count = len(mistakes)
    heading = ngettext(
        "Nothing is stored yet: %(count)s thing to mend in the list",
        "Nothing is stored yet: %(count)s things to mend in the list",
        count,
    ) % {"count": in_words(count)}
    more = [Mistake(_("and more, each at its line below"), "preview")] if count > SHOWN else []
    return {
        "lines": [(line, _by_cell(line), perhaps.get(line.row.line, ())) for line in lines],
        "mistakes": mistakes[:SHOWN] + more,
        "heading": heading,
        "has_errors": bool(mistakes),
        "ignored": ignored_columns(form.cleaned_data["text"]) if lines else [],
        "again": form.again() if lines and not mistakes else [],
    }


def _perhaps(request: HttpRequest, lines: Sequence[ListedContact]) -> dict[int, list[Worker]]:
    """Line -> people whom the reader sees and who have the telephone of somebody new: perhaps the same person."""
    new = {line.row.line: line.row.phone for line in lines if line.worker is None and not line.elsewhere}
    people = visible(request.user, Worker.objects.filter(same_as=None), *IN_LISTS, View.OWN, at=request.at)
    found = with_telephone(people, set(new.values()))
    return {line: found[phone] for line, phone in new.items() if found.get(phone)}


def _complaint(line: int, column: str, message: str) -> str:
    words = _("Line %(line)s, %(column)s: %(message)s") if column else _("Line %(line)s: %(message)s")
    return words % {"line": line, "column": column, "message": message}


def _by_cell(line: ListedContact) -> Mapping[str, list[str]]:
    """Cell of the table -> what is wrong there."""
    cells: dict[str, list[str]] = {"line": [], "who": [], "last_contact": [], "tier": [], "note": []}
    for problem in line.problems:
        column = problem.pointer.strip("/")
        cells["who" if column in WHO else column if column in cells else "line"].append(problem.message)
    return cells


@signed_in
def example(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A file to fill in: the names of the columns and one invented line, whose number nobody has."""
    case = find(request.user, CASES, View.CLINICAL, at=request.at, uid=uid)
    tier = next((code for tiers in _tiers(case, request.at).values() for code, _label in tiers), "")
    line = {
        "number": "EXAMPLE-1",
        "name": _("Ada Example"),
        "phone": "+351 900 000 000",
        "employer": _("Example Agency"),
        "last_contact": timezone.localtime(request.at).strftime("%Y-%m-%d %H:%M"),
        "tier": tier,
        "note": _("An invented line: put yours in its place."),
    }
    written = io.StringIO()
    table = csv.DictWriter(written, COLUMNS)
    table.writeheader()
    table.writerow(line)
    # With a byte order mark: spreadsheet programs else take it for another encoding.
    response = HttpResponse(written.getvalue().encode("utf-8-sig"), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="contact-list-{case.code}.csv"'
    return response
