"""Deliver what waits in the outbox: claim with a lease, note the attempt, send outside the transaction, mark.

At most once, except for a crash between the gateway's yes and our mark: the lease runs out and the message is
sent again under the same idempotency key; both attempts stand in the record.
"""

import logging
import random
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.record import insert_many
from exposure.remind.channels import email
from exposure.remind.channels.refusal import Refused
from exposure.remind.models import Attempt, AttemptOutcome, Message

BATCH = 10
LEASE = timedelta(minutes=5)  # longer than a batch of slowest deliveries (settings.EMAIL_TIMEOUT each)
FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=15)
log = logging.getLogger(__name__)
CHANNELS: dict[str, Callable[[Message], None]] = {Message.Channel.EMAIL: email.send}


def deliver(*, at: datetime, batch: int = BATCH) -> int:
    """Send what is due, batch after batch as long as the gateways take any. Returns how many they took."""
    _give_up_pointless(at)
    taken = 0
    while attempts := _claim(at, batch):
        sent = sum(_send(attempt, at) for attempt in attempts)
        taken += sent
        if not sent:
            break
    return taken


def _waiting(at: datetime) -> Q:
    return Q(sent_at=None, given_up_at=None, due_at__lte=at) & (Q(lease_until=None) | Q(lease_until__lte=at))


@transaction.atomic
def _claim(at: datetime, batch: int) -> list[Attempt]:
    messages = list(
        Message.objects.select_for_update(skip_locked=True)
        .filter(_waiting(at))
        .order_by("due_at", "pk")[:batch]
    )
    for message in messages:
        message.lease_until = at + LEASE
        message.token = uuid.uuid4()
        message.attempts_made += 1
    Message.objects.bulk_update(messages, ["lease_until", "token", "attempts_made"])
    return insert_many(
        Attempt, [Attempt(message=one, number=one.attempts_made, channel=one.channel) for one in messages]
    )


def _send(attempt: Attempt, at: datetime) -> bool:
    message = attempt.message
    if not _mine(message).exists():
        return False
    try:
        CHANNELS[message.channel](message)
    except Refused as refusal:
        _refused(attempt, refusal, at)
        return False
    except Exception as error:  # one bad message must not keep the others waiting
        log.exception("Message %s could not be sent.", message.uid)
        _refused(attempt, Refused(f"{type(error).__name__}: {error}", permanent=False), at)
        return False
    with transaction.atomic():
        AttemptOutcome.objects.create(attempt=attempt, accepted=True)
        _mine(message).update(sent_at=at, lease_until=None)
    return True


def _mine(message: Message) -> QuerySet[Message]:
    """The message as long as this process holds it and it waits."""
    return Message.objects.filter(pk=message.pk, token=message.token, sent_at=None, given_up_at=None)


@transaction.atomic
def _refused(attempt: Attempt, refusal: Refused, at: datetime) -> None:
    AttemptOutcome.objects.create(attempt=attempt, accepted=False, detail=str(refusal))
    if refusal.permanent:
        _give_up(_mine(attempt.message).select_related("worker", "site"), at)
    else:
        wait = min(FIRST_WAIT * 2 ** (attempt.number - 1), LONGEST_WAIT) * random.uniform(0.75, 1.25)
        _mine(attempt.message).update(due_at=at + wait, lease_until=None)


@transaction.atomic
def _give_up_pointless(at: datetime) -> None:
    pointless = Message.objects.select_for_update(skip_locked=True, of=("self",)).filter(
        _waiting(at), pointless_at__lte=at
    )
    _give_up(pointless.select_related("worker", "site"), at)


def _give_up(waiting: QuerySet[Message], at: datetime) -> None:
    """No channel is left: a nurse is told that the worker is not reached."""
    messages = list(waiting)
    Message.objects.filter(pk__in=[one.pk for one in messages]).update(given_up_at=at, lease_until=None)
    for message in messages:
        if message.worker is not None:
            because = _("A reminder could not be delivered. Please ring.")
            raise_alert(message.worker, Alert.Cause.UNREACHABLE, because, site=message.site, at=at)
