"""Cases: opened, what is known of each source patient, stated anew when it changes, who is linked, closed."""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import partial
from typing import Any

from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from exposure.attend.changed_cases import undecided
from exposure.attend.models import Alert
from exposure.attend.overview import Overview, overviews
from exposure.classify import assess
from exposure.classify.criteria import text
from exposure.classify.table import Fact
from exposure.followup.cases import exposures_to, linked_follow_ups
from exposure.followup.models import FollowUp
from exposure.people.access import find, holds, visible
from exposure.people.policy import DOING, Deed, View
from exposure.pipeline import report
from exposure.places.models import Station
from exposure.report.cases import propose_code, tested_early
from exposure.report.models import Case, CaseStatement
from exposure.web.bidi import isolated
from exposure.web.nurse.case_forms import CaseForm, OpenCaseForm
from exposure.web.nurse.deed import DeedPage, Subject, answer
from exposure.web.nurse.other_decisions import about_case
from exposure.web.nurse.report_words import FactWords, answer_words
from exposure.web.nurse.views import causes, for_clinicians, note_list
from exposure.web.signed_in import signed_in

CASES = Case.objects.select_related("site", "station").prefetch_related("statements")
CLOSED = "closed"


@for_clinicians
def cases(request: HttpRequest) -> HttpResponse:
    """The open cases of the person's sites; the closed ones where asked for."""
    every = list(visible(request.user, CASES, View.CLINICAL, at=request.at))
    closed = [case for case in every if case.closed_at is not None]
    chosen = CLOSED if request.GET.get("cause") == CLOSED else ""
    shown = closed if chosen else [case for case in every if case.closed_at is None]
    note_list(request, "cases", chosen)
    people = _people_linked(request, shown)
    rows = [(case, list(_newest_of(case).values()), len(people[case.pk])) for case in shown]
    context = {
        "rows": rows,
        "closed": bool(chosen),
        "causes": causes(
            {CLOSED: len(closed)},
            {CLOSED: _("closed cases")},
            chosen,
            (_("open cases"), len(every) - len(closed)),
        ),
    }
    return render(request, "nurse/cases.html", context)


def _newest_of(case: Case) -> Mapping[str, CaseStatement]:
    """Pathogen -> its newest statement: they come in time order, so that the newest is the one that stays."""
    return {statement.pathogen: statement for statement in case.statements.all()}


def _people_linked(request: HttpRequest, shown: Iterable[Case]) -> Mapping[int, set[int]]:
    """Case -> the workers followed up with an exposure to it, from one statement."""
    seen = visible(request.user, exposures_to(shown), View.CLINICAL, at=request.at)
    people: dict[int, set[int]] = defaultdict(set)
    linked = seen.filter(follow_up__in=FollowUp.objects.running(at=request.at)).order_by()
    for named, reported, worker in linked.values_list("case", "breach__case", "follow_up__worker"):
        for linked_case in (named, reported):
            people[linked_case].add(worker)
    return people


