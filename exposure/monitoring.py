"""How a follow-up goes on once it runs: withdrawal decided, evaluation, the other ways it ends, a changed case.

Every function asks `people.access` first and raises PermissionDenied. A changed case moves nobody by itself.
"""

from datetime import date, datetime, timedelta
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils.translation import gettext as _

from exposure import pipeline
from exposure.followup import alerts, opening
from exposure.followup.models import Exposure, FollowUp, FollowUpState, PrivateNote, Protection
from exposure.followup.work_models import Alert
from exposure.people.access import Deed, holds, require, require_for
from exposure.people.models import Role, User, Worker
from exposure.record import because as because_of
from exposure.report.models import Breach, Case, CaseStatement, WithdrawalDecision, WithdrawalRequest
from exposure.report.submission import BadSubmission, Problem

Kind = FollowUpState.Kind
OTHER_ENDS = (
    Kind.FELL_ILL, Kind.RULED_OUT, Kind.HANDED_OVER, Kind.DECLINED, Kind.LEFT, Kind.LOST, Kind.DIED,
)  # fmt: skip
BASES = ("agreed", "instruction", "order")
EARLY_TEST = timedelta(hours=72)  # a negative test taken within 72 hours of onset is repeated; from memory


def decide_withdrawal(
    *, request: WithdrawalRequest, accepted: bool, reason: str, by: User, at: datetime
) -> WithdrawalDecision:
    """A clinician has spoken with the worker. Accepted, the report's exposures no longer count, and a follow-up
    without any other ends. Decided once; deciding again changes nothing."""
    breach = request.breach
    require(by, Deed.DECIDE_WITHDRAWAL, breach.site_id, breach.worker.user_id, at=at)
    _needs(reason, "/reason", _("Say why, as discussed with the worker."))
    with transaction.atomic(), because_of(reason):
        breach = Breach.objects.select_for_update(of=("self",)).select_related("worker").get(pk=breach.pk)
        standing = WithdrawalDecision.objects.filter(request=request).first()
        if standing is not None:
            return standing
        decision = WithdrawalDecision.objects.create(request=request, accepted=accepted, reason=reason)
        if accepted:
            _withdraw(breach, reason, by, at)
        for alert in breach.alerts.filter(closed_at=None, cause=Alert.Cause.WITHDRAWAL):
            alerts.close(alert, outcome=Alert.Outcome.EVALUATED, note=reason, by=by, at=at)
        return decision


def _withdraw(breach: Breach, reason: str, by: User, at: datetime) -> None:
    breach.withdrawn_at = at
    breach.save()
    pipeline.one_at_a_time(breach.worker)
    for exposure in opening.exposures_of(breach):
        opening.take_out(exposure, reason=reason, at=at)
        follow_up = exposure.follow_up
        pipeline.plan_readings(follow_up, at)
        if not follow_up.exposures.filter(withdrawn_at=None).exists():
            opening.end(follow_up, Kind.RULED_OUT, at=at, ends_at=at, by=by.actor, reason=reason)


def correct_exposure(
    *, exposure: Exposure, occurred_at: datetime, reason: str, by: User, at: datetime
) -> Exposure:
    """The contact was at another time: a new row with its own day 0 stands in for the old one, which is kept.

    Tasks go with it, and those that count from the exposure are dated anew. The same time again changes nothing.
    """
    follow_up = exposure.follow_up
    require(by, Deed.RECORD_EXPOSURE, follow_up.site_id, follow_up.worker.user_id, at=at)
    if occurred_at > at:
        raise BadSubmission(Problem("/occurred_at", _("This time has not come yet.")))
    _needs(reason, "/reason", _("Say how you know the time."))
    with transaction.atomic(), because_of(reason):
        pipeline.one_at_a_time(follow_up.worker)
        exposure = Exposure.objects.select_for_update(of=("self",)).get(pk=exposure.pk)
        if exposure.withdrawn_at is not None or exposure.occurred_at == occurred_at:
            return Exposure.objects.filter(corrects=exposure).first() or exposure
        corrected = opening.correct(exposure, occurred_at, reason=reason, at=at)
        pipeline.plan_readings(_locked(follow_up), at)
        return corrected


