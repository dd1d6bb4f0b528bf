"""Everything that time causes. Idempotent, safe to run twice at once, and without memory of the last run.

It sends nothing. Each part notices by an index what has come due, and settles it in batches (`rounds`).
"""

import logging
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from decimal import Decimal

from django.db.models import QuerySet

from exposure import clock
from exposure.attend import alerts, duties, promises
from exposure.attend.alerts import Raising
from exposure.attend.models import Alert, AlertEntry, Promise
from exposure.record import insert_many, update_many
from exposure.remind import heartbeat, missing, pages, reminders
from exposure.remind.rounds import Part, run

Cause = Alert.Cause
Kind = Promise.Kind
log = logging.getLogger(__name__)


def sweep(*, at: datetime) -> dict[str, int]:
    """Do what is due at `at`. Returns how much of each kind was done; the heartbeat's note names the parts that failed
    as a whole. A row that fails is set aside and is no failed part."""
    began = clock.running()
    done = run_parts(PARTS, at=at)
    failed = [part.name for part in PARTS if part.name not in done]
    heartbeat.beat(heartbeat.SWEEP, at=at, seconds=clock.running() - began, note=", ".join(failed))
    return done


def run_parts(parts: Iterable[Part], *, at: datetime) -> dict[str, int]:
    """One part after the other; one that cannot even notice leaves the others their turn."""
    done: dict[str, int] = {}
    for part in parts:
        try:
            done[part.name] = run(part, at=at)
        except Exception:
            log.exception("The part “%s” of this round failed; the next round tries again.", part.name)
    return done


# Promises: past their time, or soon


def late(at: datetime) -> QuerySet[Promise]:
    """What nobody has done in time and nobody was told of yet, the oldest first."""
    rows = Promise.objects.select_for_update(skip_locked=True, of=("self",))
    return rows.late(at=at).filter(noticed_at=None).order_by("due_at")


def settle_late(due: Sequence[Promise], at: datetime) -> int:
    """Each raises its alert; a next look that has come asks again on its own alert."""
    whole = _without_busy(_whole(due))
    looks = [promise for promise in whole if promise.kind == Kind.LOOK]
    _look_again(looks, at)
    told = Promise.objects.late(at=at).filter(noticed_at__isnull=False)
    alerts.raise_many(_raisings(whole, told, cause_of), at=at)
    for promise in whole:
        promise.noticed_at = at
    update_many(Promise, whole, ["noticed_at"])
    return len(whole)


def _whole(due: Sequence[Promise]) -> list[Promise]:
    rows = Promise.objects.filter(pk__in=[promise.pk for promise in due]).select_related(
        "site",
        "worker",
        "breach__site",
        "exposure__follow_up__site",
        "follow_up__site",
        "alert__site",
        "version",
    )
    return list(rows.order_by("due_at", "pk"))


def subject_of(promise: Promise) -> alerts.Subject | None:
    """What its alert is about; None for a version of criteria, which is nobody's alert."""
    if promise.exposure is not None:
        return promise.exposure.follow_up
    if promise.version is not None:
        return None
    return promise.breach or promise.follow_up or promise.worker


def _raisings(
    fresh: Sequence[Promise], before: QuerySet[Promise], cause_of: Callable[[Promise], str]
) -> list[Raising]:
    """One raising per subject and cause, which names all of them: `fresh` and those of `before`, about the same, that
    somebody was told of and that still stand."""
    grouped = _by_subject(fresh, cause_of)
    workers = {getattr(subject, "worker_id", None) or subject.pk for subject, _cause in grouped}
    told = before.filter(worker__in=workers).select_related(
        "worker", "breach", "exposure__follow_up", "follow_up"
    )
    standing = _by_subject(told.order_by("due_at"), cause_of)
    raisings = []
    for (subject, cause), added in grouped.items():
        named = {promise.pk: promise for promise in (*standing.get((subject, cause), ()), *added)}
        raisings.append(
            Raising(
                subject,
                cause,
                promises.titles(list(named.values())),
                added[0].site,
                dated_at=min(promise.due_at for promise in added if promise.due_at),
                urgent=any(promise.urgent for promise in named.values()),
                weight=Decimal(len(named)),
                promise=added[0],
            )
        )
    return raisings


def _by_subject(
    rows: Iterable[Promise], cause_of: Callable[[Promise], str]
) -> dict[tuple[alerts.Subject, str], list[Promise]]:
    found: dict[tuple[alerts.Subject, str], list[Promise]] = defaultdict(list)
    for promise in rows:
        subject = subject_of(promise) if promise.kind != Kind.LOOK else None
        if subject is not None:
            found[subject, cause_of(promise)].append(promise)
    return found


def cause_of(promise: Promise) -> str:
    """What its lateness raises."""
    if promise.kind == Kind.CALL and promise.key.startswith(duties.SILENT):
        return Cause.SILENCE
    return duties.LATE_CAUSES[Kind(promise.kind)]


def _without_busy(due: Sequence[Promise]) -> list[Promise]:
    """Without the next looks at alerts that somebody is closing or renewing in this moment: they wait for the promise,
    so this must not wait for them. The next round looks again."""
    wanted = {promise.alert_id for promise in due if promise.kind == Kind.LOOK}
    if not wanted:
        return list(due)
    rows = Alert.objects.select_for_update(skip_locked=True, of=("self",)).filter(pk__in=wanted)
    free = {alert.pk: alert for alert in rows.order_by("pk")}
    for promise in due:
        if promise.kind == Kind.LOOK and promise.alert_id in free:
            promise.alert = free[promise.alert_id]  # as it stands now
    return [promise for promise in due if promise.kind != Kind.LOOK or promise.alert_id in free]


def _look_again(looks: Sequence[Promise], at: datetime) -> None:
    """The next look has come: the alert asks and pages again, dated by when it was due."""
    renewed = [promise.alert for promise in looks if promise.alert and promise.alert.closed_at is None]
    due = {promise.alert_id: promise.due_at or at for promise in looks}
    if not renewed:
        return
    for alert in renewed:
        alerts.ask_again(alert, dated_at=due[alert.pk], at=at)
    update_many(Alert, renewed, ["round", "round_at", "dated_at", "acknowledged_at", "held_by"])
    insert_many(AlertEntry, [AlertEntry(alert=alert, kind=AlertEntry.Kind.LOOK_DUE) for alert in renewed])


def soon(at: datetime) -> QuerySet[Promise]:
    """What must be done before long, and whose warning has come."""
    rows = Promise.objects.select_for_update(skip_locked=True, of=("self",)).open()
    return rows.filter(warned_at=None, warn_at__lte=at).order_by("warn_at")


def settle_soon(due: Sequence[Promise], at: datetime) -> int:
    """Each raises its warning, unless it is late by now and raises that. Returns how many did."""
    whole = _whole(due)
    warned = [promise for promise in whole if promise.due_at and promise.due_at > at and subject_of(promise)]
    told = Promise.objects.open().filter(warned_at__isnull=False, due_at__gt=at)
    alerts.raise_many(_raisings(warned, told, lambda _promise: Cause.TASK_SOON), at=at)
    for promise in whole:
        promise.warned_at = at
    update_many(Promise, whole, ["warned_at"])
    return len(warned)


PARTS = (
    Part("reminders", reminders.passed, reminders.settle_passed, batch=reminders.BATCH),
    Part("missed", missing.closed, missing.settle_closed),
    Part("late", late, settle_late),
    Part("soon", soon, settle_soon),
    Part("pages", pages.unseen, pages.page),
    Part("climbing", pages.untaken, pages.climb),
)
