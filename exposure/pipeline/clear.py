"""When it may end: by a signed clearance or otherwise; and taken back."""

from datetime import datetime

from django.utils.translation import gettext as _

from exposure.attend import alerts, duties
from exposure.attend.models import Promise
from exposure.attend.overview import overview
from exposure.clear.models import Clearance
from exposure.clear.sign import may_sign, rule_on, sign, signed_already
from exposure.followup import join, states
from exposure.followup.finding import tested
from exposure.followup.models import FollowUp, FollowUpState
from exposure.people.access import require_on, roles_of
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, NotYet, Problem, require_text

Kind = FollowUpState.Kind
OTHER_ENDS = (
    Kind.FELL_ILL, Kind.RULED_OUT, Kind.HANDED_OVER, Kind.DECLINED, Kind.LEFT, Kind.LOST, Kind.DIED,
)  # fmt: skip


def sign_clearance(*, follow_up: FollowUp, by: User, at: datetime) -> Clearance:
    """Sign the end of a follow-up, effective when its last day ends in the exposure's zone.

    Signing again changes nothing. Raises NotYet with what stands in the way, Conflict where somebody has ended it
    otherwise, and PermissionDenied.
    """
    require_on(by, Deed.CLEAR, follow_up, at=at)
    with turn.of(follow_up.worker, at=at) as own:
        follow_up = turn.locked_follow_up(follow_up)
        standing = follow_up.clearances.filter(void_at=None, signed_at__isnull=False).first()
        if standing is not None:
            return standing
        if follow_up.ended_at is not None:
            ended = follow_up.states.last()
            if ended is None or not ended.basis:
                raise NotYet("ended")  # by itself, or joined to another
            own.clash(ended, "sign", follow_up.worker, follow_up.site)
            return None  # type: ignore[return-value]  # Conflict is raised when this is stored
        now = overview(follow_up, at=at)
        kinds = {role.kind for role in roles_of(by, at=at) if role.site_id in (None, follow_up.site_id)}
        if not may_sign(now, kinds):
            raise NotYet("physician_signs")
        ruling = rule_on(now)
        if not ruling.yes:
            raise NotYet(*ruling.reasons)
        if waiting := signed_already(now, by=by):
            return waiting
        clearance = sign(now, ruling, by=by, at=at)
        if clearance.signed_at is not None:
            duties.keep(follow_up.worker, [Promise.Kind.SIGN], by=by, at=at, follow_up=follow_up)
            turn.drop_calls([follow_up], because="ended", at=at)
            ends_at = clearance.effective_at
            states.end(follow_up, FollowUpState.Kind.CLEARED, at=at, ends_at=ends_at, by=by.actor)
        return clearance


def end_follow_up(
    *,
    follow_up: FollowUp,
    kind: str,
    reason: str,
    basis: str,
    accepted_by: str = "",
    hours_since_onset: int | None = None,
    by: User,
    at: datetime,
) -> FollowUpState:
    """End it in another way than by clearance, with the reason and the basis on which it was run. A hand-over names
    who has accepted it; `hours_since_onset` belong to the test that rules it out. Ending it so again changes nothing,
    for another reason it raises Conflict; one that has ended otherwise raises NotYet."""
    require_on(by, Deed.DECIDE_STATE, follow_up, at=at)
    if kind not in OTHER_ENDS:
        raise BadSubmission(Problem("/kind", _("Say how it ends.")))
    if basis not in FollowUpState.Basis.values:
        raise BadSubmission(Problem("/basis", _("Say on what basis the follow-up was run.")))
    require_text(reason, "/reason", _("Say why."))
    if kind == Kind.HANDED_OVER:
        require_text(
            accepted_by, "/accepted_by", _("Name who has accepted it, and where they can be reached.")
        )
    if hours_since_onset is not None:
        reason = tested(reason, hours_since_onset)
    with turn.of(follow_up.worker, at=at) as own, because_of(reason):
        follow_up = turn.locked_follow_up(follow_up)
        turn.go_on(follow_up, reason, at, by.actor)
        if follow_up.ended_at is None:
            said = {"reason": reason, "basis": basis}
            if kind == Kind.HANDED_OVER:
                said["accepted_by"] = accepted_by[:200]
            states.enter_state(follow_up, kind, at=at, by=by.actor, **said)
            follow_up.ended_at = at
            follow_up.save()
            turn.withdraw_unopened(follow_up, at)
            turn.plan_readings(follow_up, at)
            turn.drop_calls([follow_up], because="ended", at=at)
        ended = follow_up.states.last()
        if ended is None or ended.kind != kind:
            raise NotYet("ended")
        if (ended.reason.strip(), ended.basis) != (reason.strip(), basis):
            own.clash(ended, "end", follow_up.worker, follow_up.site, kind=kind, reason=reason, basis=basis)
        return ended


def reopen(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUp:
    """Take back an end, a clearance too. If another follow-up of the pathogen runs by then, the exposures join that
    one, which is returned. Reopening what runs, with the words with which it was reopened, changes nothing; with
    others, what was sent is kept, and Conflict raised with what stands.

    Raises NotYet where no exposure is left that counts.
    """
    require_on(by, Deed.DECIDE_STATE, follow_up, at=at)
    require_text(reason, "/reason", _("Say why it goes on."))
    with turn.of(follow_up.worker, at=at) as own, because_of(reason):
        follow_up = turn.locked_follow_up(follow_up)
        other = join.running_beside(follow_up, follow_up.worker, at)
        joined = other is not None and follow_up.exposures.count() == 0  # that one, before
        if follow_up.ended_at is None or joined:
            standing = states.state_of(follow_up)
            if standing is not None and not _reopened_so(follow_up, reason):
                own.clash(standing, "reopen", follow_up.worker, follow_up.site, reason=reason)
            return other if joined and other is not None else follow_up
        if not follow_up.exposures.filter(withdrawn_at=None).exists():
            raise NotYet("no_exposure")
        for clearance in follow_up.clearances.filter(void_at=None):
            clearance.void_at, clearance.void_because = at, reason
            clearance.save()
        if other is not None:
            turn.go_on(other, reason, at, by.actor)
            join.move_exposures(follow_up, other)
            alerts.move(follow_up, other, by, at)
            states.enter_state(follow_up, Kind.JOINED, at=at, by=by.actor, reason=reason)
            turn.plan_readings(other, at)
            return other
        _run_again(follow_up, reason, by, at)
        return follow_up


def _reopened_so(follow_up: FollowUp, reason: str) -> bool:
    """Whether it goes on since somebody has reopened it with these words."""
    said = follow_up.states.filter(kind__in=(*states.RUNNING, Kind.JOINED)).values_list("reason", flat=True)
    return reason.strip() in [words.strip() for words in said]


def _run_again(follow_up: FollowUp, reason: str, by: User, at: datetime) -> None:
    kind = Kind.PROVISIONAL if states.unconfirmed(follow_up) else Kind.MONITORED
    states.enter_state(follow_up, kind, at=at, by=by.actor, reason=reason)
    follow_up.ended_at = None
    follow_up.save()
    turn.plan_readings(follow_up, at)
