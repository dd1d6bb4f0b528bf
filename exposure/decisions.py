"""What clinicians decide about what the pipeline carries, and what workers settle for themselves.

Every function asks `people.access` first and raises PermissionDenied; doing it again changes nothing.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils.translation import gettext as _

from exposure import pipeline
from exposure.classify import assess
from exposure.classify.models import Assessment, Signature
from exposure.followup import alerts, duties, opening, plans, states
from exposure.followup.models import Check, Exposure, Fill, FollowUp
from exposure.followup.overview import standing_fill
from exposure.followup.work_models import Alert, Call, Task
from exposure.people.access import Deed, require, require_for
from exposure.people.models import User, Worker
from exposure.record import because as because_of
from exposure.report.models import Breach, Told, WithdrawalRequest
from exposure.report.moments import slip_in
from exposure.report.submission import BadSubmission, Problem

Cause = Alert.Cause
NEXT_LOOK = timedelta(hours=4)  # where no criteria name one
CLOCK_GRACE = timedelta(minutes=10)  # for clocks that go wrong


def answer_facts(*, breach: Breach, facts: dict[str, Any], by: User, at: datetime) -> list[Assessment]:
    """Further answers: a new assessment beside the old one. The reporter may add to their own report; what workers
    say about themselves is kept and settles nothing until a clinician has confirmed it."""
    if breach.reported_by_id != by.pk:
        require(by, Deed.ANSWER, breach.site_id, breach.worker.user_id, at=at)
    with transaction.atomic():
        breach = _locked(breach)
        if breach.worker.user_id == by.pk:
            breach.facts, facts = {**breach.facts, **facts}, {}
        return _reassess(breach, facts, Assessment.Kind.FACTS, at, by)


def tell_worker(*, breach: Breach, how: str, told_at: datetime, by: User, at: datetime) -> Told:
    """Record that the worker was told, in person or by telephone: messages may start."""
    require(by, Deed.TELL, breach.site_id, breach.worker.user_id, at=at)
    if how not in dict(Told.HOW):
        raise BadSubmission(Problem("/by", _("Say whether in person or by telephone.")))
    if slip := slip_in(told_at, "/at", at=at + CLOCK_GRACE):
        raise BadSubmission(slip)
    with transaction.atomic():
        breach = _locked(breach)
        standing = breach.tellings.first()
        if standing is not None:
            return standing
        breach.told_due_at = None
        breach.save()
        _close(breach, (Cause.UNTOLD,), by, at)
        return Told.objects.create(breach=breach, by=how, told_at=told_at)


def confirm_breach(
    *, breach: Breach, by: User, note: str = "", facts: dict[str, Any] | None = None, at: datetime
) -> Breach:
    """A clinician has spoken with the worker: the report is assessed on what is known now and monitoring is no
    longer provisional. Confirming again changes nothing."""
    require(by, Deed.CONFIRM, breach.site_id, breach.worker.user_id, at=at)
    with transaction.atomic(), because_of(note):
        breach = _locked(breach)
        if breach.confirmed_at is not None:
            return breach
        breach.confirmed_at, breach.confirmed_by, breach.confirmation_note = at, by, note
        breach.save()
        if not breach.drill:
            _reassess(breach, facts or {}, Assessment.Kind.CONFIRMATION, at, by)
        _close(breach, (Cause.LATE_CONFIRMATION, Cause.TO_LOOK_AT, Cause.DRILL), by, at)
        return breach


def override_tier(
    *, breach: Breach, pathogen: str, tier: str, reason: str, by: User, at: datetime
) -> Assessment:
    """A clinician's own tier, with a reason; a lower one waits for a second signature where the plan says so."""
    require(by, Deed.OVERRIDE, breach.site_id, breach.worker.user_id, at=at)
    if not reason.strip():
        raise BadSubmission(Problem("/reason", _("Say why this tier is right.")))
    with transaction.atomic(), because_of(reason):
        breach = _locked(breach)
        current = assessments_in_force(breach).get(pathogen)
        if current is None or current.version is None:
            raise BadSubmission(
                Problem("/pathogen", _("There is no assessment of this pathogen to override."))
            )
        if tier not in {one.code for one in assess.criteria_of(current.version).tiers}:
            raise BadSubmission(Problem("/tier", _("Choose one of the tiers of these criteria.")))
        newest = breach.assessments.filter(pathogen=pathogen).last()
        same = (Assessment.Kind.OVERRIDE, tier, reason, by.actor)
        if (newest.kind, newest.tier, newest.reason, newest.recorded_by) == same:
            return newest
        assessment = assess.override(current, tier, reason=reason)
        if assessment.second_signature_needed:
            Signature.objects.create(subject=f"override:{assessment.uid}", user=by, meaning="override")
        else:
            _apply(breach, at, by)
        return assessment


