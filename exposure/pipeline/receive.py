"""What a station's tablet sealed is opened and taken in: a report like any other, a removal with its marks, each in
whatever order they come. What cannot be opened is kept as it came, and a nurse is asked."""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from exposure import wording
from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.people import station_pins
from exposure.people.models import User
from exposure.pipeline import turn
from exposure.pipeline.report import (
    Reported,
    add_to_report,
    body_as_it_stands,
    report_breach,
    report_of_mark,
    tie_to_report,
)
from exposure.pipeline.take import NoSuchProtocol, TakenRemoval, prove_observer, take_removal
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Conflict
from exposure.report import sealed
from exposure.report.intake import CLOCK_GRACE
from exposure.report.models import Breach, Mark, Removal
from exposure.report.removals import uid_in
from exposure.report.sent_removal import SentMark, is_removal
from exposure.report.submission import read_instant, read_submission, reference, without_digits

STILL_AWAITED = timedelta(days=40)  # a tablet keeps for 30 what it cannot send; local choice
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Taken:
    """What the tablet may be told of what it sent. `created` is False when the same came again."""

    reference: str
    created: bool
    ring_now: bool


def take_sealed(*, envelope: sealed.Envelope, reporter: User, at: datetime) -> Taken:
    """Store what was sealed, once per `submission_id`.

    Raises Conflict (the id stands with other content; that of a report is kept for a nurse). Never BadSubmission: what
    cannot be read is kept as it came, at the highest tier, under its reference.

    The digits by which an observer says who they are (`exposure.people.station_pins`) are checked once it is stored,
    and never kept. Nothing that is answered says whether they were right.
    """
    try:
        body, digits = without_digits(sealed.opened(envelope))
        if is_removal(body):
            return _take_removal(body, digits, envelope, reporter, at)
        reported = _take_report(body, reporter, at)
    except (sealed.CannotOpen, BadSubmission, NoSuchProtocol):
        return _told(_keep_as_it_came(envelope, reporter, at))
    if _clock_was_set(body, envelope, at):
        _ask_when(reported, at)
    if reported.created and digits:
        _prove_observer(reported.breach, digits, reporter, at)
    if body.get("removal"):
        _join(str(body["removal"]), reporter, at)
    return _told(reported)


def _told(reported: Reported) -> Taken:
    return Taken(reported.breach.reference, reported.created, reported.ring_now)


def _take_report(body: dict[str, Any], device: User, at: datetime) -> Reported:
    """A report; of a mark that the tablet had sent as it stood before, the answers that came after."""
    submission = read_submission(body)
    uid, named = submission.submission_id, submission.texts["removal"]
    mark = Mark.objects.filter(uid=uid, removal__site=_site_of(device)).first()
    if mark is not None:
        return report_of_mark(mark=mark, body=body, reporter=device, at=at)
    standing = Breach.objects.filter(uid=uid, reported_by=device).first() if named else None
    if standing is not None and (standing.body.get("removal") or "").strip() == named:
        return add_to_report(breach=standing, body=body, reporter=device, at=at)
    return report_breach(body=body, reporter=device, at=at)


def _take_removal(
    body: dict[str, Any], digits: str, envelope: sealed.Envelope, device: User, at: datetime
) -> Taken:
    was_set = _clock_was_set(body, envelope, at)
    noted = "The tablet's clock was set between its start and its sending." if was_set else ""
    taken = _store_removal(body, device, noted, at)
    if taken.created and digits:
        _prove_watched(taken.removal, body["observer"]["badge"], digits, device, at)
    return Taken(reference(taken.removal.uid), taken.created, ring_now=False)


def _store_removal(body: dict[str, Any], device: User, noted: str, at: datetime) -> TakenRemoval:
    taken = take_removal(body=body, device=device, noted=noted, at=at)
    for mark in taken.unplaced:
        _report_as_it_stands(taken.removal, mark, device, at)
    _join(str(taken.removal.uid), device, at)
    return taken


def _report_as_it_stands(removal: Removal, mark: SentMark, device: User, at: datetime) -> None:
    """What went wrong at a step that nobody knows here is a report, once: a nurse is asked."""
    if Breach.objects.filter(uid=mark.uid).exists():
        return
    body = body_as_it_stands(removal, mark.uid, mark.marked_at, step=mark.step, failure=mark.failure)
    report_breach(body=body, reporter=device, at=at)


