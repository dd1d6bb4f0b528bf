"""A breach is reported, marked or asked to be withdrawn; a case is opened, stated anew, closed."""

import logging
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.classify import assess, concerned
from exposure.classify.models import Assessment
from exposure.followup.cases import linked_follow_ups
from exposure.followup.models import FollowUp
from exposure.people.access import find, require_on
from exposure.people.models import User
from exposure.people.policy import Deed, View
from exposure.pipeline import classify, follow, turn
from exposure.places.models import Station
from exposure.refusal import BadSubmission, Conflict, Problem
from exposure.report import flags
from exposure.report.cases import CODE, LONGEST_CODE, case_changed
from exposure.report.events import join_event
from exposure.report.intake import complete_person, store_breach
from exposure.report.models import (
    Breach,
    Case,
    CaseStatement,
    Mark,
    OtherContent,
    PhonedIn,
    Removal,
    WithdrawalRequest,
)
from exposure.report.moments import slip_in
from exposure.report.submission import Submission, read_submission

Cause = Alert.Cause
BY_THE_REPORTER = (Assessment.Kind.REPORT, Assessment.Kind.FACTS)
NOT_ODD = frozenset(
    {"self_answered", "time_missing", "station_missing", "observer_not_proved", "removal_awaited"}
)
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Reported:
    """A stored report. `created` is False when the same submission came again."""

    breach: Breach
    created: bool
    assessments: tuple[Assessment, ...]
    follow_ups: tuple[FollowUp, ...]
    ring_now: bool


@turn.again_after_deadlock
def report_breach(*, body: Any, reporter: User, at: datetime) -> Reported:
    """Store the report, assess it and open the follow-up, all or nothing, once per `submission_id`.

    Raises BadSubmission (wrong JSON types, no id) and Conflict (the id stands with other content, which is
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
    with turn.of(breach.worker, at=at):
        join_event(breach, at=at)
        if breach.drill:
            alerts.raise_alert(breach, Cause.DRILL, _("A drill was reported."), site=breach.site, at=at)
            return Reported(breach, True, (), (), ring_now=False)
        assessments = concerned.assess_report(breach, at=at)
        breach.save()  # what the assessment noticed
        _raise_report_alerts(breach, assessments, at)
        opened = [follow.open_exposure(assessment, at, reporter) for assessment in assessments]
        follow_ups = tuple(follow_up for follow_up in opened if follow_up is not None)
        for follow_up in follow_ups:
            turn.plan_readings(follow_up, at)
        ring_now = any(assess.is_highest(assessment) for assessment in assessments)
        return Reported(breach, True, tuple(assessments), follow_ups, ring_now)


def _raise_report_alerts(breach: Breach, assessments: list[Assessment], at: datetime) -> None:
    classify.alert_if_unassessed(breach, assessments, at)
    said = NOT_ODD.union(flags.criteria_that_failed(breach.flags))
    odd = [flag for flag in breach.flags if flag not in said]
    if odd:
        alerts.raise_alert(breach, Cause.TO_LOOK_AT, flags.in_an_alert(odd), site=breach.site, at=at)


def _again(standing: Breach, submission: Submission, at: datetime) -> Reported:
    if standing.body_sha256 != submission.sha256:
        with transaction.atomic():
            _row, fresh = OtherContent.objects.get_or_create(
                breach=standing, body_sha256=submission.sha256, defaults={"body": submission.body}
            )
            if fresh:
                because = _("The same report was sent again with other content; both are kept.")
                alerts.raise_alert(standing, Cause.OTHER_CONTENT, because, site=standing.site, at=at)
        raise Conflict
    assessments = tuple(standing.assessments.filter(kind=Assessment.Kind.REPORT))
    follow_ups = tuple(FollowUp.objects.filter(exposures__breach=standing).distinct())
    return Reported(
        standing, False, assessments, follow_ups, any(assess.is_highest(one) for one in assessments)
    )


def report_mark(*, mark: Mark, body: dict[str, Any], reporter: User, at: datetime) -> Reported:
    """Send the report of one's own mark and tie the two together. Where the mark has been sent as it stood meanwhile,
    what is answered now is added to that report. Raises Conflict only where somebody else's report has its id."""
    mark = find(reporter, Mark.objects.all(), View.AUTHOR, at=at, pk=mark.pk)
    return report_of_mark(mark=mark, body=body, reporter=reporter, at=at)