def begin_evaluation(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUpState:
    """The worker is being looked at: reminders and missed readings pause, the days count on."""
    return _enter(follow_up, Kind.EVALUATED, reason, by, at)


def admit(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUpState:
    """In hospital: the ward enters the readings."""
    return _enter(follow_up, Kind.ADMITTED, reason, by, at)


def return_to_monitoring(*, follow_up: FollowUp, finding: str, by: User, at: datetime) -> FollowUpState:
    """Back to readings. Only a physician may, naming the diagnosis, or the test and its hours since onset."""
    if not holds(by, {Role.Kind.PHYSICIAN}, follow_up.site_id, at=at):
        raise PermissionDenied
    return _enter(follow_up, Kind.MONITORED, finding, by, at)


def end_follow_up(
    *, follow_up: FollowUp, kind: str, reason: str, basis: str, by: User, at: datetime
) -> FollowUpState:
    """End it in another way than by clearance, with the reason and the basis on which it was run."""
    require(by, Deed.DECIDE_STATE, follow_up.site_id, follow_up.worker.user_id, at=at)
    if kind not in OTHER_ENDS:
        raise BadSubmission(Problem("/kind", _("Say how it ends.")))
    if basis not in BASES:
        raise BadSubmission(Problem("/basis", _("Say on what basis the follow-up was run.")))
    _needs(reason, "/reason", _("Say why; for a hand-over, who has accepted it."))
    with transaction.atomic(), because_of(reason):
        follow_up = _locked(follow_up)
        if follow_up.ended_at is None:
            opening.enter_state(follow_up, kind, at=at, by=by.actor, reason=reason, basis=basis)
            follow_up.ended_at = at
            follow_up.save()
            pipeline.withdraw_unopened(follow_up, at)
        return follow_up.states.last()


def _enter(follow_up: FollowUp, kind: str, reason: str, by: User, at: datetime) -> FollowUpState:
    require(by, Deed.DECIDE_STATE, follow_up.site_id, follow_up.worker.user_id, at=at)
    _needs(reason, "/reason", _("Say what was found or decided."))
    with transaction.atomic(), because_of(reason):
        follow_up = _locked(follow_up)
        if follow_up.ended_at is not None:
            raise pipeline.NotYet("ended")
        return opening.enter_state(follow_up, kind, at=at, by=by.actor, reason=reason)


def state_case(
    *,
    case: Case,
    pathogen: str,
    status: str,
    onset_on: date | None = None,
    hours_since_onset: int | None = None,
    facts: dict[str, Any] | None = None,
    note: str = "",
    by: User,
    at: datetime,
) -> CaseStatement:
    """State anew what a case has. It moves nobody: each linked follow-up that runs gets an alert, so that a
    physician decides. The same statement again changes nothing."""
    require(by, Deed.STATE_CASE, case.site_id, at=at)
    if status not in CaseStatement.Status.values:
        raise BadSubmission(Problem("/status", _("Say whether it is suspected, confirmed or ruled out.")))
    said = {
        "status": status,
        "onset_on": onset_on,
        "hours_since_onset": hours_since_onset,
        "facts": facts or {},
        "note": note,
    }
    with transaction.atomic():
        Case.objects.select_for_update(of=("self",)).get(pk=case.pk)
        newest = case.statements.filter(pathogen=pathogen).last()
        if newest is not None and all(getattr(newest, name) == value for name, value in said.items()):
            return newest
        statement = CaseStatement.objects.create(case=case, pathogen=pathogen, **said)
        because = _case_changed(case, statement)
        for follow_up in linked_follow_ups(case, pathogen, at=at):
            alerts.raise_alert(
                follow_up, Alert.Cause.CASE_CHANGED, because, site=follow_up.site, at=at, urgent=False
            )
        return statement


def linked_follow_ups(case: Case, pathogen: str | None = None, *, at: datetime) -> list[FollowUp]:
    """The running follow-ups with a standing exposure to the case."""
    standing = Exposure.objects.filter(breach__case=case, withdrawn_at=None)
    running = FollowUp.objects.running(at=at).filter(exposures__in=standing)
    if pathogen is not None:
        running = running.filter(pathogen=pathogen)
    return list(running.distinct().select_related("worker", "site"))


def _case_changed(case: Case, statement: CaseStatement) -> str:
    words = _("Case %(case)s, %(pathogen)s: now %(status)s.") % {
        "case": case.code,
        "pathogen": statement.pathogen,
        "status": statement.get_status_display(),
    }
    hours = statement.hours_since_onset
    if (
        statement.status == CaseStatement.Status.RULED_OUT
        and hours is not None
        and timedelta(hours=hours) < EARLY_TEST
    ):
        words += " " + _(
            "The test was taken %(hours)s hours after onset, before 72 hours: it is usually repeated."
        ) % {"hours": hours}
    return words


def note_privately(
    *, worker: Worker, fever_unreliable: bool, text: str, by: User, at: datetime
) -> PrivateNote:
    """What only clinicians see. With `fever_unreliable`, feeling unwell is a symptom from the next reading on."""
    require_for(by, Deed.NOTE_PRIVATELY, worker, at=at)
    with transaction.atomic():
        note, _fresh = PrivateNote.objects.select_for_update(of=("self",)).get_or_create(worker=worker)
        if (note.fever_unreliable, note.text) != (fever_unreliable, text):
            note.fever_unreliable, note.text = fever_unreliable, text
            note.save()
        return note


def record_protection(
    *, worker: Worker, kind: str, what: str, given_at: datetime, batch: str = "", by: User, at: datetime
) -> Protection:
    """Vaccine or prophylaxis given: shown beside every alert; no threshold moves. The same entry once."""
    require_for(by, Deed.RECORD_PROTECTION, worker, at=at)
    if kind not in Protection.Kind.values:
        raise BadSubmission(Problem("/kind", _("Say whether it was a vaccine or prophylaxis.")))
    _needs(what, "/what", _("Name what was given."))
    if given_at > at:
        raise BadSubmission(Problem("/given_at", _("This time has not come yet.")))
    given = {"worker": worker, "kind": kind, "what": what, "given_at": given_at, "batch": batch}
    with transaction.atomic():
        return Protection.objects.filter(**given).first() or Protection.objects.create(**given)


def _needs(text: str, pointer: str, message: str) -> None:
    if not text.strip():
        raise BadSubmission(Problem(pointer, message))


def _locked(follow_up: FollowUp) -> FollowUp:
    rows = FollowUp.objects.select_for_update(of=("self",)).select_related("worker__site", "site")
    return rows.get(pk=follow_up.pk)
