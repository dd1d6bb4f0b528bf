"""The pipeline: report -> classify -> follow up -> remind -> clear, one short transaction function per arrow.

Pages, API calls and tasks call these and nothing deeper. Every function that decides asks `people.access` first
and raises PermissionDenied; `at` is the instant of the operation, aware; writes need `record.acting`.
"""

import logging
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from exposure.classify import assess, replay, versions
from exposure.classify.models import Adoption, Assessment, CriteriaVersion, Replay, Signature
from exposure.clear.models import Clearance
from exposure.clear.sign import may_sign, rule_on, sign, void_before_effect
from exposure.followup import alerts, opening
from exposure.followup.entry import read_entry
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading, UnplacedReading
from exposure.followup.overview import overview, standing_fill
from exposure.followup.store_reading import Logged, follow_ups_taking_readings, log_entry
from exposure.followup.work_models import Alert, Call, Task
from exposure.people.access import Deed, require, roles_of
from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.record import because as because_of
from exposure.record import create_many, mark_withdrawn
from exposure.remind import reminders
from exposure.remind.models import Heartbeat
from exposure.remind.outbox import deliver
from exposure.remind.sweep import sweep
from exposure.report import flags
from exposure.report.intake import store_breach
from exposure.report.models import Breach, Mark, OtherContent, Told, WithdrawalRequest
from exposure.report.removals import unfinished_marks
from exposure.report.submission import BadSubmission, Problem, Submission, read_submission

Cause = Alert.Cause
NOT_ODD = frozenset({"self_answered", "time_missing", "station_missing"})
NEXT_LOOK = timedelta(hours=4)  # where no criteria name one
log = logging.getLogger(__name__)


class ContentConflict(Exception):
    """The submission's id stands already with other content."""


class NotYet(ValueError):
    """What was asked for cannot be done yet; `reasons` are codes of what stands in the way."""

    def __init__(self, *reasons: str) -> None:
        super().__init__(", ".join(reasons))
        self.reasons = reasons


@dataclass(frozen=True)
class Reported:
    """A stored report. `created` is False when the same submission came again."""

    breach: Breach
    created: bool
    assessments: tuple[Assessment, ...]
    follow_ups: tuple[FollowUp, ...]
    ring_now: bool


# Report and classify


def report_breach(*, body: Any, reporter: User, at: datetime) -> Reported:
    """Store the report, assess it and open the follow-up, all or nothing, once per `submission_id`.

    Raises BadSubmission (wrong JSON types, no id) and ContentConflict (the id stands with other content, which is
    kept for a nurse). Nothing is refused for its content.
    """
    submission = read_submission(body)
    for last_try in (False, False, True):
        standing = Breach.objects.filter(uid=submission.submission_id).first()
        if standing is not None:
            return _again(standing, submission, at)
        try:
            with transaction.atomic():
                return _take_in(submission, reporter, at)
        except IntegrityError:
            # Another process stored this report, or opened the same worker's follow-up, a moment earlier.
            if last_try:
                raise
    raise AssertionError("unreachable")


def _take_in(submission: Submission, reporter: User, at: datetime) -> Reported:
    breach = store_breach(submission, reporter=reporter, at=at)
    if breach.drill:
        alerts.raise_alert(breach, Cause.DRILL, _("A drill was reported."), site=breach.site, at=at)
        return Reported(breach, True, (), (), ring_now=False)
    _one_at_a_time(breach.worker)
    assessments = assess.assess_report(breach, at=at)
    breach.confirm_due_at = min(opening.plan_in_force(one).confirm_within.after(at) for one in assessments)
    breach.told_due_at = at + timedelta(minutes=breach.site.told_within_minutes)
    breach.save()
    _raise_report_alerts(breach, assessments, at)
    opened = [_open_exposure(one, at, reporter) for one in assessments]
    follow_ups = tuple(one for one in opened if one is not None)
    for follow_up in follow_ups:
        _plan_checks(follow_up, at)
    ring_now = any(assess.is_highest(one) for one in assessments)
    return Reported(breach, True, tuple(assessments), follow_ups, ring_now)


