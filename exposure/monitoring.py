"""How a follow-up goes on once it runs: withdrawal decided, evaluation, the other ways it ends.

Every function asks `people.access` first and raises PermissionDenied.
"""

from datetime import datetime

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils.translation import gettext as _

from exposure import pipeline
from exposure.followup import alerts, join, opening, states
from exposure.followup.models import Exposure, FollowUp, FollowUpState, PrivateNote, Protection
from exposure.followup.work_models import Alert
from exposure.people.access import Deed, holds, require, require_for
from exposure.people.models import Role, User, Worker
from exposure.record import because as because_of
from exposure.report.models import Breach, WithdrawalDecision, WithdrawalRequest
from exposure.report.moments import slip_in
from exposure.report.submission import BadSubmission, Problem

Kind = FollowUpState.Kind
OTHER_ENDS = (
    Kind.FELL_ILL, Kind.RULED_OUT, Kind.HANDED_OVER, Kind.DECLINED, Kind.LEFT, Kind.LOST, Kind.DIED,
)  # fmt: skip


def decide_withdrawal(
    *, request: WithdrawalRequest, accepted: bool, reason: str, by: User, at: datetime
) -> WithdrawalDecision:
    """A clinician has spoken with the worker. Accepted, the report's exposures no longer count, and a follow-up
    without any other ends. Decided once; deciding again changes nothing."""
    breach = request.breach
    require(by, Deed.DECIDE_WITHDRAWAL, breach.site_id, breach.worker.user_id, at=at)
    _needs(reason, "/reason", _("Say why, as discussed with the worker."))
    with transaction.atomic(), because_of(reason):
        pipeline.one_at_a_time(breach.worker)
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
    for exposure in opening.exposures_of(breach):
        opening.take_out(exposure, reason=reason, at=at)
        follow_up = exposure.follow_up
        pipeline.go_on(follow_up, reason, at, by.actor)
        pipeline.plan_readings(follow_up, at)
        states.settle(follow_up, reason=reason, at=at, by=by.actor)


def correct_exposure(
    *, exposure: Exposure, occurred_at: datetime, reason: str, by: User, at: datetime
) -> Exposure:
    """The contact was at another time: a new row with its own day 0 stands in for the old one, which is kept.

    Tasks go with it, and those that count from the exposure are dated anew. The same time again changes nothing.
    """
    follow_up = exposure.follow_up
    require(by, Deed.RECORD_EXPOSURE, follow_up.site_id, follow_up.worker.user_id, at=at)
    if slip := slip_in(occurred_at, "/occurred_at", at=at):
        raise BadSubmission(slip)
    _needs(reason, "/reason", _("Say how you know the time."))
    with transaction.atomic(), because_of(reason):
        pipeline.one_at_a_time(follow_up.worker)
        exposure = Exposure.objects.select_for_update(of=("self",)).get(pk=exposure.pk)
        if exposure.withdrawn_at is not None or exposure.occurred_at == occurred_at:
            return Exposure.objects.filter(corrects=exposure).first() or exposure
        corrected = opening.correct(exposure, occurred_at, reason=reason, at=at)
        follow_up = _locked(follow_up)
        pipeline.go_on(follow_up, reason, at, by.actor)
        pipeline.plan_readings(follow_up, at)
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
    *,
    follow_up: FollowUp,
    kind: str,
    reason: str,
    basis: str,
    accepted_by: str = "",
    by: User,
    at: datetime,
) -> FollowUpState:
    """End it in another way than by clearance, with the reason and the basis on which it was run. A hand-over names
    who has accepted it. Ending it so again changes nothing; one that has ended otherwise raises NotYet."""
    require(by, Deed.DECIDE_STATE, follow_up.site_id, follow_up.worker.user_id, at=at)
    if kind not in OTHER_ENDS:
        raise BadSubmission(Problem("/kind", _("Say how it ends.")))
    if basis not in FollowUpState.Basis.values:
        raise BadSubmission(Problem("/basis", _("Say on what basis the follow-up was run.")))
    _needs(reason, "/reason", _("Say why."))
    if kind == Kind.HANDED_OVER:
        _needs(accepted_by, "/accepted_by", _("Name who has accepted it, and where they can be reached."))
    with transaction.atomic(), because_of(reason):
        follow_up = _locked(follow_up)
        pipeline.go_on(follow_up, reason, at, by.actor)
        if follow_up.ended_at is None:
            said = {"reason": reason, "basis": basis}
            if kind == Kind.HANDED_OVER:
                said["accepted_by"] = accepted_by[:200]
            states.enter_state(follow_up, kind, at=at, by=by.actor, **said)
            follow_up.ended_at = at
            follow_up.save()
            pipeline.withdraw_unopened(follow_up, at)
        ended = follow_up.states.last()
        if ended.kind != kind:
            raise pipeline.NotYet("ended")
        return ended


