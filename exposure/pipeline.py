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

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from exposure.classify import assess
from exposure.classify.models import Assessment
from exposure.clear.models import Clearance
from exposure.clear.sign import may_sign, rule_on, sign, void_before_effect
from exposure.followup import alerts, expected, opening, plans, states
from exposure.followup.entry import read_entry
from exposure.followup.models import Check, FollowUp, FollowUpState, Reading, UnplacedReading
from exposure.followup.overview import overview
from exposure.followup.store_reading import Logged, follow_ups_taking_readings, log_entry
from exposure.followup.work_models import Alert
from exposure.people.access import Deed, require, require_for, roles_of
from exposure.people.models import User, Worker
from exposure.record import mark_withdrawn
from exposure.remind import reminders
from exposure.remind.models import Heartbeat
from exposure.remind.outbox import deliver
from exposure.remind.sweep import sweep
from exposure.report import flags
from exposure.report.events import join_event
from exposure.report.intake import store_breach
from exposure.report.models import Breach, Mark, OtherContent
from exposure.report.removals import unfinished_marks
from exposure.report.submission import BadSubmission, Problem, Submission, read_submission

Cause = Alert.Cause
NOT_ODD = frozenset({"self_answered", "time_missing", "station_missing"})
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
    one_at_a_time(breach.worker)
    join_event(breach, at=at)
    if breach.drill:
        alerts.raise_alert(breach, Cause.DRILL, _("A drill was reported."), site=breach.site, at=at)
        return Reported(breach, True, (), (), ring_now=False)
    assessments = assess.assess_report(breach, at=at)
    breach.confirm_due_at = min(plans.plan_in_force(one).confirm_within.after(at) for one in assessments)
    breach.told_due_at = at + timedelta(minutes=breach.site.told_within_minutes)
    breach.save()
    _raise_report_alerts(breach, assessments, at)
    opened = [open_exposure(one, at, reporter) for one in assessments]
    follow_ups = tuple(one for one in opened if one is not None)
    for follow_up in follow_ups:
        plan_readings(follow_up, at)
    ring_now = any(assess.is_highest(one) for one in assessments)
    return Reported(breach, True, tuple(assessments), follow_ups, ring_now)


def open_exposure(assessment: Assessment, at: datetime, by: User) -> FollowUp | None:
    """The follow-up that the assessed breach joins or opens. One signed off whose last day still runs goes on."""
    worker = assessment.breach.worker
    for signed_off in worker.follow_ups.filter(pathogen=assessment.pathogen, ended_at__gt=at):
        if plans.brings_follow_up(plans.plan_in_force(assessment)):
            go_on(signed_off, _("Another exposure was reported before the last day had ended."), at, by.actor)
    opened = opening.open_exposure(assessment, at=at, by=by.actor)
    return opened[0] if opened else None


def one_at_a_time(*workers: Worker) -> None:
    """Whatever opens, feeds or ends a worker's follow-ups waits here for its turn, until its transaction ends. Give all
    of several at once: they are taken in one order, so that no two wait for each other."""
    keys = {worker.pk for worker in workers}
    list(Worker.objects.select_for_update(no_key=True).filter(pk__in=keys).order_by("pk"))


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


def withdraw_unopened(follow_up: FollowUp, at: datetime) -> None:
    """The readings that have not opened are no longer asked for. One that was excused beforehand stays."""
    unopened = list(follow_up.checks.filter(withdrawn_at=None, opens_at__gt=at, fills=None))
    mark_withdrawn(Check.objects.filter(pk__in=[check.pk for check in unopened]), at=at)
    reminders.withdraw_rungs(unopened, at=at)


def plan_readings(follow_up: FollowUp, at: datetime) -> None:
    """Bring readings and their reminders in line with the follow-up's exposures, windows and zones. One that has
    ended asks for nothing more."""
    if follow_up.ended_at is not None and follow_up.ended_at <= at:
        return
    replanned = expected.plan_checks(follow_up, at=at)
    reminders.withdraw_rungs(replanned.withdrawn, at=at)
    reminders.plan_rungs(replanned.added, follow_up.worker)


