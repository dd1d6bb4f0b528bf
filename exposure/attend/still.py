"""Whether what an alert was raised for is still so: something late or soon due, a reading that was missing, a wish.

Computed when it is read: a plan with more time, a deed or an end can take the cause away at any moment. Such an alert
says so and waits to be closed; it never goes by itself.
"""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime

from django.db.models import Exists, Max, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce

from exposure.attend import duties
from exposure.attend.alerts import worker_of
from exposure.attend.models import ALERTED, Alert, AlertEntry, Call, Promise
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Fill, FollowUp, FollowUpState, Reading
from exposure.followup.states import PAUSED

Cause = Alert.Cause
Kind = Promise.Kind
# Cause -> the kind of promise that it is about.
KINDS = {cause: kind for kind, cause in duties.LATE_CAUSES.items()} | {
    Cause.SILENCE: Kind.CALL,
    Cause.TASK_SOON: Kind.TASK,
}
OF_READINGS = (Cause.FEVER, Cause.SYMPTOM, Cause.RISE)
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
    """The alerts of which nothing is left of what they were raised for; at most seven statements."""
    alerts = list(alerts)
    late = {key for key, waiting in still(alerts, at=at).items() if not waiting}
    return late | _no_longer_missed(alerts, at) | _heard_since(alerts)


def corrected(alerts: Iterable[Alert]) -> set[int]:
    """The alerts of which every reading that raised them was corrected since: they stay, and say so. One statement."""
    keys = [alert.pk for alert in alerts if alert.cause in OF_READINGS]
    if not keys:
        return set()
    raised = AlertEntry.objects.filter(alert__in=keys).exclude(reading=None, unplaced=None)
    raised = raised.annotate(stays=Q(reading=None) | Q(reading__replaced_by=None))
    found: dict[int, bool] = defaultdict(bool)
    for alert, stays in raised.values_list("alert", "stays"):
        found[alert] |= stays
    return {alert for alert, stays in found.items() if not stays}


def _no_longer_missed(alerts: Iterable[Alert], at: datetime) -> set[int]:
    """The last reading that was to come is there, or none is asked for any more."""
    about = {alert.pk: alert.follow_up_id for alert in alerts if alert.cause == Cause.MISSED}
    if not about:
        return set()
    closed = Check.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None, closes_at__lte=at)
    paused = FollowUpState.objects.filter(follow_up=OuterRef("pk"), until_at=None, kind__in=PAUSED)
    rows = FollowUp.objects.filter(pk__in=set(about.values())).annotate(
        last=Subquery(closed.order_by("-closes_at").values("pk")[:1]), paused=Exists(paused)
    )
    found = {row.pk: row for row in rows}
    last = {row.last for row in found.values()} - {None}
    answered = set(
        Fill.objects.filter(standing_fill(), check_row__in=last).values_list("check_row", flat=True)
    )
    asked_no_more = {
        row.pk
        for row in found.values()
        if row.paused or row.last in answered or (row.ended_at is not None and row.ended_at <= at)
    }
    return {key for key, follow_up in about.items() if follow_up in asked_no_more}


def _heard_since(alerts: Iterable[Alert]) -> set[int]:
    """Whoever could not take a reading has given one since, and who asked to be rung was."""
    about = [alert for alert in alerts if alert.cause in (Cause.COULD_NOT, Cause.CALL_ME)]
    if not about:
        return set()
    people = {worker_of(alert).pk for alert in about}
    known = Q(worker__in=people) | Q(worker__same_as__in=people)
    person = Coalesce("worker__same_as", "worker")
    read = Reading.objects.filter(known, could_not="").order_by().annotate(person=person).values("person")
    rung = Call.objects.filter(known, answered=True).order_by().annotate(person=person).values("person")
    heard = {
        Cause.COULD_NOT: dict(read.annotate(last=Max("recorded_at")).values_list("person", "last")),
        Cause.CALL_ME: dict(rung.annotate(last=Max("called_at")).values_list("person", "last")),
    }
    return {
        alert.pk
        for alert in about
        if (last := heard[Cause(alert.cause)].get(worker_of(alert).pk)) is not None and last > alert.round_at
    }
