"""Whether what an alert about something late, or soon due, was raised for is still so.

Computed when it is read: a plan with more time, a deed or an end can take the cause away at any moment. Such an alert
says so and waits to be closed; it never goes by itself.
"""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime

from exposure.attend import duties
from exposure.attend.alerts import worker_of
from exposure.attend.models import ALERTED, Alert, Promise

Cause = Alert.Cause
Kind = Promise.Kind
# Cause -> the kind of promise that it is about.
KINDS = {cause: kind for kind, cause in duties.LATE_CAUSES.items()} | {
    Cause.SILENCE: Kind.CALL,
    Cause.TASK_SOON: Kind.TASK,
}
OF_TASKS = (Cause.LATE_TASK, Cause.LATE_REVIEW, Cause.TASK_SOON)


def still(alerts: Iterable[Alert], *, at: datetime) -> dict[int, list[Promise]]:
    """Alert -> what it is about that is late; of a warning, what is soon due and not yet late. Only alerts whose cause
    is a promise; one with nothing has lost its cause. At most one statement."""
    about = [alert for alert in alerts if alert.cause in KINDS]
    found: dict[int, list[Promise]] = {alert.pk: [] for alert in about}
    if not about:
        return found
    rows = Promise.objects.open().filter(
        worker__in={worker_of(alert).pk for alert in about},
        kind__in={KINDS[Cause(alert.cause)] for alert in about},
        due_at__isnull=False,
    )
    of_subject: dict[tuple[str, int | None], list[Promise]] = defaultdict(list)
    for promise in rows.select_related("exposure").order_by("due_at", "pk"):
        of_subject[_subject(promise)].append(promise)
    for alert in about:
        own = next((name, key) for name in ALERTED if (key := getattr(alert, f"{name}_id")) is not None)
        found[alert.pk] = [promise for promise in of_subject[own] if _is_about(alert.cause, promise, at)]
    return found


def _subject(promise: Promise) -> tuple[str, int | None]:
    """Which alert a promise belongs to: that of its follow-up, its report, else its worker."""
    if promise.exposure is not None:
        return "follow_up", promise.exposure.follow_up_id
    if promise.breach_id is not None:
        return "breach", promise.breach_id
    if promise.follow_up_id is not None:
        return "follow_up", promise.follow_up_id
    return "worker", promise.worker_id


def _is_about(cause: str, promise: Promise, at: datetime) -> bool:
    if promise.kind != KINDS[Cause(cause)] or promise.due_at is None:
        return False
    if promise.kind == Kind.CALL and promise.key.startswith(duties.SILENT) != (cause == Cause.SILENCE):
        return False
    if cause == Cause.TASK_SOON:
        return promise.warn_at is not None and promise.warn_at <= at < promise.due_at
    return promise.due_at <= at


def gone(alerts: Iterable[Alert], *, at: datetime) -> set[int]:
    """The alerts of which nothing is left of what they were raised for."""
    return {key for key, waiting in still(alerts, at=at).items() if not waiting}
