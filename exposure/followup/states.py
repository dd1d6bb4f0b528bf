"""The states that a follow-up is in, one after the other, as rows."""

from datetime import datetime

from django.db.models import QuerySet

from exposure.followup.models import FollowUp, FollowUpState

PAUSED = (
    FollowUpState.Kind.EVALUATED,
    FollowUpState.Kind.ADMITTED,
)  # no reminders, and no reading is missing


def died() -> QuerySet[FollowUpState]:
    """The states that say so, as long as nobody has taken them back. It is true of all that a person's follow-ups ask,
    whichever of them says it."""
    return FollowUpState.objects.filter(kind=FollowUpState.Kind.DIED, until_at=None)


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


def settle(follow_up: FollowUp, *, reason: str, at: datetime, by: str) -> None:
    """What runs without an exposure that counts ends, for that reason; once every report behind it is confirmed, it
    is provisional no longer."""
    if follow_up.ended_at is not None:
        return
    standing = list(follow_up.exposures.filter(withdrawn_at=None).select_related("breach"))
    if not standing:
        end(follow_up, FollowUpState.Kind.RULED_OUT, at=at, ends_at=at, by=by, reason=reason)
    elif all(one.breach is None or one.breach.confirmed_at is not None for one in standing):
        state = state_of(follow_up)
        if state is not None and state.kind == FollowUpState.Kind.PROVISIONAL:
            enter_state(follow_up, FollowUpState.Kind.MONITORED, at=at, by=by)


def end(
    follow_up: FollowUp, kind: str, *, at: datetime, ends_at: datetime, by: str, reason: str = ""
) -> None:
    """End the follow-up at `ends_at` (a clearance: when the last day ends) in the given way."""
    enter_state(follow_up, kind, at=at, by=by, reason=reason)
    follow_up.ended_at = ends_at
    follow_up.save()
