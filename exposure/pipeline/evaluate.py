"""A worker is looked at, or in hospital, and returns to readings."""

from datetime import datetime

from django.core.exceptions import PermissionDenied
from django.utils.translation import gettext as _

from exposure.followup import states
from exposure.followup.finding import finding_in_words
from exposure.followup.models import FollowUp, FollowUpState
from exposure.people.access import holds, require_on
from exposure.people.models import Role, User
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.record import because as because_of
from exposure.refusal import NotYet, require_text

Kind = FollowUpState.Kind


def begin_evaluation(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUpState:
    """The worker is being looked at: reminders and missed readings pause, the days count on. Beginning it again with
    the same words changes nothing; with others, what was sent is kept, and Conflict raised."""
    return _enter(follow_up, Kind.EVALUATED, reason, by, at)


def admit(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUpState:
    """In hospital: the ward enters the readings. Again as in `begin_evaluation`."""
    return _enter(follow_up, Kind.ADMITTED, reason, by, at)


def return_to_monitoring(
    *,
    follow_up: FollowUp,
    finding: str = "",
    diagnosis: str = "",
    test: str = "",
    hours_since_onset: int | None = None,
    by: User,
    at: datetime,
) -> FollowUpState:
    """Back to what it was before: provisional, or monitored. Only a physician may, naming the diagnosis, or a test with
    its result and its hours since onset; or in `finding` what else was found. What was asked meanwhile is explained by
    it. The same again changes nothing; another finding is kept, and Conflict raised with what stands.

    Raises BadSubmission at the field, and NotYet where there is nothing to return from.
    """
    if not holds(by, {Role.Kind.PHYSICIAN}, follow_up.site_id, at=at):
        raise PermissionDenied
    require_on(by, Deed.DECIDE_STATE, follow_up, at=at)
    reason = finding_in_words(finding, diagnosis=diagnosis, test=test, hours_since_onset=hours_since_onset)
    with turn.of(follow_up.worker, at=at) as own, because_of(reason):
        follow_up = turn.locked_follow_up(follow_up)
        if follow_up.ended_at is not None and follow_up.ended_at <= at:
            raise NotYet("ended")
        if states.pause_of(follow_up):
            return states.return_from_pause(follow_up, reason=reason, at=at, by=by.actor)
        returned = states.return_of(follow_up)
        if returned is None:
            raise NotYet("not_paused")
        if returned.reason != reason:
            own.clash(returned, "return", follow_up.worker, follow_up.site, reason=reason)
        return returned


def _enter(follow_up: FollowUp, kind: str, reason: str, by: User, at: datetime) -> FollowUpState:
    require_on(by, Deed.DECIDE_STATE, follow_up, at=at)
    require_text(reason, "/reason", _("Say what was found or decided."))
    with turn.of(follow_up.worker, at=at) as own, because_of(reason):
        follow_up = turn.locked_follow_up(follow_up)
        standing = states.state_of(follow_up)
        if standing is not None and standing.kind == kind and standing.reason.strip() != reason.strip():
            own.clash(standing, kind, follow_up.worker, follow_up.site, reason=reason)
        return turn.pause(follow_up, kind, reason, at, by.actor)