def countersign(*, assessment: Assessment, by: User, at: datetime) -> Assessment:
    """The second signature under an override, by somebody else; it takes effect with it."""
    breach = assessment.breach
    require(by, Deed.OVERRIDE, breach.site_id, breach.worker.user_id, at=at)
    with transaction.atomic():
        breach = _locked(breach)
        if Signature.objects.filter(subject=f"override:{assessment.uid}", user=by).exists():
            raise pipeline.NotYet("same_person")
        Signature.objects.get_or_create(
            subject=f"assessment:{assessment.uid}", user=by, defaults={"meaning": "second signature"}
        )
        _apply(breach, at, by)
        return assessment


def ask_withdrawal(*, breach: Breach, reason: str, by: User, at: datetime) -> WithdrawalRequest:
    """A request; the follow-up runs until a clinician has decided. Asking again changes nothing."""
    with transaction.atomic():
        breach = _locked(breach)
        standing = breach.withdrawal_requests.filter(recorded_by=by.actor, decision=None).first()
        if standing is not None:
            return standing
        request = WithdrawalRequest.objects.create(breach=breach, reason=reason)
        because = _("Withdrawal asked for: %(reason)s") % {"reason": reason}
        alerts.raise_alert(breach, Cause.WITHDRAWAL, because, site=breach.site, at=at)
        return request


def _reassess(breach: Breach, facts: dict[str, Any], kind: str, at: datetime, by: User) -> list[Assessment]:
    """Assess again with the answers so far and the further ones, per pathogen, and let it take effect. A tier that
    a clinician has set stands until something new is answered."""
    made = []
    for pathogen, current in assessments_in_force(breach).items():
        if current.kind == Assessment.Kind.OVERRIDE and not facts:
            continue
        version = current.version or assess.adopted(breach.site, pathogen, at=at)
        own = (
            breach.facts
            if kind == Assessment.Kind.CONFIRMATION or "self_answered" not in breach.flags
            else {}
        )
        answers = {**own, **current.facts, **facts}
        made.append(assess.assess(breach, pathogen, version, answers, kind=kind))
    breach.save()
    _apply(breach, at, by)
    return made


def assessments_in_force(breach: Breach) -> dict[str, Assessment]:
    """Pathogen -> the newest assessment of the breach that is in force, second signatures counted."""
    assessments = list(
        breach.assessments.select_related("version", "breach__site").order_by("recorded_at", "id")
    )
    subjects = [f"assessment:{one.uid}" for one in assessments]
    signed = frozenset(Signature.objects.filter(subject__in=subjects).values_list("subject", flat=True))
    return assess.in_force(assessments, signed)