# Follow up


def log_reading(*, body: Any, worker: Worker, entered_by: User, at: datetime) -> Logged:
    """Store a reading, fill what it fills and raise what it raises, once per `submission_id`.

    What is refused comes back in `problems`; a refused entry that would have been a trigger is kept and has
    raised its alert. Raises BadSubmission (wrong JSON types) and ContentConflict.
    """
    worker = worker.same_as or worker
    if worker.user_id != entered_by.pk:
        require_for(entered_by, Deed.ENTER_READING, worker, at=at)
    entry = read_entry(body, at=at)
    for last_try in (False, True):
        standing = _standing_reading(entry.submission_id, worker, entry.sha256)
        if standing is not None:
            return standing
        try:
            with transaction.atomic():
                one_at_a_time(worker)
                follow_ups = follow_ups_taking_readings(worker, at=at)
                if not follow_ups:
                    raise BadSubmission(Problem("", _nobody_follows(worker)))
                logged = log_entry(entry, worker, follow_ups, entered_by=entered_by, at=at)
                _void_clearances(follow_ups, logged, at)
                return logged
        except IntegrityError:
            if last_try:
                raise
    raise AssertionError("unreachable")


def _nobody_follows(worker: Worker) -> str:
    words = _("No readings are asked of this person. If you feel ill, ring %(phone)s.")
    return words % {"phone": worker.site.phone}


def _standing_reading(submission_id: uuid.UUID, worker: Worker, sha256: str) -> Logged | None:
    for model in (Reading, UnplacedReading):
        row = model.objects.filter(uid=submission_id).select_related("worker").first()
        if row is None:
            continue
        if worker.pk not in (row.worker_id, row.worker.same_as_id) or row.body_sha256 != sha256:
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
        go_on(follow_up, because, at, logged.row.recorded_by)


def go_on(follow_up: FollowUp, because: str, at: datetime, by: str) -> None:
    """A clearance, or the first of two signatures under it, that has not taken effect is void."""
    if void_before_effect(follow_up, because=because, at=at) and follow_up.ended_at is not None:
        states.enter_state(follow_up, FollowUpState.Kind.MONITORED, at=at, by=by, reason=because)
        follow_up.ended_at = None
        follow_up.save()


# Clear


def sign_clearance(*, follow_up: FollowUp, by: User, at: datetime) -> Clearance:
    """Sign the end of a follow-up, effective when its last day ends in the exposure's zone.

    Raises NotYet with what stands in the way, and PermissionDenied.
    """
    require(by, Deed.CLEAR, follow_up.site_id, follow_up.worker.user_id, at=at)
    with transaction.atomic():
        one_at_a_time(follow_up.worker)
        follow_up = (
            FollowUp.objects.select_for_update(of=("self",)).select_related("worker").get(pk=follow_up.pk)
        )
        standing = follow_up.clearances.filter(void_at=None, signed_at__isnull=False).first()
        if standing is not None:
            return standing
        if follow_up.ended_at is not None:
            raise NotYet("ended")
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
            states.end(follow_up, FollowUpState.Kind.CLEARED, at=at, ends_at=ends_at, by=by.actor)
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
        one_at_a_time(Worker.objects.get(follow_ups=follow_up_id))
        follow_up = (
            FollowUp.objects.select_for_update(of=("self",))
            .select_related("worker__site")
            .get(pk=follow_up_id)
        )
        if follow_up.ended_at is None:
            plan_readings(follow_up, at)


def pass_time(*, at: datetime) -> dict[str, int]:
    """Everything that time causes, then what waits in the outbox: what clock process and queue call."""
    done = {"unfinished_marks": send_unfinished_marks(at=at), **sweep(at=at)}
    return {**done, "delivered": deliver(at=at)}
