"""The breach report, page by page: each page has an address, and which comes next follows from the draft alone. A page
asks one thing, and choosing an answer goes on.
"""

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _

from exposure.people.access import find, visible
from exposure.people.models import Worker
from exposure.people.policy import IN_LISTS, View
from exposure.pipeline.report import must_ring, report_breach, report_mark
from exposure.places.first_aid import emergencies, length_of
from exposure.places.models import FailureType, Station
from exposure.refusal import Conflict
from exposure.report.models import Breach, Mark
from exposure.report.submission import uid_in
from exposure.web.observer import questions
from exposure.web.observer.desk import PAGES, Desk
from exposure.web.observer.draft import Draft, let_go, local, put_by, take_up
from exposure.web.observer.forms import ReviewForm
from exposure.web.observer.here import find_station, open_cases
from exposure.web.observer.review import review
from exposure.web.signed_in import kept_form, signed_in


@signed_in
def report(request: HttpRequest, code: str) -> HttpResponse:
    """Who, what, when; first aid; what can still change something; a last look; sent."""
    station = find_station(request.user, code, at=request.at)
    with timezone.override(ZoneInfo(station.site.zone)):
        if request.method == "POST":
            return _go_on(Desk(request, station, Draft.of(request.POST)))
        kept = kept_form(request)
        if kept is not None:
            desk = Desk(request, station, Draft.of(kept))
            put_by(request.session, desk.draft)
            return _page(desk, kept.get("page", ""), kept.get("question", ""), kept=True)
        if "draft" not in request.GET:
            return _begin(request, station)
        draft = take_up(request.session, request.GET["draft"])
        if draft is None:
            return _gone(request, station)
        page, fact = request.GET.get("page", ""), request.GET.get("fact", "")
        return _page(Desk(request, station, draft), page, fact, again="again" in request.GET)


def _begin(request: HttpRequest, station: Station) -> HttpResponse:
    """A new draft: of a mark, beside a report already sent, or of its own."""
    zone, cases = ZoneInfo(station.site.zone), open_cases(station)
    case = cases[0].code if len(cases) == 1 else ""
    if "mark" in request.GET:
        mark = find(request.user, _marks(), View.AUTHOR, at=request.at, uid=uid_in(request.GET["mark"]))
        if mark.breach is not None:
            return redirect("my_report", uid=mark.breach.uid)
        begun = Draft.of_mark(mark, case=case, zone=zone)
        draft = take_up(request.session, begun.values["submission_id"]) or begun
    elif "beside" in request.GET:
        breaches = Breach.objects.select_related("case")
        breach = find(request.user, breaches, View.AUTHOR, at=request.at, uid=uid_in(request.GET["beside"]))
        draft = Draft.beside(breach, zone=zone)
    else:
        draft = Draft.new(case=case, zone=zone, at=request.at)
        if "about" in request.GET:  # a clinician comes from the person's page
            people = Worker.objects.filter(same_as=None)
            about = find(request.user, people, *IN_LISTS, at=request.at, uid=uid_in(request.GET["about"]))
            draft.values["who"] = str(about.uid)
    desk = Desk(request, station, draft)
    desk.settle()
    return _turn_to(desk, *desk.next_page())


def _gone(request: HttpRequest, station: Station) -> HttpResponse:
    """No such draft is being written here: it is sent, or belongs to another session."""
    own = visible(request.user, Breach.objects.all(), View.AUTHOR, at=request.at)
    sent = own.filter(uid=uid_in(request.GET["draft"])).first()
    if sent is not None:
        return redirect("reported", uid=sent.uid)
    messages.warning(request, _("That report is not being written here any more. This is a new one."))
    return redirect("report", code=station.code)


def _go_on(desk: Desk) -> HttpResponse:
    """Take in one page and turn to the next; a page that is not answered yet is turned to again."""
    data = desk.request.POST
    page, fact = data.get("page", ""), data.get("question", "")
    if "forget" in data:
        return _forget(desk, data["forget"])
    if data.get("go") == "review":
        return _turn_to(desk, "review")
    if "emergency" in data or "failure" in data:
        return _first_aid(desk, data)
    if "begun" in data:
        desk.draft.values.setdefault("aid_begun", desk.request.at.isoformat())
        return _turn_to(desk, "first_aid")
    if "instead" in data:  # a near number was meant
        desk.draft.values["who"] = data["instead"]
        return _turn_to(desk, *desk.next_page())
    if page == "review":
        return _send(desk)
    _take_taps(desk, data)
    form = desk.form(page, fact, data.get("group", ""), data)
    if form is not None and not form.is_valid():
        return _turn_to(desk, page, fact, again=not _is_first_look(desk, page, data), group=data.get("group"))
    desk.settle()
    page, fact = desk.next_page()
    twice = page == "when" and not desk.when_form(desk.draft.values).is_valid()
    return _turn_to(desk, page, fact, again=twice)