def _open_exposure(assessment: Assessment, at: datetime, by: User) -> FollowUp | None:
    """The follow-up that the assessed breach joins or opens. One signed off whose last day still runs goes on."""
    worker = assessment.breach.worker
    for signed_off in worker.follow_ups.filter(pathogen=assessment.pathogen, ended_at__gt=at):
        if opening.brings_follow_up(opening.plan_in_force(assessment)):
            _go_on(
                signed_off, _("Another exposure was reported before the last day had ended."), at, by.actor
            )
    opened = opening.open_exposure(assessment, at=at, by=by.actor)
    return opened[0] if opened else None


def _one_at_a_time(worker: Worker) -> None:
    """Whatever opens, feeds or ends a worker's follow-ups waits here for its turn, until its transaction ends."""
    Worker.objects.select_for_update(no_key=True).get(pk=worker.pk)


def _raise_report_alerts(breach: Breach, assessments: Iterable[Assessment], at: datetime) -> None:
    if any(one.version is None for one in assessments):
        because = _("No criteria are adopted for this: the report is not assessed.")
        alerts.raise_alert(breach, Cause.UNASSESSED, because, site=breach.site, at=at)
    odd = [flag for flag in breach.flags if flag not in NOT_ODD]
    if odd:
        because = " ".join(flags.in_words(flag) for flag in odd)
        alerts.raise_alert(breach, Cause.TO_LOOK_AT, because, site=breach.site, at=at)


def _again(standing: Breach, submission: Submission, at: datetime) -> Reported:
    if standing.body_sha256 != submission.sha256:
        with transaction.atomic():
            _row, fresh = OtherContent.objects.get_or_create(
                breach=standing, body_sha256=submission.sha256, defaults={"body": submission.body}
            )
            if fresh:
                because = _("The same report was sent again with other content; both are kept.")
                alerts.raise_alert(standing, Cause.OTHER_CONTENT, because, site=standing.site, at=at)
        raise ContentConflict
    assessments = tuple(standing.assessments.filter(kind=Assessment.Kind.REPORT))
    follow_ups = tuple(FollowUp.objects.filter(exposures__breach=standing).distinct())
    return Reported(
        standing, False, assessments, follow_ups, any(assess.is_highest(one) for one in assessments)
    )


def report_mark(*, mark: Mark, body: dict[str, Any], reporter: User, at: datetime) -> Reported:
    """Send the report of a mark and tie the two together, also where the report stands with other content: then
    ContentConflict is raised once both are kept."""
    conflict = None
    with transaction.atomic():
        try:
            breach = (reported := report_breach(body=body, reporter=reporter, at=at)).breach
        except ContentConflict as raised:
            conflict = raised
            breach = Breach.objects.get(uid=body["submission_id"])
        mark = Mark.objects.select_for_update(of=("self",)).get(pk=mark.pk)
        if mark.breach_id is None and mark.deviation_at is None:
            mark.breach = breach
            mark.save()
    if conflict is not None:
        raise conflict
    return reported


def send_unfinished_marks(*, at: datetime) -> int:
    """Marks not completed in time are sent as they stand; what is not answered is unknown, so the ceiling rules."""
    marks = unfinished_marks(at=at)
    for mark in marks:
        removal = mark.removal
        body = {
            "submission_id": str(mark.uid),
            "station": removal.station.code,
            "worker": str(removal.worker.uid) if removal.worker else None,
            "occurred_at": mark.marked_at.isoformat(),
            "drill": removal.drill,
            "step": mark.step.code,
            "removal": str(removal.uid),
            "what_happened": mark.failure.code if mark.failure else None,
        }
        try:
            report_mark(mark=mark, body=body, reporter=removal.observer, at=at)
        except ContentConflict:
            log.warning("Mark %s had been reported with other content; both are kept.", mark.uid)
        except Exception:  # one bad mark must not keep the others waiting
            log.exception("Mark %s could not be sent; the next round tries again.", mark.uid)
    return len(marks)


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
        current = _in_force(breach).get(pathogen)
        if current is None or current.version is None:
            raise BadSubmission(
                Problem("/pathogen", _("There is no assessment of this pathogen to override."))
            )
        if tier not in {one.code for one in assess.criteria_of(current.version).tiers}:
            raise BadSubmission(Problem("/tier", _("Choose one of the tiers of these criteria.")))
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
            raise NotYet("same_person")
        Signature.objects.get_or_create(
            subject=f"assessment:{assessment.uid}", user=by, defaults={"meaning": "second signature"}
        )
        _apply(breach, at, by)
        return assessment


