"""What one has reported oneself: the reference to pass on, further answers, a withdrawal asked for.

Nothing here shows an assessment or a tier: whoever reports is told what to do, not how serious it is.
"""

import uuid
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure.classify import assess
from exposure.classify.models import Assessment
from exposure.classify.table import Fact
from exposure.people.access import find, visible
from exposure.people.models import User
from exposure.people.policy import View
from exposure.pipeline import classify, report
from exposure.places.models import FailureType, Step
from exposure.report.models import Breach
from exposure.web.observer import questions
from exposure.web.observer.draft import ANSWER
from exposure.web.observer.forms import FurtherAnswersForm, WithdrawalForm
from exposure.web.observer.review import first_aid_in_words
from exposure.web.signed_in import kept_form, signed_in
from exposure.wording import shipped


@signed_in
def reported(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Sent: the reference, whether to ring at once, and that one has rung."""
    breach = _own(request, uid)
    if request.method == "POST" and "phoned" in request.POST:
        report.phone_in(breach=breach, by=request.user, at=request.at)
        return redirect("reported", uid=uid)
    context = {
        "breach": breach,
        "ring_now": report.must_ring(breach),
        "another": request.GET.get("another") == "yes",
    }
    return render(request, "observer/reported.html", context)


@signed_in
def my_reports(request: HttpRequest) -> HttpResponse:
    """One's own reports, the latest first."""
    rows = Breach.objects.select_related("station__site", "site", "worker").order_by("-reported_at")
    breaches = visible(request.user, rows, View.AUTHOR, at=request.at)
    return render(
        request, "observer/my_reports.html", {"rows": [(one, person_as_typed(one)) for one in breaches]}
    )


@signed_in
def my_report(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One's own report: adding is free, withdrawing is a request."""
    breach = _own(request, uid)
    data = request.POST if request.method == "POST" else kept_form(request)
    withdrawing = data is not None and "reason" in data
    answers = FurtherAnswersForm(None if withdrawing else data, facts=_questions(breach))
    withdrawal = WithdrawalForm(data if withdrawing else None)
    if request.method == "POST":
        if withdrawing and withdrawal.is_valid():
            return _ask_withdrawal(request, breach, withdrawal.cleaned_data["reason"])
        if not withdrawing and answers.facts and answers.is_valid():
            return _add(request, breach, answers)
    context = {
        "breach": breach,
        "person": person_as_typed(breach),
        "ring_now": report.must_ring(breach),
        **_said(breach, request.user),
        "answers": answers,
        "withdrawal": withdrawal,
        "kept": request.method != "POST" and data is not None,
        "asked": breach.withdrawal_requests.order_by("recorded_at").first(),
        "has_errors": bool(answers.errors or withdrawal.errors),
    }
    with timezone.override(ZoneInfo(breach.site.zone)):
        return render(request, "observer/my_report.html", context)


def person_as_typed(breach: Breach) -> str:
    """The person as the reporter named them, not as a nurse has found them since."""
    person, number = breach.body.get("person"), breach.body.get("worker")
    if person:
        return ", ".join(text for key in ("name", "employer") if (text := (person.get(key) or "").strip()))
    if number and str(breach.worker.uid) == number:
        return breach.worker.name
    return number or _("Not named")


def _said(breach: Breach, reporter: User) -> dict[str, Any]:
    """What was reported, in words: what happened, first aid, and the answers with those that the reporter added."""
    failure = FailureType.objects.filter(code=breach.what_happened).select_related("card").first()
    card = failure.card if failure else None
    later = breach.assessments.filter(kind=Assessment.Kind.FACTS, recorded_by=reporter.actor)
    facts = dict(breach.facts)
    for assessment in later.select_related("version").order_by("recorded_at", "id"):
        criteria = assess.criteria_or_none(assessment.version)
        taken_back = {fact.name: None for fact in criteria.facts if fact.name in facts} if criteria else {}
        facts |= {
            **taken_back,
            **assessment.facts,
        }  # an assessment keeps no answer that nobody knows any more
    return {
        "what": shipped(failure.label) if failure else _("Something else, or not known"),
        "step": Step.objects.filter(code=breach.protocol_step).first() if breach.protocol_step else None,
        "first_aid": first_aid_in_words(card, breach.first_aid, asked="first_aid" in breach.body),
        "said": questions.answers_in_words(_asked(breach), facts),
    }


def _own(request: HttpRequest, uid: uuid.UUID) -> Breach:
    rows = Breach.objects.select_related("station", "site", "worker", "case")
    return find(request.user, rows, View.AUTHOR, at=request.at, uid=uid)


def _questions(breach: Breach) -> list[Fact]:
    """What can be added; a drill is not assessed, so nothing is asked of it."""
    return [] if breach.drill else questions.facts_about_event(_asked(breach))


def _asked(breach: Breach) -> list[questions.Asked]:
    """The criteria under which the report was taken in."""
    found = (assess.criteria_or_none(one.version) for one in _taken_in(breach))
    return [questions.Asked(criteria, {}) for criteria in found if criteria]


def _taken_in(breach: Breach) -> QuerySet[Assessment]:
    return breach.assessments.filter(kind=Assessment.Kind.REPORT).select_related("version")


def _add(request: HttpRequest, breach: Breach, form: FurtherAnswersForm) -> HttpResponse:
    chosen = {fact.name: form.cleaned_data[ANSWER + fact.name] for fact in form.facts}
    facts = questions.sent(_asked(breach), chosen)
    classify.answer_facts(breach=breach, facts=facts, by=request.user, at=request.at)
    messages.success(request, _("Added. What you sent first is kept as well."))
    return redirect("my_report", uid=breach.uid)


def _ask_withdrawal(request: HttpRequest, breach: Breach, reason: str) -> HttpResponse:
    if not breach.withdrawal_requests.filter(reason=reason).exists():
        report.ask_withdrawal(breach=breach, reason=reason, by=request.user, at=request.at)
    messages.success(
        request, _("Asked for. A clinician decides after speaking with the person; until then all goes on.")
    )
    return redirect("my_report", uid=breach.uid)