def _take_taps(desk: Desk, data: Mapping[str, str]) -> None:
    """One tap that answers two things."""
    point, said = data.get("point", ""), desk.draft.values
    if point == "drill":
        said["drill"] = "yes"
        said.pop("phase", None)
    elif point in Breach.Phase.values:
        said["phase"], said["drill"] = point, "no"
    if "just_now" in data:
        said["occurred_at"] = local(desk.request.at, desk.zone)
    if data.get("page") == "when":
        said["when_asked"] = "yes"


def _is_first_look(desk: Desk, page: str, data: Mapping[str, str]) -> bool:
    """Whether the page now shows what has just been chosen to be typed, and nothing is missing yet."""
    kind = desk.draft.text("who")
    return page == "who" and kind in ("number", "name") and data.get("typing") != kind


def _forget(desk: Desk, what: str) -> HttpResponse:
    """To the page of one answer, to change it."""
    if what == "who":
        desk.draft.values["who"] = ""
    if what == "point":
        desk.draft.values |= {"phase": "", "drill": "", "when_asked": "no"}
    return _turn_to(desk, what) if what in PAGES else _turn_to(desk, "question", what)


def _first_aid(desk: Desk, data: Mapping[str, str]) -> HttpResponse:
    """An emergency, or another failure type of the same one: its card at once, whatever else is not answered yet."""
    if data.get("emergency"):
        desk.meet(data["emergency"])
    elif failure := FailureType.objects.filter(code=data.get("failure", "")).select_related("card").first():
        desk.say_what(failure)
    return _turn_to(desk, "first_aid")


def _turn_to(
    desk: Desk, page: str, fact: str = "", *, again: bool = False, group: str | None = ""
) -> HttpResponse:
    """To the address of a page of this draft. It names no person and no answer."""
    put_by(desk.request.session, desk.draft)
    query = {"draft": desk.draft.values["submission_id"], "page": page}
    query |= {"fact": fact} if fact else {}
    query |= {"group": group} if group else {}
    query |= {"again": "yes"} if again else {}
    return redirect(f"{reverse('report', args=[desk.station.code])}?{urlencode(query)}")


def _page(desk: Desk, page: str, fact: str, *, again: bool = False, kept: bool = False) -> HttpResponse:
    """Show a page of the draft; `again`: with what is not answered yet."""
    draft, group = desk.draft, desk.request.GET.get("group", "")
    if page not in PAGES or (page == "question" and fact not in desk.facts):
        page, fact = desk.next_page()
    if page == "first_aid" and not desk.first_aid_asked:
        page = "review"
    form = desk.form(page, fact, group, dict(draft.hidden()) if again else None)
    context = {"station": desk.station, "page": page, "draft": draft, "kept": kept, "form": form}
    context["emergencies"] = (
        emergencies()
    )  # one tap from every page: it may be worse now than when the report began
    if page == "what":
        groups = dict(desk.groups())
        context |= {"groups": groups.items(), "group": group if group in groups else ""}
        context["hidden"] = draft.hidden("what_happened")
    elif page == "first_aid":
        context |= {"card": desk.card, "failure": desk.failure, "others": desk.alike}
        context |= length_of(desk.card, draft.aid_begun, at=desk.request.at)
        context["hidden"] = draft.hidden("first_aid", "aid_for")
    elif page == "review":
        form = ReviewForm(initial=draft.values)
        context |= {**review(desk), "form": form, "hidden": draft.hidden("anyone_else", *form.fields)}
    elif form is not None:
        shown = [*form.fields, "reach_asked"] if page == "person" else form.fields
        context |= {"typed": desk.typed, "hidden": draft.hidden(*shown)}
    template = "question" if page in ("case", "point") else page
    return render(desk.request, f"observer/report_{template}.html", context)


def _send(desk: Desk) -> HttpResponse:
    request, draft = desk.request, desk.draft
    own = visible(request.user, _marks(), View.AUTHOR, at=request.at)
    mark = own.filter(uid=uid_in(draft.text("mark"))).first()
    body = draft.body(desk.station, mark, questions.sent(desk.asked, desk.answers))
    try:
        if mark is not None:
            sent = report_mark(mark=mark, body=body, reporter=request.user, at=request.at)
        else:
            sent = report_breach(body=body, reporter=request.user, at=request.at)
    except Conflict:
        standing = Breach.objects.filter(uid=body["submission_id"], reported_by=request.user).first()
        context = {
            "station": desk.station,
            "standing": standing,
            "ring_now": standing and must_ring(standing),
        }
        return render(request, "observer/conflict.html", context, status=409)
    let_go(request.session, draft)
    another = "?another=yes" if draft.text("anyone_else") == "yes" else ""
    return redirect(reverse("reported", args=[sent.breach.uid]) + another)


def _marks() -> QuerySet[Mark]:
    return Mark.objects.select_related("removal__worker", "removal__station", "step", "failure", "breach")
