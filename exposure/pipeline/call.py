"""One call settles what it settled: what the worker was told in it, the tasks and requests that it answers."""

import uuid
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime

from django.db.models import Q

from exposure.attend.models import Alert, Call, Promise
from exposure.classify.standing import assessments_in_force, awaiting_signature
from exposure.people.access import visible
from exposure.people.models import User, Worker
from exposure.people.policy import View
from exposure.pipeline import attend, classify, complete, enter, tell, turn
from exposure.refusal import Conflict, NotYet
from exposure.report.models import Breach

Kind = Promise.Kind
# What a call can answer: that the worker wished to speak with somebody, or that no message reaches them.
ANSWERED_BY_CALL = (Alert.Cause.CALL_ME, Alert.Cause.COULD_NOT, Alert.Cause.UNREACHABLE)
Settled = Promise | Alert
KINDS = (Promise.Kind.TASK, Promise.Kind.TELL, Promise.Kind.CONFIRM)
Open = Mapping[str, Settled]  # promise:UID:0 or alert:UID:TIMES -> what it names


def note_call(
    *,
    worker: Worker,
    answered: bool,
    note: str,
    settles: Iterable[Settled] = (),
    try_again_at: datetime | None = None,
    by: User,
    at: datetime,
) -> tuple[Call, bool]:
    """A call, and with an answered one exactly what it `settles`: tasks are done, the worker was told by telephone, a
    report is confirmed as it was answered, an alert of `ANSWERED_BY_CALL` is closed; each with the call's note. A
    report that `needs_answers` is left to its own page. An unanswered call settles nothing. Returns the call and
    whether it is new.

    What lost its cause meanwhile is left. Where somebody else has settled one of them otherwise, the call and the rest
    are stored, and Conflict is raised with what stands; so is it where an alert has come again since it was read.
    """
    with turn.of(worker, at=at) as own:
        call, is_new = enter.note_call(
            worker=worker, answered=answered, note=note, try_again_at=try_again_at, by=by, at=at
        )
        for row in settles if answered else ():
            try:
                _settle(row, note, by, at)
            except Conflict as conflict:  # what was sent is kept already
                own.standing = conflict.standing
            except NotYet:
                continue
        return call, is_new


def _settle(row: Settled, note: str, by: User, at: datetime) -> None:
    if isinstance(row, Alert):
        attend.close_alert(alert=row, outcome=Alert.Outcome.REACHED, note=note, times=row.times, by=by, at=at)
    elif row.kind == Kind.CONFIRM:
        if not is_left_open(row) and row.breach is not None:
            classify.confirm_breach(breach=row.breach, note=note, by=by, at=at)
    elif row.kind == Kind.TASK:
        complete.complete_task(task=row, note=note, by=by, at=at)
    elif row.breach is not None:
        tell.tell_worker(breach=row.breach, how="phone", told_at=at, by=by, at=at)
    elif row.exposure is not None:
        tell.tell_of_exposure(exposure=row.exposure, how="phone", by=by, at=at)
    else:
        tell.tell_of_change(telling=row, how="phone", by=by, at=at)


def needs_answers(breach: Breach) -> bool:
    """Whether confirming the report asks for more than saying so: answers are open or in doubt, no criteria apply, or a
    changed tier waits for a signature. Then they are gone through with the worker."""
    standing = assessments_in_force(breach).values()
    settled = standing and all(one.tier and not one.open_questions for one in standing)
    return not settled or bool(breach.flags) or bool(awaiting_signature([breach]))


def is_left_open(row: Settled) -> bool:
    """Whether a call does not settle it, although it was chosen: a report to confirm that `needs_answers`."""
    if isinstance(row, Alert) or row.kind != Kind.CONFIRM or row.kept_at is not None:
        return False
    return row.breach is not None and needs_answers(row.breach)


def open_to(user: User, worker: Worker, chosen: Iterable[str] = (), *, at: datetime) -> Open:
    """Tasks that can be done now, tellings, reports to confirm, and requests to be rung, of the reader's own site; two
    statements. What was `chosen` is among them also where it has been settled since: the use case says by whom. An
    alert counts as it was shown, so that one that has come again is not closed unread."""
    shown = dict(_shown(chosen))
    waiting = Q(kept_at=None) & (Q(not_before=None) | Q(not_before__lte=at))
    settled = Q(uid__in=shown, kept_at__isnull=False)
    promises = Promise.objects.filter(waiting | settled, worker=worker, kind__in=KINDS, void_at=None)
    with_rows = promises.select_related("site", "breach", "exposure", "worker").most_urgent_first()
    seen = visible(user, with_rows, View.CLINICAL, at=at)
    about = Q(worker=worker) | Q(follow_up__worker=worker) | Q(breach__worker=worker)
    asking = Alert.objects.filter(about, Q(closed_at=None) | Q(uid__in=shown), cause__in=ANSWERED_BY_CALL)
    alerts = list(visible(user, asking, View.CLINICAL, at=at).order_by("pk"))
    for alert in alerts:
        alert.times = shown.get(alert.uid) or alert.times
    return {
        **{f"promise:{promise.uid}:0": promise for promise in seen},
        **{f"alert:{alert.uid}:{alert.times}": alert for alert in alerts},
    }


def _shown(chosen: Iterable[str]) -> Iterator[tuple[uuid.UUID, int]]:
    """The uid of what was chosen, and how often an alert had happened."""
    for key in chosen:
        _kind, _colon, rest = key.partition(":")
        uid, _colon, times = rest.partition(":")
        try:
            yield uuid.UUID(uid), int(times[:9])
        except ValueError:  # the form refuses it
            continue
