"""What waits is given to a named colleague, or taken by oneself.

Given to whoever has it already, nothing changes. Where somebody else has it by now than the giver had read, what was
sent is kept, and Conflict raised with who has it.
"""

from datetime import datetime

from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.attend.alerts import worker_of
from exposure.attend.models import Alert, Promise
from exposure.people.access import may_on, require_on
from exposure.people.colleagues import colleague_named
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import attend, turn
from exposure.refusal import BadSubmission, NotYet, Problem
from exposure.remind import pages


def hand_over_alert(
    *, alert: Alert, to: str, holder: str = "", times: int | None = None, by: User, at: datetime
) -> Alert:
    """Give it to the colleague whose account or whole name is `to`; `holder` is the account that had it as it was read
    (empty: nobody). They are told as of a page, and until they say that they have it, it waits as unseen: the next on
    call is told as ever. To oneself: taken.

    Raises BadSubmission at /to, NotYet where it is closed, and Conflict where another has it by now or it has happened
    again.
    """
    require_on(by, Deed.HAND_OVER, alert, at=at)
    with turn.of(at=at) as own:
        alert = attend.locked_alert(alert)
        if alert.closed_at is not None:
            raise NotYet("closed")
        receiver = _receiver(to, alert, at)
        if alert.held_by_id == receiver.pk and (receiver != by or alert.acknowledged_at is not None):
            return alert
        newest = alerts.came_since(alert, times)
        if newest or _account(alert.held_by) not in (holder, receiver.name):
            own.clash(newest or alert, "hand_over", worker_of(alert), alert.site, to=receiver.name)
            return alert
        if receiver == by:
            return alerts.hold(alert, by=by, at=at, look_within=attend.longest_look(alert))
        alerts.give(alert, to=receiver, at=at)
        pages.tell_receiver(alert, receiver, at)
        return alert


def hand_over_promise(*, promise: Promise, to: str, holder: str = "", by: User, at: datetime) -> Promise:
    """Give a task, a call or whatever else must be done about a worker to a colleague, or take it; as
    `hand_over_alert`. Its time stays. Raises NotYet where it is no longer asked for, and Conflict where it is done."""
    worker = promise.worker
    assert worker is not None  # only what criteria wait for is about nobody
    require_on(by, Deed.HAND_OVER, promise, at=at)
    with turn.of(worker, at=at) as own:
        promise = Promise.objects.select_for_update(of=("self",)).select_related(
            "site", "worker", "held_by", "exposure__follow_up", "breach"
        ).get(pk=promise.pk)  # fmt: skip
        if promise.void_at is not None:
            raise NotYet("no_longer_asked")
        receiver = _receiver(to, promise, at)
        if promise.kept_at is not None or _account(promise.held_by) not in (holder, receiver.name):
            own.clash(promise, "hand_over", promise.worker, promise.site, to=receiver.name)
        elif promise.held_by_id != receiver.pk:
            promise.held_by = receiver
            promise.save()
        return promise


def _account(holder: User | None) -> str:
    return holder.name if holder is not None else ""


def _receiver(to: str, row: Alert | Promise, at: datetime) -> User:
    receiver = colleague_named(to, row.site, at=at)
    if not may_on(receiver, Deed.HAND_OVER, row, at=at):
        words = _("%(name)s cannot have this: nobody decides about their own record.")
        raise BadSubmission(Problem("/to", words % {"name": receiver}))
    return receiver