def _apply(breach: Breach, at: datetime, by: User) -> None:
    """Bring the breach's exposures, checks and follow-ups in line with the assessments in force; a withdrawn breach
    has none any more."""
    if breach.withdrawn_at is not None:
        return
    exposures = {one.follow_up.pathogen: one for one in opening.exposures_of(breach)}
    for pathogen, assessment in assessments_in_force(breach).items():
        exposure = exposures.get(pathogen)
        if exposure is None:
            follow_up = pipeline.open_exposure(assessment, at, by)
        else:
            follow_up, stood = exposure.follow_up, (exposure.tier, exposure.last_day)
            if plans.brings_follow_up(plans.plan_in_force(assessment)):
                opening.put_under(exposure, assessment, at=at)
            else:
                _take_out(exposure, assessment, at)
            if (exposure.tier, exposure.last_day) != stood:
                _go_on_or_ask(exposure, at, by)
        if follow_up is not None:
            pipeline.plan_readings(follow_up, at)
            reason = _("No exposure is left that counts.")
            states.settle(follow_up, reason=reason, at=at, by=by.actor)


def _go_on_or_ask(exposure: Exposure, at: datetime, by: User) -> None:
    """Another tier or last day: a clearance not yet in effect is void; a follow-up that has ended is not reopened by
    itself, a clinician is asked."""
    follow_up = exposure.follow_up
    because = _("An exposure was assessed anew before the last day had ended.")
    pipeline.go_on(follow_up, because, at, by.actor)
    if follow_up.ended_at is not None and exposure.withdrawn_at is None:
        because = _(
            "An exposure was assessed anew after the follow-up had ended: reopen it if it must go on."
        )
        alerts.raise_alert(follow_up, Cause.TO_LOOK_AT, because, site=follow_up.site, at=at)


def _take_out(exposure: Exposure, assessment: Assessment, at: datetime) -> None:
    """The exposure brings nothing any more: it no longer counts, and what it asked for is dropped."""
    opening.put_under(exposure, assessment, at=at)
    exposure.withdrawn_at = at
    exposure.withdrawn_reason = exposure.tier_label
    exposure.save()


def _locked(breach: Breach) -> Breach:
    """The report as it stands now; the worker's turn comes first, as everywhere."""
    pipeline.one_at_a_time(breach.worker)
    return Breach.objects.select_for_update(of=("self",)).select_related("site", "worker").get(pk=breach.pk)


def _close(subject: Breach | FollowUp, causes: Iterable[str], by: User, at: datetime) -> None:
    """Alerts that this very act has answered."""
    for alert in subject.alerts.filter(cause__in=causes, closed_at=None):
        alerts.close(alert, outcome=Alert.Outcome.EVALUATED, note="", by=by, at=at)


def acknowledge_alert(*, alert: Alert, by: User, at: datetime) -> Alert:
    """Seen and taken over; the next look is due within the hours that the criteria name."""
    _require_on(alert, Deed.ACKNOWLEDGE, by, at)
    with transaction.atomic():
        alert = Alert.objects.select_for_update(of=("self",)).get(pk=alert.pk)
        if alert.closed_at is not None:
            return alert
        return alerts.acknowledge(alert, by=by, at=at, look_within=_next_look(alert))


def close_alert(*, alert: Alert, outcome: str, note: str, by: User, at: datetime) -> Alert:
    """Close with an outcome. Closing again with the same outcome changes nothing."""
    _require_on(alert, Deed.CLOSE_ALERT, by, at)
    if outcome not in Alert.Outcome.values:
        raise BadSubmission(Problem("/outcome", _("Say what came of it.")))
    with transaction.atomic(), because_of(note):
        alert = Alert.objects.select_for_update(of=("self",)).get(pk=alert.pk)
        if alert.closed_at is not None:
            return alert
        return alerts.close(alert, outcome=outcome, note=note, by=by, at=at)


def _require_on(alert: Alert, deed: Deed, by: User, at: datetime) -> None:
    """An alert about a worker is everybody's who follows that worker up."""
    if alert.worker is not None:
        require_for(by, deed, alert.worker, at=at)
    else:
        require(by, deed, alert.site_id, person_of(alert), at=at)


def person_of(alert: Alert) -> int | None:
    """The account of the person whom the alert is about."""
    return worker_of(alert).user_id


