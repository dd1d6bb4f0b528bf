"""Alerts: raised once per subject and cause, joined until somebody has seen them, a new round after that."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _

from exposure.attend import promises
from exposure.attend.models import ALERTED, Alert, AlertEntry, Promise
from exposure.followup.models import FollowUp, Reading, UnplacedReading
from exposure.followup.store_reading import Logged
from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.record import create_many, insert_many, update_many
from exposure.report.models import Breach

Subject = Breach | FollowUp | Worker
Kind = AlertEntry.Kind
FIELD = {Breach: "breach", FollowUp: "follow_up", Worker: "worker"}
CAUSES = {"fever": Alert.Cause.FEVER, "symptom": Alert.Cause.SYMPTOM, "rise": Alert.Cause.RISE}
URGENT = frozenset({Alert.Cause.FEVER, Alert.Cause.SYMPTOM, Alert.Cause.UNASSESSED})


@dataclass
class Raising:
    """One thing that a clinician must act on. `dated_at`: its deadline, or when it happened; `weight`: how bad it is
    among its kind, so that an alert can say the worst."""

    subject: Subject
    cause: str
    because: str
    site: Site
    dated_at: datetime | None = None
    urgent: bool | None = None
    weight: Decimal = Decimal(0)
    reading: Reading | None = None
    unplaced: UnplacedReading | None = None
    promise: Promise | None = None

    @property
    def key(self) -> tuple[str, int, str]:
        return FIELD[type(self.subject)], self.subject.pk, self.cause

    @property
    def is_urgent(self) -> bool:
        return self.cause in URGENT if self.urgent is None else self.urgent


def raise_alert(
    subject: Subject, cause: str, because: str, *, site: Site, at: datetime, **details: Any
) -> Alert:
    """Open the alert, join the open one, or open its next round if it was seen already. Inside a transaction."""
    [alert] = raise_many([Raising(subject, cause, because, site, **details)], at=at)
    return alert


def raise_many(raisings: Iterable[Raising], *, at: datetime) -> list[Alert]:
    """As `raise_alert`, for many at once with a fixed number of statements; two rounds that raise the same at once
    leave one alert. Returns the alert of each, in order. Inside a transaction."""
    raisings = sorted(
        raisings, key=lambda raising: raising.key
    )  # one order, so that no two wait for each other
    if not raisings:
        return []
    alerts = _open_alerts(raisings)
    first_of = {raising.key: raising for raising in reversed(raisings) if raising.key not in alerts}
    opened: dict[tuple[str, int, str], Alert] = {}
    while missing := [raising for key, raising in first_of.items() if key not in alerts]:
        fresh = create_many(Alert, [_opened(raising, at) for raising in missing], ignore_conflicts=True)
        opened |= {_key_of(alert): alert for alert in fresh}
        alerts |= opened
        if len(fresh) < len(
            missing
        ):  # somebody else opened it in this moment: theirs is joined, unless closed by now
            alerts |= _open_alerts(raising for raising in missing if raising.key not in opened)
    entries, changed = [], {}
    for raising in raisings:
        alert = alerts[raising.key]
        if opened.get(raising.key) is alert and first_of[raising.key] is raising:
            kind: str = Kind.RAISED
        else:
            kind = _join(alert, raising, at)
            changed[alert.pk] = alert
        entries.append(
            AlertEntry(
                alert=alert,
                kind=kind,
                because=raising.because,
                reading=raising.reading,
                unplaced=raising.unplaced,
                promise=raising.promise,
            )
        )
    if changed:
        update_many(Alert, list(changed.values()), JOINING)
        renewed = [entry.alert for entry in entries if entry.kind == Kind.ROUND]
        _drop_looks(renewed, because="renewed", at=at)
    insert_many(AlertEntry, entries)
    return [alerts[raising.key] for raising in raisings]


def _open_alerts(raisings: Iterable[Raising]) -> dict[tuple[str, int, str], Alert]:
    subjects: dict[str, set[int]] = defaultdict(set)
    causes = set()
    for raising in raisings:
        field, subject, cause = raising.key
        subjects[field].add(subject)
        causes.add(cause)
    found: dict[tuple[str, int, str], Alert] = {}
    for field, keys in sorted(subjects.items()):
        rows = Alert.objects.select_for_update(of=("self",)).filter(
            **{f"{field}__in": keys}, cause__in=causes, closed_at=None
        )
        found |= {_key_of(alert): alert for alert in rows.order_by("pk")}
    return found


def _key_of(alert: Alert) -> tuple[str, int, str]:
    field = next(name for name in ALERTED if getattr(alert, f"{name}_id") is not None)
    return field, getattr(alert, f"{field}_id"), alert.cause


def _opened(raising: Raising, at: datetime) -> Alert:
    return Alert(
        **{FIELD[type(raising.subject)]: raising.subject},
        site=raising.site,
        cause=raising.cause,
        urgent=raising.is_urgent,
        because=raising.because,
        weight=raising.weight,
        newest=raising.because,
        dated_at=raising.dated_at or at,
        raised_at=at,
        round_at=at,
    )


JOINING = [
    "because", "weight", "newest", "times", "urgent", "round", "round_at", "dated_at", "acknowledged_at", "held_by",
]  # fmt: skip


def _join(alert: Alert, raising: Raising, at: datetime) -> str:
    """The open alert says the worst, the newest and how often; seen before, it asks anew."""
    alert.times += 1
    alert.newest = raising.because
    if raising.weight >= alert.weight:
        alert.because, alert.weight = raising.because, raising.weight
    alert.urgent = alert.urgent or raising.is_urgent
    if alert.acknowledged_at is None:
        return Kind.JOINED
    ask_again(alert, dated_at=raising.dated_at or at, at=at)
    return Kind.ROUND


def ask_again(alert: Alert, *, dated_at: datetime, at: datetime) -> None:
    """The next round (unsaved): unseen again, held by nobody."""
    alert.round += 1
    alert.round_at, alert.dated_at = at, dated_at
    alert.acknowledged_at = alert.held_by = None


def _drop_looks(alerts: Iterable[Alert], *, because: str, at: datetime) -> None:
    looks = Promise.objects.open().filter(kind=Promise.Kind.LOOK, alert__in=[alert.pk for alert in alerts])
    promises.drop(looks, because=because, at=at)


def came_since(alert: Alert, times: int | None) -> AlertEntry | None:
    """The newest that joined the alert since somebody read that it had happened `times` times; None where nothing has,
    or where it is not known what they read."""
    if times is None or times >= alert.times:
        return None
    return alert.entries.filter(kind__in=(Kind.JOINED, Kind.ROUND)).last()


def reword(alert: Alert, because: str) -> None:
    """What it says is no longer all true: one of several late tasks is done."""
    if alert.because != because:
        alert.because = alert.newest = because
        alert.save()


def raise_for(logged: Logged, follow_up: FollowUp, *, at: datetime) -> None:
    """What a reading found, one alert per trigger about the worker; a masked reading asks for a repeat and pages
    nobody. So does one that could not be taken, with its reason."""
    row = logged.row
    if row is None:
        return
    source: dict[str, Any] = {"unplaced": row} if isinstance(row, UnplacedReading) else {"reading": row}
    raising = {"site": follow_up.site, "at": at, "dated_at": row.taken_at, **source}
    for trigger in logged.found:
        if trigger.code in CAUSES:
            raise_alert(
                follow_up.worker,
                CAUSES[trigger.code],
                trigger.because,
                urgent=trigger.urgent,
                weight=trigger.weight,
                **raising,
            )
    if isinstance(row, Reading) and row.could_not:
        because = _("Could not take a reading: %(reason)s") % {"reason": row.could_not}
        raise_alert(follow_up.worker, Alert.Cause.COULD_NOT, because, urgent=False, **raising)


def acknowledge(alert: Alert, *, by: User, at: datetime, look_within: timedelta) -> Alert:
    """Seen, held by `by`; pages again when the next look is due. One that is held already stays as it is."""
    if alert.acknowledged_at is not None:
        return alert
    alert.acknowledged_at = at
    alert.held_by = by
    alert.save()
    promises.ask(_next_look(alert, at + look_within, at), at=at)
    AlertEntry.objects.create(alert=alert, kind=Kind.ACKNOWLEDGED)
    return alert


def hold(alert: Alert, *, by: User, at: datetime, look_within: timedelta) -> Alert:
    """Held by `by` from now on: seen by them, or taken over from who had it; then the next look stays due."""
    if alert.acknowledged_at is None:
        return acknowledge(alert, by=by, at=at, look_within=look_within)
    alert.held_by = by
    alert.save()
    AlertEntry.objects.create(alert=alert, kind=Kind.TAKEN)
    return alert


def give(alert: Alert, *, to: User, at: datetime) -> Alert:
    """Held by `to`, who has not seen it: it asks until they have."""
    alert.held_by, alert.acknowledged_at = to, None
    alert.save()
    _drop_looks([alert], because="handed over", at=at)
    AlertEntry.objects.create(alert=alert, kind=Kind.GIVEN, because=_("To %(name)s.") % {"name": to})
    return alert


def look_again(alert: Alert, kind: str, *, note: str, due_at: datetime, at: datetime) -> Alert:
    """It is watched, or measured again, and asks anew at `due_at`; `kind` is that of the entry."""
    promises.ask(_next_look(alert, due_at, at), at=at)
    AlertEntry.objects.create(alert=alert, kind=kind, because=note)
    alert.__dict__.pop("look_due_at", None)
    return alert


def _next_look(alert: Alert, due_at: datetime, at: datetime) -> Promise:
    return Promise(
        site=alert.site,
        worker=worker_of(alert),
        alert=alert,
        kind=Promise.Kind.LOOK,
        title=_("Look again: %(cause)s.") % {"cause": alert.get_cause_display()},
        asked_at=at,
        due_at=due_at,
        urgent=alert.urgent,
        basis="next look",
    )


def looks_due(alerts: Iterable[Alert]) -> dict[int, datetime]:
    """Alert -> when its next look is due."""
    looks = Promise.objects.open().filter(kind=Promise.Kind.LOOK, alert__in=[alert.pk for alert in alerts])
    return dict(looks.values_list("alert", "due_at"))


def close(alert: Alert, *, outcome: str, note: str, by: User, at: datetime) -> Alert:
    """Closed with an outcome by a named clinician."""
    alert.closed_at = at
    alert.closed_by = by
    alert.outcome = outcome
    alert.note = note
    alert.save()
    promises.keep(Promise.objects.open().filter(alert=alert), by=by, at=at)
    AlertEntry.objects.create(alert=alert, kind=Kind.CLOSED, because=note)
    return alert


def close_all(subject: Subject, causes: Iterable[str], by: User, at: datetime, *, note: str = "") -> None:
    """Close the open alerts of these causes, which an act has answered."""
    rows = subject.alerts.select_for_update(of=("self",)).filter(cause__in=causes, closed_at=None)
    for alert in rows.order_by("pk"):  # one order, so that no two wait for each other
        close(alert, outcome=Alert.Outcome.EVALUATED, note=note, by=by, at=at)


def person_of(alert: Alert) -> int | None:
    """The account of the person whom the alert is about."""
    return worker_of(alert).user_id


def worker_of(alert: Alert) -> Worker:
    """The worker whom the alert is about."""
    if alert.worker is not None:
        return alert.worker
    if alert.follow_up is not None:
        return alert.follow_up.worker
    assert alert.breach is not None  # the database sees to it
    return alert.breach.worker


def raise_copy(alert: Alert, into: FollowUp | Worker, *, at: datetime) -> Alert:
    """The same, raised about another subject, so that somebody looks there."""
    reading = alert.entries.filter(reading__isnull=False).last()
    unplaced = alert.entries.filter(unplaced__isnull=False).last()
    return raise_alert(
        into,
        alert.cause,
        alert.because,
        site=alert.site,
        at=at,
        dated_at=alert.dated_at,
        urgent=alert.urgent,
        weight=alert.weight,
        reading=reading.reading if reading else None,
        unplaced=unplaced.unplaced if unplaced else None,
    )


def move(subject: FollowUp | Worker, into: FollowUp | Worker, by: User, at: datetime) -> None:
    """Open alerts are raised anew, so that somebody looks with the whole record before them."""
    for alert in subject.alerts.select_for_update(of=("self",)).filter(closed_at=None).order_by("pk"):
        raise_copy(alert, into, at=at)
        note = _("Goes on where the records were joined.")
        close(alert, outcome=Alert.Outcome.EVALUATED, note=note, by=by, at=at)
