"""Calls: everybody to ring, in one list; and the round of those who give their readings by telephone, on one page."""

import uuid
from typing import Any

from django import forms
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.timezone import localtime

from exposure.attend.ranked import ranked
from exposure.classify.criteria import text
from exposure.followup.models import FollowUp
from exposure.people.access import visible
from exposure.people.policy import View
from exposure.web.local_time import TYPED
from exposure.web.nurse import queue, ring
from exposure.web.nurse.forms import ReadingForm
from exposure.web.nurse.rows import Row, rows_of_page
from exposure.web.nurse.views import for_clinicians, note_list

ON_A_PAGE = 50


@for_clinicians
def calls(request: HttpRequest) -> HttpResponse:
    """Everybody to ring, most urgent first."""
    note_list(request, "calls")
    running = _running(request)
    people = ring.to_ring(queue.lines(request.user, at=request.at), running, at=request.at)
    page = Paginator(people, ON_A_PAGE).get_page(request.GET.get("page"))
    shown = _rows(running.filter(worker__in=[person.worker for person in page]), request)
    of_worker = ring.first_due(shown)
    context = {
        "page": page,
        "people": [(person, of_worker.get(person.worker.pk)) for person in page],
        "query": "",
        "round": running.filter(worker__phone_only=True).values("worker").distinct().count(),
        "several_sites": _several_sites(person.site for person in people),
        "at": request.at,
    }
    return render(request, "nurse/calls.html", context)


@for_clinicians
def round_by_telephone(request: HttpRequest) -> HttpResponse:
    """A form for each person who is reached by telephone only, whose reading is due first."""
    note_list(request, "round by telephone")
    shown = ring.by_telephone(_rows(_running(request).filter(worker__phone_only=True), request))
    context = {
        "people": [{"row": row, "form": _form(request, row)} for row in shown],
        "several_sites": _several_sites(row.overview.follow_up.site for row in shown),
        "at": request.at,
    }
    return render(request, "nurse/round.html", context)


def _rows(follow_ups: QuerySet[FollowUp], request: HttpRequest) -> list[Row]:
    """With the newest reading and the next one, and no more than that is read."""
    return rows_of_page(ranked(follow_ups, at=request.at), at=request.at)


def _running(request: HttpRequest) -> QuerySet[FollowUp]:
    seen = visible(request.user, FollowUp.objects.all(), View.CLINICAL, at=request.at)
    return seen.select_related("worker").running(at=request.at)


def _several_sites(sites: Any) -> bool:
    found = {site.zone for site in sites}
    return bool(found - {timezone.get_current_timezone_name()}) or len(found) > 1


class RoundForm(ReadingForm):
    """A reading in one line: what is chosen once and remembered takes no room."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("unit", "method"):
            asked = self.fields[name]
            asked.widget = forms.Select(choices=[("", "")] * (name == "method") + list(asked.choices))


def _form(request: HttpRequest, row: Row) -> RoundForm:
    """The reading that is to be entered, with what is remembered of the last: the unit, and where it was taken."""
    worker, last = row.overview.follow_up.worker, row.overview.last_reading
    with timezone.override(worker.site.zone):
        initial = {
            "submission_id": uuid.uuid4(),
            "taken_at": localtime(request.at).strftime(TYPED),
            "unit": worker.unit,
            "method": last.method if last is not None else "",
        }
    symptoms = row.profile.symptoms if row.profile is not None else {}
    asked = {code: text(symptom.ask) for code, symptom in symptoms.items()}
    return RoundForm(initial=initial, symptoms=asked, auto_id=f"id_{worker.pk}_%s")