def report_of_mark(*, mark: Mark, body: dict[str, Any], reporter: User, at: datetime) -> Reported:
    """The same for a mark of a removal that the reporter's own tablet has sent."""
    submission = read_submission(body)
    with transaction.atomic():
        mark, standing = _locked_mark(mark, submission.submission_id)
        reported: Reported | None = None
        if standing is None:
            reported = report_breach(body=body, reporter=reporter, at=at)
        elif standing.reported_by_id in (reporter.pk, mark.removal.observer_id):
            reported = _add_later(standing, submission, reporter, at)
        _tie(mark, reported.breach if reported else standing)
    # Somebody else's: this keeps what was sent beside it, and says Conflict.
    return reported or report_breach(body=body, reporter=reporter, at=at)


def add_to_report(*, breach: Breach, body: dict[str, Any], reporter: User, at: datetime) -> Reported:
    """What is answered after the reporter's own report was sent as it stood."""
    submission = read_submission(body)
    with transaction.atomic():
        return _add_later(breach, submission, reporter, at)


def _locked_mark(mark: Mark, submission_id: UUID) -> tuple[Mark, Breach | None]:
    """The mark as it stands now, and the report that stands for it."""
    mark = Mark.objects.select_for_update(of=("self",)).select_related("breach", "removal").get(pk=mark.pk)
    return mark, mark.breach or Breach.objects.filter(uid=submission_id).first()


def _tie(mark: Mark, breach: Breach | None) -> None:
    if mark.breach_id is None:
        mark.deviation_at, mark.breach = None, breach
        mark.save()


def tie_to_report(mark: Mark) -> None:
    """A mark to the report that a tablet has made of it, where that has come: it has the mark's id."""
    with transaction.atomic():
        mark, standing = _locked_mark(mark, mark.uid)
        if standing is not None and standing.site_id == mark.removal.site_id:
            _tie(mark, standing)


def _add_later(standing: Breach, submission: Submission, by: User, at: datetime) -> Reported:
    """What the reporter answers after the report was sent: its facts are assessed further, how to reach somebody on no
    list is taken over, and the whole is kept for the nurse, once."""
    if submission.sha256 != standing.body_sha256:
        _row, fresh = OtherContent.objects.get_or_create(
            breach=standing, body_sha256=submission.sha256, defaults={"body": submission.body}
        )
        if fresh:
            complete_person(standing.worker, submission.person)
            if submission.facts and not standing.drill and standing.reported_by_id == by.pk:
                classify.answer_facts(breach=standing, facts=submission.facts, by=by, at=at)
            because = _("Answers came after the report had been sent as it stood: they are added.")
            alerts.raise_alert(standing, Cause.OTHER_CONTENT, because, site=standing.site, at=at)
    assessments = tuple(standing.assessments.filter(kind__in=BY_THE_REPORTER))
    follow_ups = tuple(FollowUp.objects.filter(exposures__breach=standing).distinct())
    return Reported(standing, False, assessments, follow_ups, must_ring(standing))


def must_ring(breach: Breach) -> bool:
    """Whether the reporter is to ring occupational health at once: by what was reported, or answered after it."""
    taken = breach.assessments.filter(kind__in=BY_THE_REPORTER).select_related("version")
    return any(assess.is_highest(assessment) for assessment in taken)


def phone_in(*, breach: Breach, by: User, at: datetime) -> PhonedIn:
    """The reporter has told occupational health by telephone. Once; again changes nothing."""
    breach = find(by, Breach.objects.all(), View.AUTHOR, at=at, pk=breach.pk)
    phoned, _fresh = PhonedIn.objects.get_or_create(breach=breach)
    return phoned


def send_unfinished_mark(mark: Mark, *, at: datetime) -> None:
    """A mark not completed in time is sent as it stands, with the step and what went wrong as marked; what is not
    answered is unknown, so the ceiling rules."""
    try:
        _send_as_it_stands(mark, at)
    except Conflict:
        log.warning("Mark %s had been reported with other content; both are kept.", mark.uid)


def _send_as_it_stands(mark: Mark, at: datetime) -> None:
    removal, observer = mark.removal, mark.removal.observer
    assert observer is not None  # `unfinished_marks` leaves the others out
    failure = mark.failure.code if mark.failure else ""
    body = body_as_it_stands(removal, mark.uid, mark.marked_at, step=mark.step.code, failure=failure)
    with transaction.atomic():
        mark, standing = _locked_mark(mark, mark.uid)
        if mark.deviation_at is not None or mark.breach is not None:
            return  # answered a moment ago
        _tie(mark, standing or report_breach(body=body, reporter=observer, at=at).breach)
    if standing is not None and standing.reported_by_id != observer.pk:
        report_breach(body=body, reporter=observer, at=at)  # keeps both, and says Conflict


