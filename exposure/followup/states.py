"""The states that a follow-up is in, one after the other, as rows."""

from datetime import datetime
from itertools import takewhile

from django.db.models import Exists, OuterRef, QuerySet
from django.utils.translation import gettext as _

from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Fill, FollowUp, FollowUpState
from exposure.record import insert_many

PAUSED = (
    FollowUpState.Kind.EVALUATED,
    FollowUpState.Kind.ADMITTED,
)  # no reminders, and no reading is missing

RUNNING = (FollowUpState.Kind.PROVISIONAL, FollowUpState.Kind.MONITORED)


def died() -> QuerySet[FollowUpState]:
    """The states that say so, as long as nobody has taken them back. It is true of all that a person's follow-ups ask,
    whichever of them says it."""
    return FollowUpState.objects.filter(kind=FollowUpState.Kind.DIED, until_at=None)


def state_of(follow_up: FollowUp) -> FollowUpState | None:
    """The state it is in now."""
    return follow_up.states.filter(until_at=None).first()


def enter_state(follow_up: FollowUp, kind: str, *, at: datetime, by: str, **said: str) -> FollowUpState:
    """End the present state and begin another; the same kind again changes nothing. `said`: reason, basis and
    accepted_by of the new one. Who leaves an evaluation, or a ward, is not asked for the readings of that time."""
    standing = state_of(follow_up)
    if standing is not None:
        if standing.kind == kind:
            return standing
        if standing.kind in PAUSED and kind not in PAUSED:
            reason = said.get("reason", "").strip() or standing.reason
            _excuse_paused(follow_up, reason or _("Being evaluated, or in hospital."), at)
        standing.until_at, standing.until_by = at, by
        standing.save()
    return FollowUpState.objects.create(follow_up=follow_up, kind=kind, from_at=at, by=by, **said)


def pause_of(follow_up: FollowUp) -> list[FollowUpState]:
    """The states of the evaluation that is under way, the newest first; none where there is none."""
    newest_first = follow_up.states.order_by("-id")
    return list(takewhile(lambda state: state.kind in PAUSED, newest_first))


def _excuse_paused(follow_up: FollowUp, reason: str, at: datetime) -> None:
    """What was asked for while clinicians had the worker, has closed, and was not answered."""
    begun = min(state.from_at for state in pause_of(follow_up))
    inside = Check.objects.filter(
        follow_up=follow_up, withdrawn_at=None, opens_at__lt=at, closes_at__gt=begun, closes_at__lte=at
    )
    unanswered = inside.exclude(Exists(Fill.objects.filter(standing_fill(), check_row=OuterRef("pk"))))
    insert_many(Fill, [Fill(check_row=check, state="excused", reason=reason) for check in unanswered])


def return_from_pause(follow_up: FollowUp, *, reason: str, at: datetime, by: str) -> FollowUpState:
    """Back to what it was before the evaluation; provisional no longer where every report was confirmed meanwhile."""
    before = follow_up.states.exclude(kind__in=PAUSED).last()
    provisional = before is not None and before.kind == FollowUpState.Kind.PROVISIONAL
    if provisional and unconfirmed(follow_up):
        return enter_state(follow_up, before.kind, at=at, by=by, reason=reason)
    return enter_state(follow_up, FollowUpState.Kind.MONITORED, at=at, by=by, reason=reason)


def return_of(follow_up: FollowUp) -> FollowUpState | None:
    """The state with which it came back from its evaluation and has run since; None where it did not."""
    newest_first = list(follow_up.states.order_by("-id"))
    since = list(takewhile(lambda state: state.kind in RUNNING, newest_first))
    before = newest_first[len(since) : len(since) + 1]
    return since[-1] if since and before and before[0].kind in PAUSED else None


def unconfirmed(follow_up: FollowUp) -> bool:
    """Whether a report behind it waits for a clinician to confirm it."""
    standing = follow_up.exposures.filter(withdrawn_at=None, breach__isnull=False)
    return standing.filter(breach__confirmed_at=None).exists()


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