@signed_in
def one_case(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One case: its statements in time order and the follow-ups linked to it."""
    case = find(request.user, CASES, View.CLINICAL, at=request.at, uid=uid)
    note_list(request, f"case {case.code}")
    stated = sorted(_newest_of(case))
    adopted = assess.adopted_pathogens(case.site, at=request.at)
    with timezone.override(case.site.zone):
        context = {
            "case": case,
            "statements": _in_words(case, request.at),
            "decisions": about_case(request, case),
            "stated": stated,
            "not_stated": [pathogen for pathogen in adopted if pathogen not in stated],
            "linked": _linked(case, request),
            "decides": holds(request.user, DOING[Deed.DECIDE_CASE_CHANGE], case.site_id, at=request.at),
            "at": request.at,
        }
        return render(request, "nurse/case.html", context)


def _linked(case: Case, request: HttpRequest) -> list[tuple[Overview, Alert | None]]:
    """Each follow-up that runs or waits for a decision, with the open alert that asks for it: first those, then by
    name."""
    exposed = exposures_to([case]).values("follow_up")
    asking = Alert.objects.filter(cause=Alert.Cause.CASE_CHANGED, closed_at=None, follow_up__in=exposed)
    seen = visible(request.user, asking, View.CLINICAL, at=request.at).select_related("held_by")
    of_follow_up = {alert.follow_up_id: alert for alert in undecided(seen)[case.pk]}
    shown = Q(pk__in=linked_follow_ups(case, at=request.at).values("pk")) | Q(pk__in=of_follow_up)
    linked = FollowUp.objects.filter(shown).select_related("worker", "site")
    views = overviews(visible(request.user, linked, View.CLINICAL, at=request.at), at=request.at)
    rows = [(view, of_follow_up.get(view.follow_up.pk)) for view in views]
    return sorted(rows, key=lambda row: (row[1] is None, row[0].follow_up.worker.name.casefold()))


def _in_words(case: Case, at: datetime) -> list[dict[str, Any]]:
    """The statements in time order, their facts in the words of the criteria that the site works with."""
    asked: dict[str, dict[str, Fact]] = {}
    for pathogen in _newest_of(case):
        version = assess.adopted(case.site, pathogen, at=at)
        criteria = assess.criteria_or_none(version)
        asked[pathogen] = {fact.name: fact for fact in criteria.facts} if criteria else {}
    return [
        {
            "row": statement,
            "facts": [
                _fact_words(asked[statement.pathogen].get(name), name, answer)
                for name, answer in statement.facts.items()
            ],
            "tested_early": tested_early(statement),
        }
        for statement in case.statements.all()
    ]


def _fact_words(fact: Fact | None, name: str, answer: Any) -> FactWords:
    return FactWords(text(fact.ask), answer_words(fact, answer)) if fact else FactWords(name, str(answer))


def _newest_statement(request: HttpRequest, case: Case, *, pathogen: str) -> Mapping[str, Any]:
    version = assess.adopted(case.site, pathogen, at=request.at)
    newest: CaseStatement | None = case.statements.filter(pathogen=pathogen).last()
    if version is None and newest is None:
        raise Http404
    return {"criteria": assess.criteria_or_none(version), "newest": newest}


def _statement_form(data: QueryDict | None, subject: Subject) -> CaseForm:
    known = {name: subject.more[name] for name in ("criteria", "newest")}
    return CaseForm(data, today=timezone.localdate(subject.at), **known)


def _statement_title(subject: Subject) -> str:
    title = _("State case %(code)s anew") if subject.more["newest"] else _("State what case %(code)s has")
    return title % {"code": subject.row.code}


def _closing(subject: Subject) -> str:
    words = _(
        "Reports of what happens at %(station)s from now on no longer take it up. Nothing else changes: "
        "follow-ups run on, and what is known can still be stated. It cannot be opened again."
    )
    return words % {"station": isolated(subject.row.station.name)}


def _open_form(data: QueryDict | None, subject: Subject) -> OpenCaseForm:
    user, at = subject.user, subject.at
    stations = visible(user, Station.objects.select_related("site"), View.CLINICAL, at=at)
    initial = {"code": propose_code()} if data is None else None
    return OpenCaseForm(data, stations=stations, now=at, initial=initial)


_page = partial(
    DeedPage,
    rows=CASES,
    named="case",
    about=lambda subject: subject.row,
    back=lambda subject: reverse("case", args=[subject.row.uid]),
    template="nurse/case_deed.html",
)

OPENING = _page(
    "case_open",
    "cases/open/",
    deed=Deed.STATE_CASE,
    rows=None,
    named="",
    use_case=report.open_case,
    about=lambda _subject: None,
    back=lambda _subject: reverse("cases"),
    zone=lambda _subject: timezone.get_current_timezone(),
    form=_open_form,
    title=_("Open a case"),
    lede=_("A source patient under a code. Reports from the station take the case up from then on."),
    button=_("Open the case"),
    done=lambda done: _("Case %(code)s is open. State what is known of it.") % {"code": done.result.code},
    away=lambda done: reverse("case", args=[done.result.uid]),
)
PAGES = (
    _page(
        "case_close",
        "cases/<uuid:uid>/close/",
        deed=Deed.STATE_CASE,
        use_case=report.close_case,
        title=lambda subject: _("Close case %(code)s") % {"code": subject.row.code},
        lede=_closing,
        button=_("Close the case"),
        done=lambda done: _("Case %(code)s is closed. Follow-ups run on.") % {"code": done.result.code},
    ),
    _page(
        "case_state",
        "cases/<uuid:uid>/<slug:pathogen>/",
        deed=Deed.STATE_CASE,
        use_case=report.state_case,
        prepare=_newest_statement,
        form=_statement_form,
        sent=lambda form, subject: {**form.statement(), "pathogen": subject.more["pathogen"]},
        unchanged=_("Nothing was changed."),
        title=_statement_title,
        lede=lambda subject: subject.more["pathogen"].capitalize(),
        button=_("State it"),
        done=_("Stated. Nobody is moved; every linked follow-up asks for a decision."),
    ),
)


@for_clinicians
def open_new(request: HttpRequest) -> HttpResponse:
    """A new case at a station, under a random code."""
    return answer(request, OPENING, None)