def body_as_it_stands(
    removal: Removal, uid: UUID, marked_at: datetime, *, step: str, failure: str
) -> dict[str, Any]:
    """A report of what was marked in a removal, with nothing answered: the ceiling rules."""
    worker = removal.worker
    return {
        "submission_id": str(uid),
        "station": removal.station.code,
        "worker": str(worker.uid) if worker else None,
        "person": {"name": worker.name} if worker and removal.unlisted else None,
        "occurred_at": marked_at.isoformat(),
        "drill": removal.drill,
        "step": step,
        "removal": str(removal.uid),
        "what_happened": failure or None,
    }


def ask_withdrawal(*, breach: Breach, reason: str, by: User, at: datetime) -> WithdrawalRequest:
    """A request of the reporter, or of a clinician; the follow-up runs until a clinician has decided. Asking again
    changes nothing."""
    if breach.reported_by_id != by.pk:
        require_on(by, Deed.ANSWER, breach, at=at)
    with turn.of(breach.worker, at=at):
        breach = turn.locked_breach(breach)
        standing = breach.withdrawal_requests.filter(recorded_by=by.actor, decision=None).first()
        if standing is not None:
            return standing
        request = WithdrawalRequest.objects.create(breach=breach, reason=reason)
        because = _("Withdrawal asked for: %(reason)s") % {"reason": reason}
        alerts.raise_alert(breach, Cause.WITHDRAWAL, because, site=breach.site, at=at)
        return request


def open_case(*, station: Station, code: str, opened_at: datetime, by: User, at: datetime) -> Case:
    """Open a case at the station since `opened_at`: reports of what happened there from then on take it up. The same
    code again at the same station changes nothing. Raises BadSubmission at the field."""
    require_on(by, Deed.STATE_CASE, station, at=at)
    code = code.strip().upper()
    if len(code) > LONGEST_CODE or not CODE.fullmatch(code):
        message = _(
            "Use capital letters and digits, at least one digit, at most %(most)s in all. Never a name."
        )
        raise BadSubmission(Problem("/code", message % {"most": LONGEST_CODE}))
    if slip := slip_in(opened_at, "/opened_at", at=at):
        raise BadSubmission(slip)
    said = {"site": station.site, "station": station, "opened_at": opened_at}
    case, _fresh = Case.objects.get_or_create(code=code, defaults=said)
    if case.station_id != station.pk or case.closed_at is not None:
        raise BadSubmission(Problem("/code", _("Another case has this code. Take a new one.")))
    return case


def close_case(*, case: Case, by: User, at: datetime) -> Case:
    """Reports of what happens at the station from now on no longer take it up; follow-ups run on. Once."""
    require_on(by, Deed.STATE_CASE, case, at=at)
    with transaction.atomic():
        case = Case.objects.select_for_update(no_key=True).get(pk=case.pk)
        if case.closed_at is None:
            case.closed_at = at
            case.save()
        return case


def state_case(
    *,
    case: Case,
    pathogen: str,
    status: str,
    onset_on: date | None = None,
    hours_since_onset: int | None = None,
    facts: dict[str, Any] | None = None,
    note: str = "",
    seen: UUID | None = None,
    by: User,
    at: datetime,
) -> CaseStatement:
    """State anew what a case has. It moves nobody: each linked follow-up that runs gets an alert, so that a
    physician decides; where the pathogen is new to the case, also those for its other ones. The same statement again
    changes nothing. `seen` is the statement that was before the writer, None where there was none: if somebody has
    stated something else since, what was sent is kept, and Conflict raised with the statement that stands."""
    require_on(by, Deed.STATE_CASE, case, at=at)
    if status not in CaseStatement.Status.values:
        raise BadSubmission(Problem("/status", _("Say whether it is suspected, confirmed or ruled out.")))
    said = {
        "status": status,
        "onset_on": onset_on,
        "hours_since_onset": hours_since_onset,
        "facts": facts or {},
        "note": note,
    }
    with turn.of(at=at) as own:
        Case.objects.select_for_update(no_key=True).get(pk=case.pk)
        newest = case.statements.filter(pathogen=pathogen).last()
        if newest is not None and all(getattr(newest, name) == value for name, value in said.items()):
            return newest
        if newest is not None and newest.recorded_by != by.actor and seen != newest.uid:
            sent = {**said, "pathogen": pathogen, "onset_on": str(onset_on or "")}
            own.clash(newest, "state_case", None, case.site, **sent)
            return newest
        statement = CaseStatement.objects.create(case=case, pathogen=pathogen, **said)
        because = case_changed(case, statement)
        alerts.raise_many(
            [
                alerts.Raising(follow_up, Cause.CASE_CHANGED, because, follow_up.site, urgent=False)
                for follow_up in linked_follow_ups(case, pathogen if newest else None, at=at)
            ],
            at=at,
        )
        return statement