def ask_withdrawal(*, breach: Breach, reason: str, by: User, at: datetime) -> WithdrawalRequest:
    """A request; the follow-up runs until a clinician has decided."""
    with transaction.atomic():
        request = WithdrawalRequest.objects.create(breach=breach, reason=reason)
        because = _("Withdrawal asked for: %(reason)s") % {"reason": reason}
        alerts.raise_alert(breach, Cause.TO_LOOK_AT, because, site=breach.site, at=at)
        return request


def _reassess(breach: Breach, facts: dict[str, Any], kind: str, at: datetime, by: User) -> list[Assessment]:
    """Assess again with the answers so far and the further ones, per pathogen, and let it take effect."""
    made = []
    for pathogen, current in _in_force(breach).items():
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


def _in_force(breach: Breach) -> dict[str, Assessment]:
    assessments = list(
        breach.assessments.select_related("version", "breach__site").order_by("recorded_at", "id")
    )
    subjects = [f"assessment:{one.uid}" for one in assessments]
    signed = frozenset(Signature.objects.filter(subject__in=subjects).values_list("subject", flat=True))
    return assess.in_force(assessments, signed)


def _apply(breach: Breach, at: datetime, by: User) -> None:
    """Bring the breach's exposures, checks and follow-ups in line with the assessments in force."""
    exposures = {one.follow_up.pathogen: one for one in opening.exposures_of(breach)}
    for pathogen, assessment in _in_force(breach).items():
        exposure = exposures.get(pathogen)
        if exposure is None:
            follow_up = _open_exposure(assessment, at, by)
        else:
            follow_up = exposure.follow_up
            if opening.brings_follow_up(opening.plan_in_force(assessment)):
                opening.put_under(exposure, assessment, at=at)
            else:
                _take_out(exposure, assessment, at)
        if follow_up is not None:
            _settle(follow_up, breach, at, by)


def _take_out(exposure: Exposure, assessment: Assessment, at: datetime) -> None:
    """The exposure brings nothing any more: it no longer counts, and what it asked for is dropped."""
    opening.put_under(exposure, assessment, at=at)
    exposure.withdrawn_at = at
    exposure.withdrawn_reason = exposure.tier_label
    exposure.save()


def _settle(follow_up: FollowUp, breach: Breach, at: datetime, by: User) -> None:
    _plan_checks(follow_up, at)
    standing = list(follow_up.exposures.filter(withdrawn_at=None).select_related("breach"))
    if not standing:
        reason = _("No exposure is left that counts.")
        opening.end(follow_up, FollowUpState.Kind.RULED_OUT, at=at, ends_at=at, by=by.actor, reason=reason)
    elif all(one.breach is None or one.breach.confirmed_at is not None for one in standing):
        state = opening.state_of(follow_up)
        if state is not None and state.kind == FollowUpState.Kind.PROVISIONAL:
            opening.enter_state(follow_up, FollowUpState.Kind.MONITORED, at=at, by=by.actor)


def _plan_checks(follow_up: FollowUp, at: datetime) -> None:
    replanned = opening.plan_checks(follow_up, at=at)
    reminders.withdraw_rungs(replanned.withdrawn, at=at)
    reminders.plan_rungs(replanned.added, follow_up.worker)


def _locked(breach: Breach) -> Breach:
    return Breach.objects.select_for_update(of=("self",)).select_related("site", "worker").get(pk=breach.pk)


def _close(subject: Breach | FollowUp, causes: Iterable[str], by: User, at: datetime) -> None:
    """Alerts that this very act has answered."""
    for alert in subject.alerts.filter(cause__in=causes, closed_at=None):
        alerts.close(alert, outcome=Alert.Outcome.EVALUATED, note="", by=by, at=at)


# Follow up


