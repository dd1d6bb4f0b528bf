"""The breach report, page by page. Which page comes next follows from the draft alone (`_next`)."""

import uuid
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

from django import forms
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure import pipeline
from exposure.people.access import View, find, visible
from exposure.places.models import FailureType, Station
from exposure.report import flags
from exposure.report.intake import CLOCK_GRACE
from exposure.report.models import Breach, Case, Mark
from exposure.web.observer import questions
from exposure.web.observer.draft import Draft
from exposure.web.observer.forms import DetailsForm, FactForm, ReviewForm
from exposure.web.observer.here import by_number, by_uid, find_station, lately_here, open_cases
from exposure.web.observer.questions import UNKNOWN, Asked
from exposure.web.signed_in import kept_form, signed_in

PAGES = ("details", "first_aid", "question", "review")


@dataclass
class Desk:
    """A report being written: where, by whom, how far it is, and under which criteria."""

    request: HttpRequest
    station: Station
    draft: Draft
    cases: list[Case]
    asked: list[Asked]

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.station.site.zone)


@signed_in
def report(request: HttpRequest, code: str) -> HttpResponse:
    """Who, what, when; first aid; what can still change something; a last look; sent."""
    station = find_station(request.user, code, at=request.at)
    with timezone.override(ZoneInfo(station.site.zone)):
        if request.method == "POST":
            return _go_on(_desk(request, station, Draft.of(request.POST)))
        kept = kept_form(request)
        if kept is not None:
            page = kept.get("page") if kept.get("page") in PAGES else None
            return _page(_desk(request, station, Draft.of(kept)), page, kept=True)
        begun = _begin(request, station)
        return begun if isinstance(begun, HttpResponseRedirect) else _page(_desk(request, station, begun))


def _begin(request: HttpRequest, station: Station) -> Draft | HttpResponseRedirect:
    """A new draft: of a mark, beside a report already sent, or of its own."""
    zone, cases = ZoneInfo(station.site.zone), open_cases(station)
    case = cases[0].code if len(cases) == 1 else ""
    if "mark" in request.GET:
        mark = find(request.user, _marks(), View.AUTHOR, at=request.at, uid=_uid(request.GET["mark"]))
        if mark.breach is not None:
            return redirect("my_report", uid=mark.breach.uid)
        return Draft.of_mark(mark, case=case, zone=zone)
    if "beside" in request.GET:
        breaches = Breach.objects.select_related("case")
        breach = find(request.user, breaches, View.AUTHOR, at=request.at, uid=_uid(request.GET["beside"]))
        return Draft.beside(breach, zone=zone)
    return Draft.new(case=case, zone=zone, at=request.at)


def _desk(request: HttpRequest, station: Station, draft: Draft) -> Desk:
    cases = open_cases(station)
    meant = Case.objects.filter(code=draft.case) if draft.case else cases
    asked = questions.asked_at(station.site, meant, at=request.at)
    if "criteria_version" not in draft.values:
        draft.values["criteria_version"] = questions.version_named(asked)
    return Desk(request, station, draft, cases, asked)


def _go_on(desk: Desk) -> HttpResponse:
    """Take in one page and turn to the next; a page that is not answered yet is shown again."""
    data, draft = desk.request.POST, desk.draft
    if "forget" in data:
        draft.answers.pop(data["forget"], None)
        return _page(desk, "details" if data["forget"] == "details" else None)
    if data.get("go") == "review":
        return _page(desk, "review")
    if data.get("page") == "review":
        return _send(desk)
    form = _bound(desk, data.get("page"))
    if form is not None and not form.is_valid():
        return _page(desk, data.get("page"), form=form)
    if data.get("page") == "details":
        _settle_details(desk)
    return _page(desk)


def _settle_details(desk: Desk) -> None:
    """Another case is asked about in another version, and another mishap has another first-aid card."""
    draft, card = desk.draft, _card(desk)
    draft.values["criteria_version"] = questions.version_named(desk.asked)
    if card is None or draft.text("first_aid") not in ("", card.code):
        draft.values.pop("first_aid", None)


def _bound(desk: Desk, page: str | None) -> forms.Form | None:
    data = desk.request.POST
    if page == "details":
        return _details_form(desk, data)
    facts = {fact.name: fact for fact in questions.facts_about_event(desk.asked)}
    fact = facts.get(data.get("question", ""))
    return FactForm(data, fact=fact) if page == "question" and fact else None


def _next(desk: Desk) -> str:
    """The first page that is not answered yet."""
    draft = desk.draft
    if not _details_form(desk, draft.values).is_valid():
        return "details"
    if "first_aid" not in draft.values and _card(desk):
        return "first_aid"
    return "question" if questions.still_open(desk.asked, draft.answers) else "review"