def _site_of(device: User) -> Site:
    assert device.device_of is not None  # a device is of a station
    return device.device_of.site


def _join(named: str, device: User, at: datetime) -> None:
    """A removal and its reports, whichever came first: each report learns of its removal, each mark of its report.
    Asked again whenever one of them comes, so that two that come at once miss each other no longer than that."""
    uid = uid_in(named)
    removal = Removal.objects.filter(uid=uid, site=_site_of(device)).first() if uid else None
    if removal is None:
        return
    lately = Breach.objects.filter(site=removal.site, removal=None, reported_at__gt=at - STILL_AWAITED)
    reports = lately.filter(body__removal__iexact=named.strip())
    for breach in reports.select_related("worker"):
        with turn.of(breach.worker, at=at):
            breach = turn.locked_breach(breach)
            breach.removal = removal
            breach.flags = [flag for flag in breach.flags if flag != "removal_awaited"]
            breach.save()
    for mark in removal.marks.filter(breach=None):
        tie_to_report(mark)


def open_kept(*, at: datetime) -> tuple[int, int]:
    """What was kept as it came is tried again, with the keys there are now: what opens stands beside it, as the same
    report sent again, and a nurse is asked. Returns how many have opened for the first time, and how many do not."""
    opened = closed = 0
    for breach in Breach.objects.filter(body__has_key="sealed").select_related("reported_by").order_by("pk"):
        before = breach.other_contents.count()
        try:
            envelope = sealed.read_envelope({**breach.body["sealed"], "submission_id": str(breach.uid)})
            body = sealed.opened(envelope)
            if is_removal(body):
                _store_removal(without_digits(body)[0], breach.reported_by, "", at)
            report_breach(body=body, reporter=breach.reported_by, at=at)
        except Conflict:
            opened += breach.other_contents.count() > before
        except (BadSubmission, sealed.CannotOpen, NoSuchProtocol):
            closed += 1
    return opened, closed


def _prove_observer(breach: Breach, digits: str, device: User, at: datetime) -> None:
    """Right digits prove who observed. Whatever goes wrong here, the report stands as it was stored: not proved."""
    try:
        if not station_pins.are_right(breach.observed_by, digits, device, at=at):
            return
        with turn.of(breach.worker, at=at):
            breach = turn.locked_breach(breach)
            breach.observed_how = Breach.Observed.PROVED
            breach.flags = [flag for flag in breach.flags if flag != "observer_not_proved"]
            breach.save()
    except Exception:
        log.exception("Who observed could not be checked: report %s stands as not proved.", breach.uid)


def _prove_watched(removal: Removal, badge: str, digits: str, device: User, at: datetime) -> None:
    """Right digits prove who observed; whatever goes wrong here, the removal stands in the tablet's name."""
    try:
        observer = station_pins.observer_with(badge, _site_of(device), at=at)
        if station_pins.are_right(observer, digits, device, at=at) and observer is not None:
            prove_observer(removal=removal, observer=observer, at=at)
    except Exception:
        log.exception("Who observed could not be checked: removal %s stands as not proved.", removal.uid)


def _keep_as_it_came(envelope: sealed.Envelope, reporter: User, at: datetime) -> Reported:
    body = {"submission_id": str(envelope.submission_id), "sealed": envelope.as_kept}
    return report_breach(body=body, reporter=reporter, at=at)


def _clock_was_set(body: dict[str, Any], envelope: sealed.Envelope, at: datetime) -> bool:
    """Whether the tablet's clock stood otherwise when it sent the report than when it wrote it, against ours."""
    clock = body.get("device_clock")
    offset = clock.get("offset_ms") if isinstance(clock, dict) else None
    sent_at = read_instant(envelope.sent_at)
    if sent_at is None or sent_at.tzinfo is None or not isinstance(offset, int) or isinstance(offset, bool):
        return False
    now = (at - sent_at) / timedelta(milliseconds=1)
    return abs(now - offset) > CLOCK_GRACE / timedelta(milliseconds=1)


def _ask_when(reported: Reported, at: datetime) -> None:
    with wording.kept():
        because = _("The tablet's clock was set between this report and its sending: ask when it happened.")
    breach = reported.breach
    with transaction.atomic():
        alerts.raise_alert(breach, Alert.Cause.TO_LOOK_AT, because, site=breach.site, at=at)