def worker_of(alert: Alert) -> Worker:
    """The worker whom the alert is about."""
    if alert.worker is not None:
        return alert.worker
    return alert.follow_up.worker if alert.follow_up is not None else alert.breach.worker


def _next_look(alert: Alert) -> timedelta:
    follow_ups = (
        [alert.follow_up] if alert.follow_up else list(worker_of(alert).follow_ups.filter(ended_at=None))
    )
    hours = [profile.next_look_hours for one in follow_ups if (profile := plans.profile_of(one))]
    return min((timedelta(hours=hour) for hour in hours if hour), default=NEXT_LOOK)


def complete_task(*, task: Task, note: str, by: User, at: datetime) -> Task:
    """Done; tasks that count from this one get their time."""
    person = task.exposure.follow_up.worker.user_id if task.exposure else task.breach.worker.user_id
    require(by, Deed.COMPLETE_TASK, task.site_id, person, at=at)
    with transaction.atomic(), because_of(note):
        task = Task.objects.select_for_update(of=("self",)).get(pk=task.pk)
        if task.completed_at is not None:
            return task
        task.completed_at, task.completed_by, task.note = at, by, note
        task.save()
        duties.date_tasks_after(task, at=at)
        if task.exposure is not None and not duties.late_tasks_of(task.exposure.follow_up, at=at).exists():
            _close(task.exposure.follow_up, (Cause.LATE_TASK,), by, at)
        return task


def note_call(*, worker: Worker, answered: bool, note: str, by: User, at: datetime) -> Call:
    """A call to or from the worker; an answered one is contact made."""
    worker = worker.same_as or worker
    require_for(by, Deed.CALL, worker, at=at)
    with transaction.atomic():
        return Call.objects.create(
            site=worker.site, worker=worker, called_at=at, answered=answered, note=note, by_user=by
        )


def excuse_check(*, check: Check, reason: str, by: User, at: datetime) -> Fill:
    """A missing reading is explained by a clinician."""
    follow_up = check.follow_up
    require(by, Deed.EXCUSE, follow_up.site_id, follow_up.worker.user_id, at=at)
    if not reason.strip():
        raise BadSubmission(Problem("/reason", _("Say why the reading is missing.")))
    with transaction.atomic():
        newest = check.fills.filter(standing_fill()).last()
        if newest is not None and newest.state == "excused":
            return newest
        if newest is not None and newest.state != "repeat_due":
            raise pipeline.NotYet("answered")
        return Fill.objects.create(check_row=check, state="excused", reason=reason)


def change_settings(*, worker: Worker, by: User, at: datetime, **settings: Any) -> Worker:
    """The worker's own unit, phone_only, quiet_from, quiet_until and own_zone. Where zone or quiet hours change, the
    readings that have not opened, and their reminders, are planned anew."""
    if worker.user_id != by.pk:
        raise PermissionDenied
    with transaction.atomic():
        worker = Worker.objects.select_for_update(of=("self",)).select_related("site").get(pk=worker.pk)
        before = (worker.own_zone, worker.quiet_from, worker.quiet_until)
        was_by_phone = worker.phone_only
        for name in ("unit", "phone_only", "quiet_from", "quiet_until", "own_zone"):
            setattr(worker, name, settings.get(name, getattr(worker, name)))
        worker.save()
        if worker.phone_only and not was_by_phone:
            because = _("Chose to be reached by telephone only: no reminder is sent.")
            alerts.raise_alert(worker, Cause.CALL_ME, because, site=worker.site, at=at)
        if (worker.own_zone, worker.quiet_from, worker.quiet_until) != before:
            for follow_up in worker.follow_ups.filter(ended_at=None):
                _plan_unopened_again(follow_up, at)
        return worker


def _plan_unopened_again(follow_up: FollowUp, at: datetime) -> None:
    """All of them, moved or not: a reminder is stored once per reading, so other quiet hours need new readings."""
    pipeline.withdraw_unopened(follow_up, at)
    pipeline.plan_readings(follow_up, at)
