"""Alerts: raised once per subject and cause, joined until somebody has seen them, a new round after that."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.utils.translation import gettext as _

from exposure.attend.models import Alert, AlertEntry
from exposure.followup.models import FollowUp, Reading, UnplacedReading
from exposure.followup.store_reading import Logged
from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.report.models import Breach

Subject = Breach | FollowUp | Worker
Kind = AlertEntry.Kind
FIELD = {Breach: "breach", FollowUp: "follow_up", Worker: "worker"}
CAUSES = {"fever": Alert.Cause.FEVER, "symptom": Alert.Cause.SYMPTOM, "rise": Alert.Cause.RISE}
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


def raise_for(logged: Logged, follow_up: FollowUp, *, at: datetime) -> None:
    """What a reading found, one alert per trigger about the worker; a masked reading asks for a repeat and pages
    nobody. So does one that could not be taken, with its reason."""
    row = logged.row
    if row is None:
        return
    source = {"unplaced": row} if isinstance(row, UnplacedReading) else {"reading": row}
    raising = {"site": follow_up.site, "at": at, **source}
    for trigger in logged.found:
        if trigger.code in CAUSES:
            raise_alert(
                follow_up.worker, CAUSES[trigger.code], trigger.because, urgent=trigger.urgent, **raising
            )
    if isinstance(row, Reading) and row.could_not:
        because = _("Could not take a reading: %(reason)s") % {"reason": row.could_not}
        raise_alert(follow_up.worker, Alert.Cause.COULD_NOT, because, urgent=False, **raising)


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


def close_all(subject: Subject, causes: Iterable[str], by: User, at: datetime) -> None:
    """Close the open alerts of these causes, which an act has answered."""
    for alert in subject.alerts.filter(cause__in=causes, closed_at=None):
        close(alert, outcome=Alert.Outcome.EVALUATED, note="", by=by, at=at)


def person_of(alert: Alert) -> int | None:
    """The account of the person whom the alert is about."""
    return worker_of(alert).user_id


def worker_of(alert: Alert) -> Worker:
    """The worker whom the alert is about."""
    if alert.worker is not None:
        return alert.worker
    return alert.follow_up.worker if alert.follow_up is not None else alert.breach.worker


def move(subject: FollowUp | Worker, into: FollowUp | Worker, by: User, at: datetime) -> None:
    """Open alerts are raised anew, so that somebody looks with the whole record before them."""
    for alert in subject.alerts.filter(closed_at=None):
        reading = alert.entries.filter(reading__isnull=False).last()
        unplaced = alert.entries.filter(unplaced__isnull=False).last()
        raise_alert(
            into,
            alert.cause,
            alert.because,
            site=alert.site,
            at=at,
            urgent=alert.urgent,
            reading=reading.reading if reading else None,
            unplaced=unplaced.unplaced if unplaced else None,
        )
        note = _("Goes on where the records were joined.")
        close(alert, outcome=Alert.Outcome.EVALUATED, note=note, by=by, at=at)
