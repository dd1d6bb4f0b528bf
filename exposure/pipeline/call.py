"""One call settles what it settled: what the worker was told in it, the tasks and requests that it answers."""

from collections.abc import Iterable
from datetime import datetime

from exposure.attend.models import Alert, Call, Promise
from exposure.people.models import User, Worker
from exposure.pipeline import attend, turn
from exposure.refusal import Conflict, NotYet

Kind = Promise.Kind
# What a call can answer: that the worker wished to speak with somebody, or that no message reaches them.
ANSWERED_BY_CALL = (Alert.Cause.CALL_ME, Alert.Cause.COULD_NOT, Alert.Cause.UNREACHABLE)
Settled = Promise | Alert


def note_call(
    *,
    worker: Worker,
    answered: bool,
    note: str,
    settles: Iterable[Settled] = (),
    try_again_at: datetime | None = None,
    by: User,
    at: datetime,
) -> Call:
    """A call, and with an answered one exactly what it `settles`: tasks are done, the worker was told by telephone, an
    alert of `ANSWERED_BY_CALL` is closed; each with the call's note. An unanswered one settles nothing.

    What lost its cause meanwhile is left. Where somebody else has settled one of them otherwise, the call and the rest
    are stored, and Conflict is raised with what stands; so is it where an alert has come again since it was read.
    """
    with turn.of(worker, at=at) as own:
        call, _is_new = attend.note_call(
            worker=worker, answered=answered, note=note, try_again_at=try_again_at, by=by, at=at
        )
        for row in settles if answered else ():
            try:
                _settle(row, note, by, at)
            except Conflict as conflict:  # what was sent is kept already
                own.standing = conflict.standing
            except NotYet:
                continue
        return call


def _settle(row: Settled, note: str, by: User, at: datetime) -> None:
    if isinstance(row, Alert):
        attend.close_alert(
            alert=row, outcome=Alert.Outcome.EVALUATED, note=note, times=row.times, by=by, at=at
        )
    elif row.kind == Kind.TASK:
        attend.complete_task(task=row, note=note, by=by, at=at)
    elif row.breach is not None:
        attend.tell_worker(breach=row.breach, how="phone", told_at=at, by=by, at=at)
    elif row.exposure is not None:
        attend.tell_of_exposure(exposure=row.exposure, how="phone", by=by, at=at)
