"""What is done for a person: a call noted, a missing reading explained, a task done, a sign-off."""

import uuid
from datetime import timedelta

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from exposure.attend.models import Promise
from exposure.followup.models import Check, FollowUp
from exposure.people.access import View, find
from exposure.people.models import Worker
from exposure.pipeline import attend
from exposure.pipeline.clear import sign_clearance
from exposure.refusal import BadSubmission, Problem
from exposure.web.nurse.clearing import standing_in_the_way
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.forms import CallForm, NoteForm, ReasonForm
from exposure.web.signed_in import signed_in
from exposure.web.times import window_name

WORKERS = Worker.objects.select_related("site", "user")
TASKS = (Promise.Kind.TASK, Promise.Kind.REVIEW)
DOUBLE_TAP = timedelta(minutes=1)


def back_to(worker: Worker) -> str:
    return reverse("person", args=[worker.uid])


@signed_in
def call(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A call noted. The same note within a minute is a double tap and notes nothing more."""
    worker = find(request.user, WORKERS, View.CLINICAL, at=request.at, uid=uid)

    def do(form: CallForm) -> str:
        given = form.cleaned_data
        since = request.at - DOUBLE_TAP
        if not worker.calls.filter(by_user=request.user, called_at__gt=since, **given).exists():
            attend.note_call(worker=worker, by=request.user, at=request.at, **given)
        return _("The call is noted.")

    with timezone.override(worker.site.zone):
        return one_deed(
            request,
            CallForm,
            do,
            back=back_to(worker),
            title=_("Note a call"),
            about=worker,
            button=_("Note the call"),
        )


@signed_in
def excuse(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A missing reading explained. Explained already: nothing more is written."""
    checks = Check.objects.filter(withdrawn_at=None).select_related("follow_up__site", "follow_up__worker")
    check = find(request.user, checks, View.CLINICAL, at=request.at, uid=uid)
    follow_up = check.follow_up

    def do(form: ReasonForm) -> str:
        if check.closes_at > request.at:
            raise BadSubmission(Problem("/reason", _("This reading can still be taken.")))
        attend.excuse_check(check=check, reason=form.cleaned_data["reason"], by=request.user, at=request.at)
        return _("The missing reading is explained.")

    said = {"day": check.day, "window": window_name(check.window)}
    with timezone.override(follow_up.site.zone):
        said["opens"] = date_format(timezone.localtime(check.opens_at), "D j M, H:i")
        return one_deed(
            request,
            ReasonForm,
            do,
            back=back_to(follow_up.worker),
            title=_("Explain a missing reading"),
            about=follow_up.worker,
            lede=_("Day %(day)s, %(window)s, from %(opens)s.") % said,
            button=_("Keep this explanation"),
        )


@signed_in
def task_done(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A task done."""
    tasks = Promise.objects.filter(kind__in=TASKS, void_at=None).select_related("site", "worker__site")
    task = find(request.user, tasks, View.CLINICAL, at=request.at, uid=uid)

    def do(form: NoteForm) -> str:
        attend.complete_task(task=task, note=form.cleaned_data["note"], by=request.user, at=request.at)
        return _("Done: %(task)s.") % {"task": task.title}

    with timezone.override(task.site.zone):
        return one_deed(
            request,
            NoteForm,
            do,
            back=back_to(task.worker),
            title=task.title,
            about=task.worker,
            due_at=task.due_at,
            not_before=task.not_before,
            button=_("Done"),
        )


@signed_in
def clear(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Sign the end of a follow-up, or see exactly what stands in the way."""
    follow_ups = FollowUp.objects.select_related("site", "worker__site")
    follow_up = find(request.user, follow_ups, View.CLINICAL, at=request.at, uid=uid)

    def do(_form: Form) -> str:
        clearance = sign_clearance(follow_up=follow_up, by=request.user, at=request.at)
        if clearance.signed_at is None:
            return _("Signed. It takes effect when a second person has signed.")
        ends = date_format(timezone.localtime(clearance.effective_at), "D j M, H:i")
        return _("Signed. The follow-up ends %(time)s.") % {"time": ends}

    with timezone.override(follow_up.site.zone):
        return one_deed(
            request,
            Form,
            do,
            back=back_to(follow_up.worker),
            template="nurse/clear.html",
            title=_("Sign the end of the follow-up"),
            about=follow_up.worker,
            clearing=standing_in_the_way(follow_up, request.user, at=request.at),
            button=_("Sign"),
        )