def log_reading(*, body: Any, worker: Worker, entered_by: User, at: datetime) -> Logged:
    """Store a reading, fill what it fills and raise what it raises, once per `submission_id`.

    What is refused comes back in `problems`; a refused entry that would have been a trigger is kept and has
    raised its alert. Raises BadSubmission (wrong JSON types) and ContentConflict.
    """
    if worker.user_id != entered_by.pk:
        require(entered_by, Deed.ENTER_READING, worker.site_id, worker.user_id, at=at)
    entry = read_entry(body, at=at)
    for last_try in (False, True):
        standing = _standing_reading(entry.submission_id, worker, entry.sha256)
        if standing is not None:
            return standing
        try:
            with transaction.atomic():
                _one_at_a_time(worker)
                follow_ups = follow_ups_taking_readings(worker, at=at)
                if not follow_ups:
                    raise BadSubmission(Problem("", _("No readings are asked of this person.")))
                logged = log_entry(entry, worker, follow_ups, entered_by=entered_by, at=at)
                _void_clearances(follow_ups, logged, at)
                return logged
        except IntegrityError:
            if last_try:
                raise
    raise AssertionError("unreachable")


def _standing_reading(submission_id: uuid.UUID, worker: Worker, sha256: str) -> Logged | None:
    for model in (Reading, UnplacedReading):
        row = model.objects.filter(uid=submission_id).first()
        if row is None:
            continue
        if row.worker_id != worker.pk or row.body_sha256 != sha256:
            raise ContentConflict
        if isinstance(row, UnplacedReading):
            problems = (Problem("", row.refused_because),)
            return Logged(row, (), "unplaced", tuple(row.triggers), (), problems)
        fills = tuple(
            fill.check_row for fill in row.fills.exclude(state="repeat_due").select_related("check_row")
        )
        return Logged(row, fills, row.state, tuple(row.triggers), (), ())
    return None


def _void_clearances(follow_ups: Iterable[FollowUp], logged: Logged, at: datetime) -> None:
    triggers = [code for code in logged.triggers if code != "masked"]
    if not triggers:
        return
    for follow_up in follow_ups:
        because = _("A reading asked for a look before the last day had ended.")
        _go_on(follow_up, because, at, logged.row.recorded_by)


def _go_on(follow_up: FollowUp, because: str, at: datetime, by: str) -> None:
    """A clearance, or the first of two signatures under it, that has not taken effect is void."""
    if void_before_effect(follow_up, because=because, at=at) and follow_up.ended_at is not None:
        opening.enter_state(follow_up, FollowUpState.Kind.MONITORED, at=at, by=by, reason=because)
        follow_up.ended_at = None
        follow_up.save()


def acknowledge_alert(*, alert: Alert, by: User, at: datetime) -> Alert:
    """Seen and taken over; the next look is due within the hours that the criteria name."""
    require(by, Deed.ACKNOWLEDGE, alert.site_id, person_of(alert), at=at)
    with transaction.atomic():
        alert = Alert.objects.select_for_update(of=("self",)).get(pk=alert.pk)
        if alert.closed_at is not None:
            return alert
        return alerts.acknowledge(alert, by=by, at=at, look_within=_next_look(alert))


def close_alert(*, alert: Alert, outcome: str, note: str, by: User, at: datetime) -> Alert:
    """Close with an outcome. Closing again with the same outcome changes nothing."""
    require(by, Deed.CLOSE_ALERT, alert.site_id, person_of(alert), at=at)
    if outcome not in Alert.Outcome.values:
        raise BadSubmission(Problem("/outcome", _("Say what came of it.")))
    with transaction.atomic(), because_of(note):
        alert = Alert.objects.select_for_update(of=("self",)).get(pk=alert.pk)
        if alert.closed_at is not None:
            return alert
        return alerts.close(alert, outcome=outcome, note=note, by=by, at=at)


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
    hours = [profile.next_look_hours for one in follow_ups if (profile := opening.profile_of(one))]
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
        opening.date_tasks_after(task, at=at)
        if task.exposure is not None and not opening.late_tasks_of(task.exposure.follow_up, at=at).exists():
            _close(task.exposure.follow_up, (Cause.LATE_TASK,), by, at)
        return task


