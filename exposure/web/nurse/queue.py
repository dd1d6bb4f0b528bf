"""Everything that waits for a clinician, one line each, most urgent first; `matters` puts them together by person.

Computed when read, from a fixed number of statements: it is right with every background process dead. What waits is an
open alert, or a promise; a promise whose lateness is an open alert stands there instead.
"""

from collections.abc import Iterable
from datetime import datetime
from operator import attrgetter
from typing import Any

from django.db.models import Q

from exposure.attend import alerts, duties
from exposure.attend.models import Alert, Promise
from exposure.followup.models import FollowUp
from exposure.people.access import holds, visible
from exposure.people.models import User, Worker
from exposure.people.policy import DOING, IN_LISTS, Deed, View
from exposure.remind.heartbeat import PROCESSES
from exposure.remind.models import Heartbeat
from exposure.remind.sweep import cause_of, subject_of
from exposure.web.nurse.live import SILENT
from exposure.web.nurse.waiting_alerts import alert_lines
from exposure.web.nurse.waiting_promises import is_plain_task, promise_lines
from exposure.web.nurse.waits import Line

Kind = Promise.Kind


def lines(user: User, *, at: datetime) -> list[Line]:
    """All lines that this person may act on, most urgent first."""
    # That of a follow-up is its own site's to act on.
    here = visible(user, FollowUp.objects.all(), View.CLINICAL, at=at).values("pk")
    open_alerts = Alert.objects.with_look().filter(Q(follow_up=None) | Q(follow_up__in=here), closed_at=None)
    open_alerts = list(
        visible(user, open_alerts, *IN_LISTS, at=at).select_related(
            "site", "breach__worker", "follow_up__worker", "worker", "held_by"
        )
    )
    waiting = _not_alerted(_waiting(user, at), open_alerts, at)
    every = [*alert_lines(open_alerts, at), *promise_lines(waiting, user, at)]
    return sorted(every, key=attrgetter("rank"))


def next_for(worker: Worker, user: User, open_alerts: Iterable[Alert], *, at: datetime) -> list[Line]:
    """What waits about one person and is no alert, most urgent first; `open_alerts` stand beside it."""
    waiting = _not_alerted(_waiting(user, at, worker=worker), open_alerts, at)
    return sorted(promise_lines(waiting, user, at), key=attrgetter("rank"))


def _not_alerted(waiting: Iterable[Promise], open_alerts: Iterable[Alert], at: datetime) -> list[Promise]:
    """Without what an alert says already."""
    alerted = {(_subject(alert), alert.cause) for alert in open_alerts}
    return [
        promise
        for promise in waiting
        if promise.due_at is None
        or promise.due_at > at
        or (subject_of(promise), cause_of(promise)) not in alerted
    ]


def _subject(alert: Alert) -> alerts.Subject:
    return alert.breach or alert.follow_up or alert.worker


def _waiting(user: User, at: datetime, **about: Any) -> Iterable[Promise]:
    """One query for all that somebody must do: calls after silence, and tasks not urgent, once they are late, or from
    the start to whoever has them; the rest from the start."""
    waiting = Promise.objects.waiting(at=at).filter(**about).exclude(kind=Kind.LOOK)
    seen = visible(user, waiting, *IN_LISTS, at=at).select_related(
        "site",
        "worker",
        "breach",
        "exposure__follow_up__worker",
        "follow_up__worker",
        "follow_up__site",
        "version",
        "held_by",
    )
    return [promise for promise in seen if _is_shown(promise, user, at)]


def _is_shown(promise: Promise, user: User, at: datetime) -> bool:
    if promise.version is not None:
        return holds(user, DOING[Deed.APPROVE_CRITERIA], promise.site_id, at=at)
    only_late = is_plain_task(promise) or promise.key.startswith(duties.SILENT)
    if promise.held_by_id == user.pk:  # whoever has it sees it before
        return True
    return not only_late or (promise.due_at is not None and promise.due_at <= at)


def heartbeat(*, at: datetime) -> dict[str, Any]:
    """When reminders and due times were last looked at, and what waits was last sent, whichever is longer ago; and
    whether that is too long ago, or ahead of us: then a clock is wrong, and nobody knows."""
    beats = list(Heartbeat.objects.filter(name__in=PROCESSES).values_list("at", flat=True))
    missing = len(beats) < len(PROCESSES)
    return {
        "looked_at": None if missing else min(beats),
        "stopped": missing or any(abs(at - beat) > SILENT for beat in beats),
    }