def reopen(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUp:
    """Take back an end, a clearance too. If another follow-up of the pathogen runs by then, the exposures join that
    one, which is returned. Reopening what runs changes nothing.

    Raises NotYet where no exposure is left that counts.
    """
    require(by, Deed.DECIDE_STATE, follow_up.site_id, follow_up.worker.user_id, at=at)
    _needs(reason, "/reason", _("Say why it goes on."))
    with transaction.atomic(), because_of(reason):
        follow_up = _locked(follow_up)
        other = join.running_beside(follow_up, follow_up.worker, at)
        if follow_up.ended_at is None:
            return follow_up
        if not follow_up.exposures.filter(withdrawn_at=None).exists():
            if other is not None and follow_up.exposures.count() == 0:
                return other  # its exposures have joined that one before
            raise pipeline.NotYet("no_exposure")
        for clearance in follow_up.clearances.filter(void_at=None):
            clearance.void_at, clearance.void_because = at, reason
            clearance.save()
        if other is not None:
            pipeline.go_on(other, reason, at, by.actor)
            join.move_exposures(follow_up, other, by=by, at=at)
            states.enter_state(follow_up, Kind.JOINED, at=at, by=by.actor, reason=reason)
            pipeline.plan_readings(other, at)
            return other
        _run_again(follow_up, reason, by, at)
        return follow_up


def _run_again(follow_up: FollowUp, reason: str, by: User, at: datetime) -> None:
    unconfirmed = follow_up.exposures.filter(withdrawn_at=None, breach__confirmed_at=None).exclude(
        breach=None
    )
    kind = Kind.PROVISIONAL if unconfirmed.exists() else Kind.MONITORED
    states.enter_state(follow_up, kind, at=at, by=by.actor, reason=reason)
    follow_up.ended_at = None
    follow_up.save()
    pipeline.plan_readings(follow_up, at)


def _enter(follow_up: FollowUp, kind: str, reason: str, by: User, at: datetime) -> FollowUpState:
    require(by, Deed.DECIDE_STATE, follow_up.site_id, follow_up.worker.user_id, at=at)
    _needs(reason, "/reason", _("Say what was found or decided."))
    with transaction.atomic(), because_of(reason):
        follow_up = _locked(follow_up)
        pipeline.go_on(follow_up, reason, at, by.actor)
        if follow_up.ended_at is not None:
            raise pipeline.NotYet("ended")
        return states.enter_state(follow_up, kind, at=at, by=by.actor, reason=reason)


def note_privately(
    *, worker: Worker, fever_unreliable: bool, text: str, by: User, at: datetime
) -> PrivateNote:
    """What only clinicians see. With `fever_unreliable`, feeling unwell is a symptom from the next reading on."""
    worker = worker.same_as or worker
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
    worker = worker.same_as or worker
    require_for(by, Deed.RECORD_PROTECTION, worker, at=at)
    if kind not in Protection.Kind.values:
        raise BadSubmission(Problem("/kind", _("Say whether it was a vaccine or prophylaxis.")))
    _needs(what, "/what", _("Name what was given."))
    if slip := slip_in(given_at, "/given_at", at=at):
        raise BadSubmission(slip)
    given = {"worker": worker, "kind": kind, "what": what, "given_at": given_at, "batch": batch}
    with transaction.atomic():
        return Protection.objects.filter(**given).first() or Protection.objects.create(**given)


def _needs(text: str, pointer: str, message: str) -> None:
    if not text.strip():
        raise BadSubmission(Problem(pointer, message))


def _locked(follow_up: FollowUp) -> FollowUp:
    pipeline.one_at_a_time(follow_up.worker)
    rows = FollowUp.objects.select_for_update(of=("self",)).select_related("worker__site", "site")
    return rows.get(pk=follow_up.pk)