def note_call(*, worker: Worker, answered: bool, note: str, by: User, at: datetime) -> Call:
    """A call to or from the worker; an answered one is contact made."""
    require(by, Deed.CALL, worker.site_id, worker.user_id, at=at)
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
            raise NotYet("answered")
        return Fill.objects.create(check_row=check, state="excused", reason=reason)


def change_settings(*, worker: Worker, by: User, at: datetime, **settings: Any) -> Worker:
    """The worker's own unit, phone_only, quiet_from, quiet_until and own_zone. Where zone or quiet hours change, the
    readings that have not opened, and their reminders, are planned anew."""
    if worker.user_id != by.pk:
        raise PermissionDenied
    with transaction.atomic():
        worker = Worker.objects.select_for_update(of=("self",)).select_related("site").get(pk=worker.pk)
        before = (worker.own_zone, worker.quiet_from, worker.quiet_until)
        for name in ("unit", "phone_only", "quiet_from", "quiet_until", "own_zone"):
            setattr(worker, name, settings.get(name, getattr(worker, name)))
        worker.save()
        if (worker.own_zone, worker.quiet_from, worker.quiet_until) != before:
            for follow_up in worker.follow_ups.running(at=at):
                _plan_unopened_again(follow_up, at)
        return worker


def _plan_unopened_again(follow_up: FollowUp, at: datetime) -> None:
    """All of them, moved or not: a reminder is stored once per reading, so other quiet hours need new readings.
    One that was excused beforehand stays."""
    unopened = list(follow_up.checks.filter(withdrawn_at=None, opens_at__gt=at, fills=None))
    mark_withdrawn(Check.objects.filter(pk__in=[check.pk for check in unopened]), at=at)
    reminders.withdraw_rungs(unopened, at=at)
    _plan_checks(follow_up, at)


# Clear


def sign_clearance(*, follow_up: FollowUp, by: User, at: datetime) -> Clearance:
    """Sign the end of a follow-up, effective when its last day ends in the exposure's zone.

    Raises NotYet with what stands in the way, and PermissionDenied.
    """
    require(by, Deed.CLEAR, follow_up.site_id, follow_up.worker.user_id, at=at)
    with transaction.atomic():
        _one_at_a_time(follow_up.worker)
        follow_up = (
            FollowUp.objects.select_for_update(of=("self",)).select_related("worker").get(pk=follow_up.pk)
        )
        standing = follow_up.clearances.filter(void_at=None, signed_at__isnull=False).first()
        if standing is not None:
            return standing
        now = overview(follow_up, at=at)
        kinds = {role.kind for role in roles_of(by, at=at) if role.site_id in (None, follow_up.site_id)}
        if not may_sign(now, kinds):
            raise NotYet("physician_signs")
        ruling = rule_on(now)
        if not ruling.yes:
            raise NotYet(*ruling.reasons)
        clearance = sign(now, ruling, by=by, at=at)
        if clearance.signed_at is not None:
            ends_at = clearance.effective_at
            opening.end(follow_up, FollowUpState.Kind.CLEARED, at=at, ends_at=ends_at, by=by.actor)
        return clearance


# Remind

REPLAN_EVERY = timedelta(days=1)


def follow_ups_to_replan(*, at: datetime) -> list[int]:
    """Once a day the running follow-ups, whose unopened readings may have moved with the time-zone rules."""
    with transaction.atomic():
        beat, fresh = Heartbeat.objects.select_for_update().get_or_create(name="replan", defaults={"at": at})
        if not fresh and at - beat.at < REPLAN_EVERY:
            return []
        beat.at = at
        beat.save()
    return list(FollowUp.objects.running(at=at).filter(ended_at=None).values_list("pk", flat=True))


def replan_follow_up(*, follow_up_id: int, at: datetime) -> None:
    """Bring one follow-up's unopened readings in line with its exposures, windows and zones of today."""
    with transaction.atomic():
        follow_up = (
            FollowUp.objects.select_for_update(of=("self",))
            .select_related("worker__site")
            .get(pk=follow_up_id)
        )
        if follow_up.ended_at is None:
            _plan_checks(follow_up, at)


def pass_time(*, at: datetime) -> dict[str, int]:
    """Everything that time causes, then what waits in the outbox: what clock process and queue call."""
    done = {"unfinished_marks": send_unfinished_marks(at=at), **sweep(at=at)}
    return {**done, "delivered": deliver(at=at)}


