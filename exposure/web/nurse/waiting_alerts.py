"""Open alerts as lines: what asks now, what was seen, what has lost its cause."""

from collections.abc import Iterable, Iterator
from datetime import datetime

from django.urls import reverse
from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.attend.changed_cases import cases_changed
from exposure.attend.models import Alert
from exposure.attend.still import corrected, gone
from exposure.web.nurse.waits import GONE, PRACTICE, SEEN, URGENT, WAITING, Line

Cause = Alert.Cause


def alert_lines(open_alerts: Iterable[Alert], at: datetime) -> Iterator[Line]:
    open_alerts = list(open_alerts)
    without_cause, put_right = gone(open_alerts, at=at), corrected(open_alerts)
    changed = cases_changed(open_alerts)
    late = {alert.follow_up_id for alert in open_alerts if alert.cause == Cause.LATE_TASK}
    for alert in open_alerts:
        if alert.pk in without_cause:
            # What was soon due stands as late by now, and once.
            if alert.cause != Cause.TASK_SOON or alert.follow_up_id not in late:
                yield _to_close(alert)
            continue
        # A look that has come asks again at once, whether or not a process has said so.
        look_at = alert.next_look_at
        asks = alert.acknowledged_at is None or (look_at is not None and look_at <= at)
        yield Line(
            group=_group(alert) if asks else SEEN,
            cause=alert.cause,
            label=str(Cause(alert.cause).label),
            why=_("Corrected since: %(what)s") % {"what": alert.words}
            if alert.pk in put_right
            else alert.words,
            since=alert.dated_at or alert.round_at,
            worker=alerts.worker_of(alert),
            site=alert.site,
            by=None if asks else look_at,
            holder=str(alert.held_by or ""),
            url=reverse("alert", args=[alert.uid]),
            alert=alert,
            cases=tuple(changed.get(alert.pk, ())),
        )


def _to_close(alert: Alert) -> Line:
    return Line(
        group=GONE,
        cause=alert.cause,
        label=str(Cause(alert.cause).label),
        why=_("No longer so; it waits to be closed: %(what)s") % {"what": alert.words},
        since=alert.dated_at or alert.round_at,
        worker=alerts.worker_of(alert),
        site=alert.site,
        by=None,
        holder=str(alert.held_by or ""),
        url=reverse("alert", args=[alert.uid]),
        gone=True,
        alert=alert,
    )


def _group(alert: Alert) -> int:
    if alert.cause == Cause.DRILL:
        return PRACTICE
    return URGENT if alert.urgent else WAITING