def _page(
    desk: Desk, page: str | None = None, *, form: forms.Form | None = None, kept: bool = False
) -> HttpResponse:
    draft, page = desk.draft, page or _next(desk)
    context = {"station": desk.station, "page": page, "kept": kept, "form": form, "draft": draft}
    if page == "details":
        form = form or _details_form(desk, None, initial=draft.values)
        context |= {"form": form, "hidden": draft.hidden(*form.fields), "cases": desk.cases}
    elif page == "first_aid":
        context |= {"card": _card(desk), "hidden": draft.hidden("first_aid")}
    elif page == "question":
        open_facts = [form.fact] if form else questions.still_open(desk.asked, draft.answers)
        if not open_facts:
            return _page(desk, "review", kept=kept)
        form = form or FactForm(fact=open_facts[0])
        context |= {"form": form, "hidden": draft.hidden(form.field_name), "measured": bool(form.fact.cuts)}
    else:
        context |= _review(desk)
    return render(desk.request, f"observer/report_{page}.html", context)


def _review(desk: Desk) -> dict[str, object]:
    draft = desk.draft
    failure = FailureType.objects.filter(code=draft.text("what_happened")).first()
    form = ReviewForm(initial=draft.values)
    return {
        "page": "review",
        "form": form,
        "hidden": draft.hidden(*form.fields),
        "who": _who(desk),
        "what": failure.label if failure else _("Something else, or not known"),
        "phase": dict(Breach.Phase.choices).get(draft.text("phase")),
        "moment": draft.moment(desk.zone),
        "drill": draft.text("drill") == "yes",
        "answers": _answers(desk),
        "remarks": _remarks(desk),
    }


def _answers(desk: Desk) -> list[tuple[str, str, str]]:
    """(fact, question, answer) as chosen, in words."""
    facts = {fact.name: fact for fact in questions.facts_about_event(desk.asked)}
    lines = []
    for name, answer in desk.draft.answers.items():
        if name in facts:
            words = {UNKNOWN: _("Don't know"), **dict(questions.choices(facts[name]))}
            typed = f"{answer} {facts[name].unit or ''}".strip()
            lines.append((name, questions.in_words(facts[name]), words.get(answer, typed)))
    return lines


def _remarks(desk: Desk) -> list[str]:
    """What a nurse will be asked to look at: said here, and sent all the same."""
    draft, at = desk.draft, desk.request.at
    moment = draft.moment(desk.zone)
    odd = []
    if moment is None:
        odd.append("time_unreadable" if draft.text("occurred_at") else "time_missing")
    elif moment > at + CLOCK_GRACE:
        odd.append("time_in_future")
    elif moment < at - timedelta(days=desk.station.site.default_days):
        odd.append("time_long_ago")
    if draft.text("who") == "number" and by_number(draft.text("number")) is None:
        odd.append("unknown_worker")
    if questions.contradict(desk.asked, draft.answers):
        odd.append("contradictory")
    return [flags.in_words(flag) for flag in odd]


def _who(desk: Desk) -> str:
    """The person as chosen or typed; a number of this site with its name, so that a slip is seen."""
    draft, kind = desk.draft, desk.draft.text("who")
    if kind == "name":
        return ", ".join(draft.text(name) for name in ("name", "phone", "employer") if draft.text(name))
    if kind == "number":
        worker = by_number(draft.text("number"))
        same_site = worker is not None and worker.site_id == desk.station.site_id
        return f"{worker.number}, {worker.name}" if same_site else draft.text("number")
    worker = by_uid(kind)
    return worker.name if worker else _("Not known yet")


def _send(desk: Desk) -> HttpResponse:
    request, draft = desk.request, desk.draft
    mark = (
        visible(request.user, _marks(), View.AUTHOR, at=request.at)
        .filter(uid=_uid(draft.text("mark")))
        .first()
    )
    body = draft.body(desk.station, mark, questions.known(desk.asked, draft.answers))
    try:
        if mark is not None and mark.breach is None:
            sent = pipeline.report_mark(mark=mark, body=body, reporter=request.user, at=request.at)
        else:
            sent = pipeline.report_breach(body=body, reporter=request.user, at=request.at)
    except pipeline.ContentConflict:
        standing = Breach.objects.filter(uid=body["submission_id"], reported_by=request.user).first()
        context = {"station": desk.station, "standing": standing}
        return render(request, "observer/conflict.html", context, status=409)
    another = "?another=yes" if draft.text("anyone_else") == "yes" else ""
    return redirect(reverse("reported", args=[sent.breach.uid]) + another)


def _details_form(desk: Desk, data: object, **kwargs: object) -> DetailsForm:
    request, here = desk.request, desk.station
    failures = FailureType.objects.filter(step_failures__step__protocol__stations=here).distinct()
    return DetailsForm(
        data,
        station=here,
        cases=desk.cases,
        failures=list(failures),
        people=lately_here(here, chosen=desk.draft.text("who"), at=request.at),
        self_worker=getattr(request.user, "worker", None),
        **kwargs,
    )


def _card(desk: Desk) -> object:
    """The first-aid card that is due for what happened, or None."""
    failure = FailureType.objects.filter(code=desk.draft.text("what_happened")).select_related("card").first()
    return failure.card if failure else None


def _marks():
    return Mark.objects.select_related("removal__worker", "removal__station", "step", "failure", "breach")


def _uid(text: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(text)
    except ValueError:
        return None
