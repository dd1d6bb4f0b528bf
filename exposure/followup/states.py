"""The states that a follow-up is in, one after the other, as rows."""

from datetime import datetime

from exposure.followup.models import FollowUp, FollowUpState


def state_of(follow_up: FollowUp) -> FollowUpState | None:
    """The state it is in now."""
    return follow_up.states.filter(until_at=None).first()


def enter_state(follow_up: FollowUp, kind: str, *, at: datetime, by: str, **said: str) -> FollowUpState:
    """End the present state and begin another; the same kind again changes nothing. `said`: reason, basis and
    accepted_by of the new one."""
    standing = state_of(follow_up)
    if standing is not None:
        if standing.kind == kind:
            return standing
        standing.until_at, standing.until_by = at, by
        standing.save()
    return FollowUpState.objects.create(follow_up=follow_up, kind=kind, from_at=at, by=by, **said)


def end(
    follow_up: FollowUp, kind: str, *, at: datetime, ends_at: datetime, by: str, reason: str = ""
) -> None:
    """End the follow-up at `ends_at` (a clearance: when the last day ends) in the given way."""
    enter_state(follow_up, kind, at=at, by=by, reason=reason)
    follow_up.ended_at = ends_at
    follow_up.save()