# Criteria

REVIEW = "criteria_review"
REVIEW_WITHIN = timedelta(hours=24)  # local choice


def draft_criteria(*, content: str, by: User, at: datetime) -> CriteriaVersion:
    """A text becomes a draft. Raises CriteriaError with the line."""
    require(by, Deed.PROPOSE_CRITERIA, None, at=at)
    with transaction.atomic():
        return versions.start_draft(content, by=by)


def edit_criteria(*, version: CriteriaVersion, content: str, by: User, at: datetime) -> CriteriaVersion:
    """Another text for a draft. Raises CriteriaError with the line, and NotYet once it is proposed."""
    require(by, Deed.PROPOSE_CRITERIA, None, at=at)
    with transaction.atomic():
        version = _locked_version(version)
        if version.proposed_at is not None:
            raise NotYet("proposed")
        versions.edit_draft(version, content, by=by)
        return version


def propose_criteria(*, version: CriteriaVersion, by: User, at: datetime) -> CriteriaVersion:
    """The text stands from here on, under the proposer's signature. Proposing again changes nothing."""
    require(by, Deed.PROPOSE_CRITERIA, None, at=at)
    with transaction.atomic():
        version = _locked_version(version)
        if version.proposed_by == by.actor:
            return version
        if obstacles := versions.obstacles_to_proposal(version):
            raise NotYet(*obstacles)
        versions.propose(version, by=by, at=at)
        return version


def tick_criteria(*, version: CriteriaVersion, row: str, by: User, at: datetime) -> None:
    """A row from memory was compared with its source. Only once proposed: the text can no longer change."""
    require(by, Deed.APPROVE_CRITERIA, None, at=at)
    with transaction.atomic():
        version = _locked_version(version)
        if version.proposed_at is None:
            raise NotYet("not_proposed")
        if row not in versions.memory_rows(assess.criteria_of(version)):
            raise BadSubmission(Problem("/row", _("This is no row that was written from memory.")))
        versions.tick(version, row)


def replay_criteria(*, version: CriteriaVersion, site: Site, by: User, at: datetime) -> Replay:
    """Classify the site's past reports under the version and keep what would change. Nothing is moved."""
    require(by, Deed.PROPOSE_CRITERIA, site.pk, at=at)
    return replay.store(version, site=site)


def review_moved(*, stored: Replay, by: User, at: datetime) -> int:
    """A task for the nurse on every report that a replay names, unless one is open. How many were made."""
    with transaction.atomic():
        moved = Breach.objects.filter(uid__in=stored.breaches).select_related("site")
        asked = Task.objects.filter(breach__in=moved, code=REVIEW, completed_at=None, dropped_at=None)
        title = _("Look again at the tier: %(version)s would change it") % {"version": stored.version}
        tasks = []
        for breach in moved.exclude(pk__in=asked.values("breach_id")):
            require(by, Deed.PROPOSE_CRITERIA, breach.site_id, at=at)
            due_at = at + REVIEW_WITHIN
            tasks.append(Task(site=breach.site, breach=breach, code=REVIEW, title=title, due_at=due_at))
        return len(create_many(Task, tasks))


def approve_criteria(
    *, version: CriteriaVersion, site: Site, by: User, at: datetime, meaning: str = "approved"
) -> Adoption | None:
    """Sign that the site works with this version; the second person's signature puts it in force there. None
    while that is wanted. Raises NotYet with what stands in the way."""
    require(by, Deed.APPROVE_CRITERIA, site.pk, at=at)
    with transaction.atomic():
        Site.objects.select_for_update(no_key=True).get(pk=site.pk)
        version = _locked_version(version)
        if standing := versions.adoption_of(version, site):
            return standing
        if obstacles := versions.obstacles_to_approval(version, site, by=by, at=at):
            raise NotYet(*obstacles)
        return versions.approve(version, site, by=by, at=at, meaning=meaning)


def _locked_version(version: CriteriaVersion) -> CriteriaVersion:
    return CriteriaVersion.objects.select_for_update(of=("self",)).get(pk=version.pk)
