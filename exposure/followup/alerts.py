"""Alerts: raised once per subject and cause, joined until somebody has seen them, a new round after that."""

from datetime import datetime, timedelta

from exposure.followup.models import FollowUp, Reading, UnplacedReading
from exposure.followup.work_models import Alert, AlertEntry
from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.report.models import Breach

Subject = Breach | FollowUp | Worker
Kind = AlertEntry.Kind
FIELD = {Breach: "breach", FollowUp: "follow_up", Worker: "worker"}
URGENT = frozenset({Alert.Cause.FEVER, Alert.Cause.SYMPTOM, Alert.Cause.UNASSESSED})


def raise_alert(
    subject: Subject,
    cause: str,
    because: str,
    *,
    site: Site,
    at: datetime,
    urgent: bool | None = None,
    reading: Reading | None = None,
    unplaced: UnplacedReading | None = None,
) -> Alert:
    """Open the alert, join the open one, or open its next round if it was seen already. Inside a transaction."""
    urgent = cause in URGENT if urgent is None else urgent
    alert = Alert.objects.select_for_update().filter(
        **{FIELD[type(subject)]: subject}, cause=cause, closed_at=None
    ).first()  # fmt: skip
    if alert is None:
        kind = Kind.RAISED
        alert = Alert.objects.create(
            **{FIELD[type(subject)]: subject},
            site=site,
            cause=cause,
            urgent=urgent,
            because=because,
            raised_at=at,
            round_at=at,
        )
    elif alert.acknowledged_at is None:
        kind = Kind.JOINED
        if urgent and not alert.urgent:
            alert.urgent = True
            alert.save()
    else:
        kind = Kind.ROUND
        alert.round += 1
        alert.round_at = at
        alert.because = because
        alert.urgent = alert.urgent or urgent
        alert.acknowledged_at = alert.held_by = alert.next_look_at = None
        alert.save()
    AlertEntry.objects.create(alert=alert, kind=kind, because=because, reading=reading, unplaced=unplaced)
    return alert


def acknowledge(alert: Alert, *, by: User, at: datetime, look_within: timedelta) -> Alert:
    """Seen, held by `by`; pages again when the next look is due. The same person again changes nothing."""
    if alert.acknowledged_at is not None and alert.held_by == by:
        return alert
    alert.acknowledged_at = at
    alert.held_by = by
    alert.next_look_at = at + look_within
    alert.save()
    AlertEntry.objects.create(alert=alert, kind=Kind.ACKNOWLEDGED)
    return alert


def close(alert: Alert, *, outcome: str, note: str, by: User, at: datetime) -> Alert:
    """Closed with an outcome by a named clinician."""
    alert.closed_at = at
    alert.closed_by = by
    alert.outcome = outcome
    alert.note = note
    alert.save()
    AlertEntry.objects.create(alert=alert, kind=Kind.CLOSED, because=note)
    return alert
