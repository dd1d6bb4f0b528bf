"""What a clinician does about a follow-up that runs: correct it, evaluate, end it otherwise, note what protects."""

import uuid
from collections.abc import Callable
from functools import partial
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.followup import join
from exposure.followup.models import Exposure, FollowUp, FollowUpState, PrivateNote
from exposure.people.access import View, find, holds
from exposure.people.models import Role, Worker
from exposure.pipeline import attend, classify, clear, follow
from exposure.report.models import Breach, WithdrawalRequest
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.forms import (
    CorrectionForm,
    EndForm,
    PrivateForm,
    ProtectionForm,
    ReasonForm,
    WithdrawalForm,
)
from exposure.web.nurse.person_deeds import back_to
from exposure.web.signed_in import signed_in

FOLLOW_UPS = FollowUp.objects.select_related("site", "worker__site")
# state -> (what to do, title, button)
STATES: dict[str, tuple[Callable[..., FollowUpState], str, str]] = {
    "evaluation": (
        follow.begin_evaluation,
        gettext_lazy("Being evaluated"),
        gettext_lazy("Begin the evaluation"),
    ),
    "admission": (follow.admit, gettext_lazy("Admitted to hospital"), gettext_lazy("Note the admission")),
}


@signed_in
def decide_withdrawal(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A withdrawal decided, after speaking with the worker."""
    breach = find(
        request.user, Breach.objects.select_related("worker"), View.CLINICAL, at=request.at, uid=uid
    )
    asked = WithdrawalRequest.objects.filter(breach=breach).order_by("-id").first()

    def do(form: WithdrawalForm) -> str:
        decision = classify.decide_withdrawal(
            request=asked, by=request.user, at=request.at, **form.cleaned_data
        )
        return _("The report is withdrawn.") if decision.accepted else _("The report stands.")

    if asked is None:
        raise PermissionDenied
    with timezone.override(breach.site.zone):
        return one_deed(
            request,
            WithdrawalForm,
            do,
            back=reverse("breach", args=[uid]),
            title=_("Decide on the withdrawal"),
            about=breach.worker,
            lede=asked.reason,
            button=_("Decide"),
        )


@signed_in
def correct(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """An exposure that was at another time."""
    exposures = Exposure.objects.select_related("follow_up__worker__site")
    exposure = find(request.user, exposures, View.CLINICAL, at=request.at, uid=uid)
    worker = exposure.follow_up.worker
    if exposure.withdrawn_at is not None:
        messages.info(request, _("This exposure has been corrected already, or no longer counts."))
        return redirect(back_to(worker))

    def do(form: CorrectionForm) -> str:
        follow.correct_exposure(exposure=exposure, by=request.user, at=request.at, **form.cleaned_data)
        return _("Corrected: the days are counted anew.")

    def form_of(data: QueryDict | None) -> CorrectionForm:
        return CorrectionForm(data, initial={"occurred_at": timezone.localtime(exposure.occurred_at)})

    with timezone.override(exposure.zone):
        return one_deed(
            request,
            form_of,
            do,
            back=back_to(worker),
            title=_("Correct the time of the exposure"),
            about=worker,
            lede=_("The old time stays in the history; readings that have not opened are planned anew."),
            button=_("Correct it"),
        )


@signed_in
def state(request: HttpRequest, uid: uuid.UUID, kind: str) -> HttpResponse:
    """Being evaluated, or admitted: reminders pause, the days count on."""
    follow_up = find(request.user, FOLLOW_UPS, View.CLINICAL, at=request.at, uid=uid)
    if kind not in STATES:
        raise Http404
    enter, title, button = STATES[kind]

    def do(form: ReasonForm) -> str:
        enter(follow_up=follow_up, reason=form.cleaned_data["reason"], by=request.user, at=request.at)
        return _("Noted. Reminders and missing readings pause; the days count on.")

    return _about_follow_up(request, follow_up, ReasonForm, do, title=title, button=button)


@signed_in
def return_to_monitoring(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Back to readings, by a physician."""
    follow_up = find(request.user, FOLLOW_UPS, View.CLINICAL, at=request.at, uid=uid)
    if not holds(request.user, {Role.Kind.PHYSICIAN}, follow_up.site_id, at=request.at):
        raise PermissionDenied

    def do(form: ReasonForm) -> str:
        follow.return_to_monitoring(
            follow_up=follow_up, finding=form.cleaned_data["reason"], by=request.user, at=request.at
        )
        return _("Back to readings.")

    return _about_follow_up(
        request,
        follow_up,
        ReasonForm,
        do,
        title=_("Return to readings"),
        lede=_("Name the diagnosis, or the test and how many hours after the onset it was taken."),
        button=_("Return to readings"),
    )


@signed_in
def end(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The end of a follow-up in another way than by clearance."""
    follow_up = find(request.user, FOLLOW_UPS, View.CLINICAL, at=request.at, uid=uid)
    kinds = [(kind.value, kind.label) for kind in clear.OTHER_ENDS]

    def do(form: EndForm) -> str:
        clear.end_follow_up(follow_up=follow_up, by=request.user, at=request.at, **form.cleaned_data)
        return _("The follow-up has ended.")

    return _about_follow_up(
        request,
        follow_up,
        partial(EndForm, kinds=kinds),
        do,
        title=_("End the follow-up otherwise"),
        lede=_("Without clearance. No further reading is asked for."),
        button=_("End it"),
    )


@signed_in
def reopen(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """An end taken back, a clearance too."""
    follow_up = find(request.user, FOLLOW_UPS, View.CLINICAL, at=request.at, uid=uid)
    runs = join.running_beside(follow_up, follow_up.worker, request.at) is not None

    def do(form: ReasonForm) -> str:
        goes_on = clear.reopen(
            follow_up=follow_up, reason=form.cleaned_data["reason"], by=request.user, at=request.at
        )
        if goes_on.pk != follow_up.pk:
            return _("Its exposures have joined the follow-up that runs; the days are counted anew.")
        return _("The follow-up goes on.")

    return _about_follow_up(
        request,
        follow_up,
        ReasonForm,
        do,
        title=_("Reopen the follow-up"),
        lede=_("Another follow-up for the same pathogen runs: the exposures will join that one.")
        if runs
        else _("Readings that can still be taken are asked for again. A clearance becomes void."),
        button=_("Reopen it"),
    )


def _about_follow_up(
    request: HttpRequest, follow_up: FollowUp, form_of: Any, do: Callable[[Any], str], **said: Any
) -> HttpResponse:
    with timezone.override(follow_up.site.zone):
        return one_deed(request, form_of, do, back=back_to(follow_up.worker), about=follow_up.worker, **said)


@signed_in
def protection(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Vaccine or prophylaxis given."""
    worker = find(request.user, Worker.objects.select_related("site"), View.CLINICAL, at=request.at, uid=uid)

    def do(form: ProtectionForm) -> str:
        attend.record_protection(worker=worker, by=request.user, at=request.at, **form.cleaned_data)
        return _("Noted. It stands beside every alert and changes no threshold.")

    with timezone.override(worker.site.zone):
        return one_deed(
            request,
            ProtectionForm,
            do,
            back=back_to(worker),
            title=_("Vaccine or prophylaxis given"),
            about=worker,
            button=_("Note it"),
        )


@signed_in
def private_note(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """What only clinicians see of a worker."""
    worker = find(request.user, Worker.objects.select_related("site"), View.CLINICAL, at=request.at, uid=uid)
    note = PrivateNote.objects.filter(worker=worker).first()
    initial = {"fever_unreliable": note.fever_unreliable, "text": note.text} if note else None

    def do(form: PrivateForm) -> str:
        attend.note_privately(worker=worker, by=request.user, at=request.at, **form.cleaned_data)
        return _("Noted, for clinicians only.")

    with timezone.override(worker.site.zone):
        return one_deed(
            request,
            partial(PrivateForm, initial=initial),
            do,
            back=back_to(worker),
            title=_("Private note"),
            about=worker,
            button=_("Keep the note"),
        )
