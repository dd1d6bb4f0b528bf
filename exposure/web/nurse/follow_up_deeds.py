"""What is done about a follow-up, its exposures, readings and tasks: explained, corrected, paused, ended, signed."""

from collections.abc import Mapping
from functools import partial
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext_lazy as _

from exposure.attend.changes import of_changes
from exposure.attend.models import Promise
from exposure.followup import join
from exposure.followup.models import Check, Exposure, FollowUp
from exposure.people.access import holds
from exposure.people.models import Role
from exposure.people.policy import Deed
from exposure.pipeline import clear, complete, enter, evaluate, expose, tell
from exposure.web.nurse.clearing import standing_in_the_way
from exposure.web.nurse.deed import DeedPage, Done, Subject, back_to, plain
from exposure.web.nurse.end_forms import EndForm, ReturnForm
from exposure.web.nurse.forms import CorrectionForm, HowToldForm, NoteForm, ReasonForm
from exposure.web.nurse.person_deeds import tell_by
from exposure.web.times import window_name
from exposure.wording import ending_in_words

FOLLOW_UPS = FollowUp.objects.select_related("site", "worker__site")
CHECKS = Check.objects.filter(withdrawn_at=None).select_related("follow_up__site", "follow_up__worker")
EXPOSURES = Exposure.objects.select_related("follow_up__site", "follow_up__worker__site", "case")
TASK_KINDS = (Promise.Kind.TASK, Promise.Kind.REVIEW)
TASKS = Promise.objects.filter(kind__in=TASK_KINDS, void_at=None).select_related(
    "site", "worker__site", "held_by"
)
CHANGES = of_changes(void_at=None).select_related("site", "worker__site")
ENDS = [(kind.value, kind.label) for kind in clear.OTHER_ENDS]


def _paused(kind: str, **page: Any) -> DeedPage:
    return _of_follow_up(
        f"follow_up_{kind}",
        f"follow-ups/<uuid:uid>/{kind}/",
        deed=Deed.DECIDE_STATE,
        form=plain(ReasonForm),
        done=_("Noted. Reminders and missing readings pause; the days count on."),
        **page,
    )


def _standing_exposure(request: HttpRequest, exposure: Exposure) -> Mapping[str, Any] | HttpResponse:
    if (
        exposure.withdrawn_at is None or request.method == "POST"
    ):  # what was typed is the use case's to refuse
        return {}
    messages.info(request, _("This exposure has been corrected already, or no longer counts."))
    return redirect(back_to(exposure.follow_up.worker))


def _for_physicians(request: HttpRequest, follow_up: FollowUp) -> Mapping[str, Any]:
    if not holds(request.user, {Role.Kind.PHYSICIAN}, follow_up.site_id, at=request.at):
        raise PermissionDenied
    return {}


def _correction_form(data: QueryDict | None, subject: Subject) -> CorrectionForm:
    return CorrectionForm(data, initial={"occurred_at": localtime(subject.row.occurred_at)})


def _task(subject: Subject) -> Mapping[str, Any]:
    task = subject.row
    early = task.not_before is not None and task.not_before > subject.at
    may_not_apply = task.kind == Promise.Kind.TASK and task.kept_at is None
    return {
        "task": task,
        "due_at": task.due_at,
        "not_before": task.not_before,
        "early": early,
        "may_not_apply": may_not_apply,
    }


def _missing_reading(subject: Subject) -> str:
    check = subject.row
    return _("Day %(day)s, %(window)s, from %(opens)s.") % {
        "day": check.day,
        "window": window_name(check.window),
        "opens": date_format(localtime(check.opens_at), "D j M, H:i"),
    }


def _reopening(subject: Subject) -> str:
    if join.running_beside(subject.row, subject.row.worker, subject.at) is not None:
        return _("Another follow-up for the same pathogen runs: the exposures will join that one.")
    return _("Readings that can still be taken are asked for again. A clearance becomes void.")


def _reopened(done: Done) -> str:
    if done.result.pk != done.subject.row.pk:
        return _("Its exposures have joined the follow-up that runs; the days are counted anew.")
    return _("The follow-up goes on.")


def _signed(done: Done) -> str:
    clearance = done.result
    if clearance.signed_at is None:
        return _("Signed. It takes effect when a second person has signed.")
    ends = ending_in_words(localtime(clearance.effective_at))
    return _("Signed. The follow-up ends %(time)s.") % {"time": ends}


_of_follow_up = partial(DeedPage, rows=FOLLOW_UPS, named="follow_up")
_of_its_row = partial(
    DeedPage,
    about=lambda subject: subject.row.follow_up.worker,
    back=lambda subject: back_to(subject.row.follow_up.worker),
    zone=lambda subject: subject.row.follow_up.site.zone,
)

