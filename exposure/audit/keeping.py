"""One turn of whoever seals: seal what is new, say that all is sealed, and let the newest head out by e-mail."""

import json
import logging
from datetime import datetime, timedelta
from smtplib import SMTPException

from django.conf import settings
from django.core.mail import send_mail
from django.utils.translation import gettext as _

from exposure.audit import heads, sealing
from exposure.audit.heads import Head
from exposure.audit.models import SealHead
from exposure.remind import heartbeat
from exposure.remind.models import Heartbeat

log = logging.getLogger(__name__)

POSTED = "heads by e-mail"
POST_EVERY = timedelta(hours=24)


def keep(*, at: datetime) -> None:
    """What is done every minute. Raises OSError where the heads cannot be written outside the database."""
    sealed = sealing.seal(at=at)
    if sealed.caught_up:
        heartbeat.beat(heartbeat.SEALER, at=at)
    post(at=at)


def post(*, at: datetime) -> bool:
    """Send the newest head to SEAL_HEADS_EMAIL, once in 24 hours and never the same one again: a copy that the
    database's owner cannot take back. Returns whether one left; what could not leave is tried again next time."""
    head = heads.newest()
    if head is None or not settings.SEAL_HEADS_EMAIL:
        return False
    last = Heartbeat.objects.filter(name=POSTED).first()
    if last and (last.note == str(head.pk) or timedelta(0) <= at - last.at < POST_EVERY):
        return False
    try:
        subject = _("Seal of the record: %(size)d entries") % {"size": head.size}
        send_mail(subject, text_of(head), None, [settings.SEAL_HEADS_EMAIL])
    except (OSError, SMTPException):
        log.exception("The newest head could not be sent by e-mail.")
        return False
    heartbeat.beat(POSTED, at=at, note=str(head.pk))
    return True


def text_of(head: SealHead) -> str:
    """The message: what it is for, and the head as one line."""
    words = _(
        "Keep this message where nobody who runs the service can change it. The line below proves later what the "
        "record was: put it into a file, and run manage.py verify --head FILE."
    )
    return f"{words}\n\n{line_of(head)}\n"


def line_of(head: SealHead) -> str:
    """A head as heads.jsonl has it."""
    return json.dumps(Head.of(head).as_json())
