"""Cases: opened, what is known of each source patient, stated anew when it changes, who is linked, closed."""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import partial
from typing import Any

from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure.attend.overview import overviews
from exposure.classify import assess
from exposure.classify.criteria import text
from exposure.followup.cases import exposures_to, linked_follow_ups
from exposure.followup.models import FollowUp
from exposure.people.access import View, find, visible
from exposure.pipeline import report
from exposure.places.models import Station
from exposure.report.cases import propose_code, tested_early
from exposure.report.models import Case, CaseStatement
from exposure.web.nurse.case_forms import CaseForm, OpenCaseForm
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.report_words import FactWords, answer_words
from exposure.web.nurse.views import causes, for_clinicians, note_list
from exposure.web.signed_in import signed_in

CASES = Case.objects.select_related("site", "station").prefetch_related("statements")
CLOSED = "closed"
DEED = "nurse/case_deed.html"


@for_clinicians
def cases(request: HttpRequest) -> HttpResponse:
    """The open cases of the person's sites; the closed ones where asked for."""
    found = list(visible(request.user, CASES, View.CLINICAL, at=request.at))
    closed = [one for one in found if one.closed_at is not None]
    chosen = CLOSED if request.GET.get("cause") == CLOSED else ""
    shown = closed if chosen else [one for one in found if one.closed_at is None]
    note_list(request, "cases", chosen)
    people = _people_linked(request, shown)
    # Statements are in time order, so that the newest of each pathogen is the one that stays.
    rows = [
        (one, list({said.pathogen: said for said in one.statements.all()}.values()), len(people[one.pk]))
        for one in shown
    ]
    context = {
        "rows": rows,
        "closed": bool(chosen),
        "causes": causes(
            {CLOSED: len(closed)},
            {CLOSED: _("closed cases")},
            chosen,
            (_("open cases"), len(found) - len(closed)),
        ),
    }
    return render(request, "nurse/cases.html", context)


def _people_linked(request: HttpRequest, shown: Iterable[Case]) -> Mapping[int, set[int]]:
    """Case -> the workers followed up with an exposure to it, from one statement."""
    seen = visible(request.user, exposures_to(shown), View.CLINICAL, at=request.at)
    people: dict[int, set[int]] = defaultdict(set)
    linked = seen.filter(follow_up__in=FollowUp.objects.running(at=request.at)).order_by()
    for named, reported, worker in linked.values_list("case", "breach__case", "follow_up__worker"):
        for one in (named, reported):
            people[one].add(worker)
    return people


@signed_in
def case(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One case: its statements in time order and the follow-ups linked to it."""
    found = _find(request, uid)
    note_list(request, f"case {found.code}")
    linked = visible(request.user, linked_follow_ups(found, at=request.at), View.CLINICAL, at=request.at)
    stated = sorted({one.pathogen for one in found.statements.all()})
    adopted = assess.adopted_pathogens(found.site, at=request.at)
    with timezone.override(found.site.zone):
        context = {
            "case": found,
            "statements": _in_words(found, request.at),
            "stated": stated,
            "not_stated": [one for one in adopted if one not in stated],
            "linked": sorted(
                overviews(linked, at=request.at), key=lambda view: view.follow_up.worker.name.casefold()
            ),
            "at": request.at,
        }
        return render(request, "nurse/case.html", context)


def _in_words(found: Case, at: datetime) -> list[dict[str, Any]]:
    """The statements in time order, their facts in the words of the criteria that the site works with."""
    statements = list(found.statements.all())
    facts = {}
    for pathogen in {one.pathogen for one in statements}:
        version = assess.adopted(found.site, pathogen, at=at)
        criteria = assess.criteria_or_none(version)
        facts[pathogen] = {one.name: one for one in criteria.facts} if criteria else {}
    return [
        {
            "row": one,
            "facts": [
                _fact_words(facts[one.pathogen].get(name), name, said) for name, said in one.facts.items()
            ],
            "tested_early": tested_early(one),
        }
        for one in statements
    ]


def _fact_words(fact: Any, name: str, answer: Any) -> FactWords:
    return FactWords(text(fact.ask), answer_words(fact, answer)) if fact else FactWords(name, str(answer))


def _find(request: HttpRequest, uid: uuid.UUID) -> Case:
    return find(request.user, CASES, View.CLINICAL, at=request.at, uid=uid)


@signed_in
def state(request: HttpRequest, uid: uuid.UUID, pathogen: str) -> HttpResponse:
    """State what the case has, for the first time or anew. Nobody is moved by it."""
    found = _find(request, uid)
    version = assess.adopted(found.site, pathogen, at=request.at)
    newest: CaseStatement | None = found.statements.filter(pathogen=pathogen).last()
    if version is None and newest is None:
        raise Http404

    def do(form: CaseForm) -> str:
        if newest is not None and not form.has_changed():
            return _("Nothing was changed.")
        said = form.said()
        report.state_case(case=found, pathogen=pathogen, by=request.user, at=request.at, **said)
        return _("Stated. Nobody is moved; every linked follow-up asks for a decision.")

    with timezone.override(found.site.zone):
        form_of = partial(
            CaseForm,
            criteria=assess.criteria_or_none(version),
            newest=newest,
            today=timezone.localdate(request.at),
        )
        title = _("State case %(code)s anew") if newest else _("State what case %(code)s has")
        return one_deed(
            request,
            form_of,
            do,
            back=reverse("case", args=[found.uid]),
            template=DEED,
            about=found,
            title=title % {"code": found.code},
            lede=pathogen.capitalize(),
            button=_("State it"),
        )


@for_clinicians
def open_new(request: HttpRequest) -> HttpResponse:
    """A new case at a station, under a random code."""
    stations = visible(request.user, Station.objects.select_related("site"), View.CLINICAL, at=request.at)
    opened = []

    def do(form: OpenCaseForm) -> str:
        given = form.cleaned_data
        since = given["opened_at"] or request.at
        made = report.open_case(
            station=given["station"], code=given["code"], opened_at=since, by=request.user, at=request.at
        )
        opened.append(made)
        return _("Case %(code)s is open. State what is known of it.") % {"code": made.code}

    initial = {"code": propose_code()} if request.method == "GET" else None
    answer = one_deed(
        request,
        partial(OpenCaseForm, stations=stations, initial=initial),
        do,
        back=reverse("cases"),
        template=DEED,
        title=_("Open a case"),
        lede=_("A source patient under a code. Reports from the station take the case up from then on."),
        button=_("Open the case"),
    )
    return redirect("case", opened[0].uid) if opened else answer


@signed_in
def close(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The patient is no longer at the station. Nothing else ends."""
    found = _find(request, uid)

    def do(_form: Form) -> str:
        report.close_case(case=found, by=request.user, at=request.at)
        return _("Case %(code)s is closed. Follow-ups run on.") % {"code": found.code}

    with timezone.override(found.site.zone):
        return one_deed(
            request,
            Form,
            do,
            back=reverse("case", args=[found.uid]),
            template=DEED,
            about=found,
            title=_("Close case %(code)s") % {"code": found.code},
            lede=_(
                "Reports of what happens at %(station)s from now on no longer take it up. Nothing else changes: "
                "follow-ups run on, and what is known can still be stated. It cannot be opened again."
            )
            % {"station": found.station.name},
            button=_("Close the case"),
        )