PAGES = (
    _of_follow_up(
        "task_done",
        "tasks/<uuid:uid>/",
        deed=Deed.COMPLETE_TASK,
        rows=TASKS,
        named="task",
        use_case=complete.complete_task,
        form=plain(NoteForm),
        shown=_task,
        template="nurse/task.html",
        title=lambda subject: subject.row.title,
        button=_("Done"),
        done=lambda done: _("Done: %(task)s.") % {"task": done.result.title},
    ),
    _of_follow_up(
        "task_not_applicable",
        "tasks/<uuid:uid>/not-applicable/",
        deed=Deed.COMPLETE_TASK,
        rows=TASKS.filter(kind=Promise.Kind.TASK),
        named="task",
        use_case=complete.mark_not_applicable,
        form=plain(ReasonForm),
        title=_("The task does not apply"),
        lede=lambda subject: subject.row.title,
        button=_("It does not apply"),
        done=lambda done: _("Does not apply: %(task)s.") % {"task": done.result.title},
    ),
    _of_its_row(
        "excuse",
        "missing/<uuid:uid>/",
        deed=Deed.EXCUSE,
        rows=CHECKS,
        named="check",
        use_case=enter.excuse_check,
        form=plain(ReasonForm),
        title=_("Explain a missing reading"),
        lede=_missing_reading,
        button=_("Keep this explanation"),
        done=_("The missing reading is explained."),
    ),
    _of_its_row(
        "exposure_correct",
        "exposures/<uuid:uid>/correct/",
        deed=Deed.RECORD_EXPOSURE,
        rows=EXPOSURES,
        named="exposure",
        use_case=expose.correct_exposure,
        prepare=_standing_exposure,
        zone=lambda subject: subject.row.zone,
        form=_correction_form,
        title=_("Correct the time of the exposure"),
        lede=_("The old time stays in the history; readings that have not opened are planned anew."),
        button=_("Correct it"),
        done=_("Corrected: the days are counted anew."),
    ),
    _of_its_row(
        "exposure_told",
        "exposures/<uuid:uid>/told/",
        deed=Deed.TELL,
        rows=EXPOSURES.filter(withdrawn_at=None, breach=None),
        named="exposure",
        use_case=tell.tell_of_exposure,
        form=plain(HowToldForm),
        shown=lambda subject: {"exposure": subject.row, "due_at": tell_by(subject.row)},
        template="nurse/told.html",
        title=_("The worker was told"),
        lede=_("No message goes to the worker before a person has told them."),
        button=_("Record it"),
        done=_("Recorded: the worker was told."),
    ),
    _of_follow_up(
        "change_told",
        "tellings/<uuid:uid>/told/",
        deed=Deed.TELL,
        rows=CHANGES,
        named="telling",
        use_case=tell.tell_of_change,
        form=plain(HowToldForm),
        title=lambda subject: subject.row.title,
        lede=_("Say what holds from now on: which readings, until when, and what they may do."),
        button=_("Record that they were told"),
        done=_("Recorded: the worker was told."),
    ),
    _of_follow_up(
        "clear",
        "follow-ups/<uuid:uid>/clear/",
        deed=Deed.CLEAR,
        use_case=clear.sign_clearance,
        shown=lambda subject: {
            "clearing": standing_in_the_way(subject.row, subject.user, at=subject.at),
            "at": subject.at,
        },
        template="nurse/clear.html",
        title=_("Sign the end of the follow-up"),
        button=_("Sign"),
        done=_signed,
    ),
    _of_follow_up(
        "follow_up_return",
        "follow-ups/<uuid:uid>/return/",
        deed=Deed.DECIDE_STATE,
        use_case=evaluate.return_to_monitoring,
        prepare=_for_physicians,
        form=plain(ReturnForm),
        title=_("Return to readings"),
        lede=_("Name the diagnosis, or the test and how many hours after the onset it was taken."),
        done=_("Back to readings. Those missed in between are explained."),
    ),
    _of_follow_up(
        "follow_up_end",
        "follow-ups/<uuid:uid>/end/",
        deed=Deed.DECIDE_STATE,
        use_case=clear.end_follow_up,
        form=lambda data, _subject: EndForm(data, kinds=ENDS),
        title=_("End the follow-up otherwise"),
        lede=_("Without clearance. No further reading is asked for."),
        button=_("End it"),
        done=_("The follow-up has ended."),
    ),
    _of_follow_up(
        "follow_up_reopen",
        "follow-ups/<uuid:uid>/reopen/",
        deed=Deed.DECIDE_STATE,
        use_case=clear.reopen,
        form=plain(ReasonForm),
        title=_("Reopen the follow-up"),
        lede=_reopening,
        button=_("Reopen it"),
        done=_reopened,
    ),
    _paused(
        "evaluation",
        use_case=evaluate.begin_evaluation,
        title=_("Being evaluated"),
        button=_("Begin the evaluation"),
    ),
    _paused(
        "admission",
        use_case=evaluate.admit,
        title=_("Admitted to hospital"),
        button=_("Note the admission"),
    ),
)
