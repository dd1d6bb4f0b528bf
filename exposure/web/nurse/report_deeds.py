"""What is done to a report: tell, confirm, answer further, override, sign second."""

import uuid

from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure.classify.assess import criteria_or_none, plan_of, tier_label
from exposure.classify.models import Assessment
from exposure.people.access import View, find
from exposure.pipeline import attend, classify
from exposure.report.models import Breach
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.forms import ConfirmForm, FactsForm, OverrideForm, ToldForm
from exposure.web.nurse.report_words import current_answers, standing_assessments
from exposure.web.signed_in import signed_in

BREACHES = Breach.objects.select_related(
    "site", "worker__site", "station", "reported_by", "confirmed_by", "case"
)


def _find(request: HttpRequest, uid: uuid.UUID) -> Breach:
    return find(request.user, BREACHES, View.CLINICAL, at=request.at, uid=uid)


@signed_in
def told(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A person has told the worker; messages may start."""
    breach = _find(request, uid)

    def do(form: ToldForm) -> str:
        given = form.cleaned_data
        attend.tell_worker(
            breach=breach, how=given["how"], told_at=given["told_at"], by=request.user, at=request.at
        )
        return _("Recorded: the worker was told.")

    with timezone.override(breach.site.zone):
        return one_deed(
            request,
            lambda data: ToldForm(data, at=request.at),
            do,
            back=reverse("breach", args=[uid]),
            title=_("The worker was told"),
            about=breach.worker,
            lede=_("No message goes to the worker before a person has told them."),
            button=_("Record it"),
        )


def _facts_form(form_class: type[FactsForm], breach: Breach, data: QueryDict | None) -> FactsForm:
    standing = standing_assessments(breach)
    criterias = [found for one in standing.values() if (found := criteria_or_none(one.version))]
    return form_class(data, criterias=criterias, answers=current_answers(breach, standing))


@signed_in
def confirm(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """After speaking with the worker: the answers as they are, corrected where needed."""
    breach = _find(request, uid)

    def do(form: ConfirmForm) -> str:
        given = form.cleaned_data
        classify.confirm_breach(
            breach=breach, by=request.user, note=given["note"], facts=given["facts"], at=request.at
        )
        return _("Confirmed. The report is assessed on these answers.")

    with timezone.override(breach.site.zone):
        return one_deed(
            request,
            lambda data: _facts_form(ConfirmForm, breach, data),
            do,
            back=reverse("breach", args=[uid]),
            title=_("Confirm the report"),
            about=breach.worker,
            lede=_("Speak with the worker first. Go through the answers together and correct what is wrong."),
            button=_("I have spoken with the worker: confirm"),
        )


@signed_in
def answers(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Further answers: assessed anew, the earlier assessment stays. The same answers again change nothing."""
    breach = _find(request, uid)

    def do(form: FactsForm) -> str:
        if not form.has_changed():
            return _("Nothing was changed.")
        classify.answer_facts(breach=breach, facts=form.cleaned_data["facts"], by=request.user, at=request.at)
        return _("Kept. The report is assessed anew; the earlier assessment stays.")

    with timezone.override(breach.site.zone):
        return one_deed(
            request,
            lambda data: _facts_form(FactsForm, breach, data),
            do,
            back=reverse("breach", args=[uid]),
            title=_("Change or add answers"),
            about=breach.worker,
            button=_("Assess anew"),
        )


@signed_in
def override(request: HttpRequest, uid: uuid.UUID, pathogen: str) -> HttpResponse:
    """A clinician's own tier, with a reason; the same again changes nothing."""
    breach = _find(request, uid)
    current = standing_assessments(breach).get(pathogen)
    criteria = criteria_or_none(current.version) if current else None
    if criteria is None:
        raise Http404
    plan = plan_of(current)

    def do(form: OverrideForm) -> str:
        given = form.cleaned_data
        made = breach.assessments.filter(pathogen=pathogen).last()
        if (made.kind, made.tier, made.reason) != (Assessment.Kind.OVERRIDE, given["tier"], given["reason"]):
            made = classify.override_tier(
                breach=breach, pathogen=pathogen, by=request.user, at=request.at, **given
            )
        if made.second_signature_needed:
            return _("Signed. It takes effect when a second person has signed.")
        return _("The tier is changed.")

    with timezone.override(breach.site.zone):
        return one_deed(
            request,
            lambda data: OverrideForm(data, criteria=criteria),
            do,
            back=reverse("breach", args=[uid]),
            title=_("Another tier"),
            about=breach.worker,
            lede=_("Treated as “%(tier)s” now.") % {"tier": tier_label(current, current.treated_as)},
            second_signature=plan.second_signature if plan else "none",
            button=_("Sign this tier"),
        )


@signed_in
def countersign(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The second signature under an override: it takes effect with it."""
    waiting = Assessment.objects.filter(second_signature_needed=True).select_related(
        "version", "breach__site", "breach__worker"
    )
    assessment = find(request.user, waiting, View.CLINICAL, at=request.at, uid=uid)
    breach = assessment.breach

    def do(_form: Form) -> str:
        classify.countersign(assessment=assessment, by=request.user, at=request.at)
        return _("Signed. The tier is in force.")

    said = {"tier": tier_label(assessment, assessment.tier), "reason": assessment.reason}
    with timezone.override(breach.site.zone):
        return one_deed(
            request,
            Form,
            do,
            back=reverse("breach", args=[breach.uid]),
            title=_("Second signature"),
            about=breach.worker,
            lede=_("With your signature the tier becomes “%(tier)s”. Reason given: %(reason)s") % said,
            button=_("Sign as the second person"),
        )
