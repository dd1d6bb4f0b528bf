"""A report that a station's tablet sealed is opened and taken in like any other; one that cannot be opened is kept as
it came, and a nurse is asked."""

import logging
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
from exposure.pipeline.report import Reported, report_breach
from exposure.refusal import BadSubmission, Conflict
from exposure.report import sealed
from exposure.report.intake import CLOCK_GRACE
from exposure.report.models import Breach
from exposure.report.submission import read_instant, without_digits

log = logging.getLogger(__name__)


def take_sealed(*, envelope: sealed.Envelope, reporter: User, at: datetime) -> Reported:
    """Store what was sealed, once per `submission_id`, as `report_breach` does.

    Raises Conflict (the id stands with other content, which is kept for a nurse). Never BadSubmission: what cannot be
    read is kept as it came, at the highest tier, under its reference.

    The digits by which an observer says who they are (`exposure.people.station_pins`) are checked once the report is
    stored, and never kept. Nothing that is answered says whether they were right.
    """
    try:
        body, digits = without_digits(sealed.opened(envelope))
    except sealed.CannotOpen:
        return _keep_as_it_came(envelope, reporter, at)
    try:
        reported = report_breach(body=body, reporter=reporter, at=at)
    except BadSubmission:
        return _keep_as_it_came(envelope, reporter, at)
    if _clock_was_set(body, envelope, at):
        _ask_when(reported, at)
    if reported.created and digits:
        _prove_observer(reported.breach, digits, reporter, at)
    return reported


def open_kept(*, at: datetime) -> tuple[int, int]:
    """What was kept as it came is tried again, with the keys there are now: what opens stands beside it, as the same
    report sent again, and a nurse is asked. Returns how many have opened for the first time, and how many do not."""
    opened = closed = 0
    for breach in Breach.objects.filter(body__has_key="sealed").select_related("reported_by").order_by("pk"):
        before = breach.other_contents.count()
        try:
            envelope = sealed.read_envelope({**breach.body["sealed"], "submission_id": str(breach.uid)})
            report_breach(body=sealed.opened(envelope), reporter=breach.reported_by, at=at)
        except Conflict:
            opened += breach.other_contents.count() > before
        except (BadSubmission, sealed.CannotOpen):
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
