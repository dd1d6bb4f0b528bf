"""What is done to a report: tell, confirm, answer further, override, sign second, decide on its withdrawal."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from typing import Any
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, QueryDict
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from exposure.classify.assess import criteria_or_none, plan_of, tier_label
from exposure.classify.models import Assessment
from exposure.people.policy import Deed
from exposure.pipeline import classify, tell
from exposure.report.models import Breach, WithdrawalRequest
from exposure.web.nurse.deed import DeedPage, Done, Subject, plain
from exposure.web.nurse.forms import AlsoForm, ConfirmForm, FactsForm, OverrideForm, ToldForm, WithdrawalForm
from exposure.web.nurse.report_words import current_answers, standing_assessments
from exposure.web.nurse.side_by_side import other_criteria

BREACHES = Breach.objects.select_related(
    "site", "worker__site", "station", "reported_by", "confirmed_by", "case", "phoned_in"
)
WAITING = Assessment.objects.filter(second_signature_needed=True).select_related(
    "version", "breach__site", "breach__worker"
)


def _facts_form(form_class: type[FactsForm]) -> Callable[[QueryDict | None, Subject], FactsForm]:
    """The questions of the criteria in force, answered as they stand."""

    def form_of(data: QueryDict | None, subject: Subject) -> FactsForm:
        standing = standing_assessments(subject.row)
        criterias = [
            criteria for assessment in standing.values() if (criteria := criteria_or_none(assessment.version))
        ]
        form = form_class(data, criterias=criterias, answers=current_answers(subject.row, standing))
        if "note" in form.fields:
            form.fields["note"].initial = _said_in_call(subject)
        return form

    return form_of


def _said_in_call(subject: Subject) -> str:
    """What the confirming clinician has typed about the call that led here (`?call=UID`)."""
    with suppress(ValueError):
        uid = UUID(subject.request.GET.get("call", ""))
        own = subject.row.worker.calls.filter(uid=uid, by_user=subject.user).first()
        return own.note if own is not None else ""
    return ""


def _current(_request: HttpRequest, breach: Breach, *, pathogen: str) -> Mapping[str, Any]:
    """The assessment that is departed from, and the newest, which may wait for a signature."""
    current = standing_assessments(breach).get(pathogen)
    criteria = criteria_or_none(current.version) if current else None
    if criteria is None:
        raise Http404
    return {
        "current": current,
        "criteria": criteria,
        "newest": breach.assessments.filter(pathogen=pathogen).last(),
    }


def _others(request: HttpRequest, breach: Breach) -> Mapping[str, Any]:
    """The pathogens whose criteria the site works with and by which the report is not assessed."""
    others = other_criteria(request.user, breach, at=request.at)
    if not others:
        raise Http404
    return {"others": others}


def _override_form(data: QueryDict | None, subject: Subject) -> OverrideForm:
    initial = {"standing": subject.more["newest"].uid}
    return OverrideForm(data, criteria=subject.more["criteria"], initial=initial)


def _second_signature(subject: Subject) -> Mapping[str, str]:
    plan = plan_of(subject.more["current"])
    return {"second_signature": plan.second_signature if plan else "none"}


def _overridden(done: Done) -> str:
    if done.result.second_signature_needed:
        return _("Signed. It takes effect when a second person has signed.")
    return _("The tier is changed.")


def _asked(_request: HttpRequest, breach: Breach) -> Mapping[str, Any]:
    asked = WithdrawalRequest.objects.filter(breach=breach).order_by("-id").first()
    if asked is None:
        raise PermissionDenied
    return {"asked": asked}


_page = partial(
    DeedPage,
    rows=BREACHES,
    named="breach",
    back=lambda subject: reverse("breach", args=[subject.row.uid]),
)

PAGES = (
    _page(
        "breach_told",
        "reports/<uuid:uid>/told/",
        deed=Deed.TELL,
        use_case=tell.tell_worker,
        form=lambda data, subject: ToldForm(data, initial={"told_at": subject.at}),
        fields={"by": "how", "at": "told_at"},
        title=_("The worker was told"),
        lede=_("No message goes to the worker before a person has told them."),
        button=_("Record it"),
        done=_("Recorded: the worker was told."),
    ),
    _page(
        "breach_confirm",
        "reports/<uuid:uid>/confirm/",
        deed=Deed.CONFIRM,
        use_case=classify.confirm_breach,
        form=_facts_form(ConfirmForm),
        sent=lambda form, _subject: {name: form.cleaned_data[name] for name in ("facts", "note")},
        title=_("Confirm the report"),
        lede=_("Speak with the worker first. Go through the answers together and correct what is wrong."),
        button=_("I have spoken with the worker: confirm"),
        done=_("Confirmed. The report is assessed on these answers."),
    ),
    _page(
        "breach_answers",
        "reports/<uuid:uid>/answers/",
        deed=Deed.ANSWER,
        use_case=classify.answer_facts,
        form=_facts_form(FactsForm),
        sent=lambda form, _subject: {"facts": form.cleaned_data["facts"]},
        unchanged=_("Nothing was changed."),
        title=_("Change or add answers"),
        button=_("Assess anew"),
        done=_("Kept. The report is assessed anew; the earlier assessment stays."),
    ),
    _page(
        "breach_override",
        "reports/<uuid:uid>/override/<slug:pathogen>/",
        deed=Deed.OVERRIDE,
        use_case=classify.override_tier,
        prepare=_current,
        form=_override_form,
        sent=lambda form, subject: {**form.cleaned_data, "pathogen": subject.more["pathogen"]},
        shown=_second_signature,
        title=_("Another tier"),
        lede=lambda subject: (
            _("Treated as “%(tier)s” now.")
            % {"tier": tier_label(subject.more["current"], subject.more["current"].treated_as)}
        ),
        button=_("Sign this tier"),
        done=_overridden,
    ),
    _page(
        "breach_also",
        "reports/<uuid:uid>/also/",
        deed=Deed.ASSESS_ALSO,
        use_case=classify.assess_also,
        prepare=_others,
        form=lambda data, subject: AlsoForm(data, pathogens=subject.more["others"]),
        title=_("Other criteria too"),
        lede=_("Each set brings its own plan beside the others. Of any two, the stricter holds."),
        button=_("Assess by these too"),
        done=_("Assessed by these criteria too."),
    ),
    _page(
        "countersign",
        "assessments/<uuid:uid>/sign/",
        deed=Deed.OVERRIDE,
        rows=WAITING,
        named="assessment",
        use_case=classify.countersign,
        about=lambda subject: subject.row.breach.worker,
        back=lambda subject: reverse("breach", args=[subject.row.breach.uid]),
        zone=lambda subject: subject.row.breach.site.zone,
        title=_("Second signature"),
        lede=lambda subject: (
            _("With your signature the tier becomes “%(tier)s”. Reason given: %(reason)s")
            % {"tier": tier_label(subject.row, subject.row.tier), "reason": subject.row.reason}
        ),
        button=_("Sign as the second person"),
        done=_("Signed. The tier is in force."),
    ),
    _page(
        "breach_withdrawal",
        "reports/<uuid:uid>/withdrawal/",
        deed=Deed.DECIDE_WITHDRAWAL,
        named="",
        use_case=classify.decide_withdrawal,
        prepare=_asked,
        form=plain(WithdrawalForm),
        sent=lambda form, subject: {**form.cleaned_data, "request": subject.more["asked"]},
        title=_("Decide on the withdrawal"),
        lede=lambda subject: subject.more["asked"].reason,
        button=_("Decide"),
        done=lambda done: _("The report is withdrawn.") if done.result.accepted else _("The report stands."),
    ),
)
