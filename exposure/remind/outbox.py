"""Deliver what waits: claim with a lease, decide again, note the attempt, send outside the transaction, mark.

At most once, except where nobody can know: the process ends between the gateway's yes and our mark, or the gateway
takes the message and never says so. Then it is sent again under the same idempotency key; both attempts stand in the
record, the first without a yes. Sending is a process of its own: whatever a gateway does, the sweep goes on.
"""

import logging
import random
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import OperationalError, transaction
from django.db.models import F, Q, QuerySet
from django.utils.translation import gettext as _

from exposure import clock
from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.outage import is_outage
from exposure.record import acting, current
from exposure.remind import claimed, heartbeat, texts, verdict
from exposure.remind.among import among
from exposure.remind.channels.refusal import Refused
from exposure.remind.channels.registry import CHANNELS
from exposure.remind.deadline import deadline
from exposure.remind.links import digest, secret_of
from exposure.remind.models import Attempt, AttemptOutcome, Message, SetAside
from exposure.remind.rounds import put_aside
from exposure.remind.verdict import TOGETHER
from exposure.remind.ways import Way

BATCH = 5
DEADLINE = 20.0  # seconds for one message, whatever the gateway drips
LEASE = timedelta(minutes=5)  # from the claim, and anew from each sending: longer than BATCH times DEADLINE
FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=15)
LONGEST_WAIT_OF_A_PAGE = timedelta(minutes=2)
RESTS_AFTER = 3  # temporary refusals of one channel in a row; the rest of the round leaves it alone
PART = "messages"  # how one that cannot be decided about is named among what is set aside
log = logging.getLogger(__name__)
Now = Callable[[], datetime]
Within = Callable[[float], AbstractContextManager[None]]


@dataclass
class Round:
    """One run of the sending process: what it did, and the refusals in a row of each channel."""

    now: Now
    within: Within
    done: Counter[str]
    refusals: Counter[str]

    @contextmanager
    def moment(self) -> Iterator[datetime]:
        """This instant, under which what is written now is recorded."""
        at, who = self.now(), current()
        with acting(who.actor, who.origin, who.reason, at=at):
            yield at


def deliver(
    *, now: Now, going_on: Callable[[], bool] = lambda: True, batch: int = BATCH, within: Within = deadline
) -> Counter[str]:
    """Send what is due, clinicians' pages first, as long as the gateways take any and it is `going_on`, which is asked
    before each message. `now` is read afresh for every step. Returns how many were sent, refused, skipped, put off and
    given up."""
    this, began = Round(now, within, Counter(), Counter()), clock.running()
    while going_on():
        with this.moment() as at:
            heartbeat.beat(heartbeat.SENDER, at=at)
            seen, going = _claim(at, batch, this)
        sent = 0
        for message, waiting in going:
            if not going_on():
                _mine(message).update(lease_until=None)
            elif this.refusals[message.channel] >= RESTS_AFTER:
                _mine(message).update(lease_until=None, due_at=at + FIRST_WAIT)
            else:
                sent += _send(message, waiting, this)
        if not seen or (going and not sent):
            break
    with this.moment() as at:
        heartbeat.beat(heartbeat.SENDER, at=at, seconds=clock.running() - began)
    return this.done


def _waiting(at: datetime) -> Q:
    return Q(sent_at=None, given_up_at=None, due_at__lte=at) & (Q(lease_until=None) | Q(lease_until__lte=at))


@transaction.atomic
def _claim(at: datetime, batch: int, this: Round) -> tuple[int, list[tuple[Message, int]]]:
    """Take some messages that are due, decide about each as things stand now, and lease those that go. Returns how many
    were looked at, and those that go, each with how much waits for its recipient."""
    free = Message.objects.select_for_update(skip_locked=True, of=("self",)).filter(_waiting(at))
    ids: list[int] = []
    for kind in (Q(alert__isnull=False), Q(reminder__isnull=False)):
        rows = free.filter(kind).order_by("due_at", "pk")[: batch - len(ids)]
        ids += [message.pk for message in rows]
    return len(ids), _decide_apart(ids, at, this)


def _decide_apart(ids: list[int], at: datetime, this: Round) -> list[tuple[Message, int]]:
    """Together; where that fails, each by itself, and one that fails alone is set aside."""
    if not ids:
        return []
    try:
        with transaction.atomic():
            going = _decide(claimed.whole(ids), at, this)
    except Exception as error:
        if isinstance(error, OperationalError) or is_outage(error):
            raise
        if len(ids) > 1:
            return [found for pk in ids for found in _decide_apart([pk], at, this)]
        Message.objects.filter(pk__in=ids).update(due_at=at + LONGEST_WAIT)
        put_aside(PART, ids[0], error, at)
        return []
    SetAside.objects.filter(part=PART, settled_at=None, row__in=[str(pk) for pk in ids]).update(settled_at=at)
    return going


def _decide(messages: list[Message], at: datetime, this: Round) -> list[tuple[Message, int]]:
    standing = claimed.standing(messages, at=at)
    tried = claimed.tried(messages)
    ours = {message.pk for message in messages}
    this.done["skipped"] += _skip_others([pk for pk in standing.spoken_for if pk not in ours], at)
    going, unreached = [], []
    for message in messages:
        decided = standing.verdicts[message.pk]
        way = _way(message, standing.ways[message.pk], tried[message.pk])
        message.lease_until = None
        if decided.because:
            _skip(message, decided.because, at)
        elif decided.until is not None:
            message.due_at = decided.until
        elif message.pointless_at <= at or way is None:
            message.given_up_at = at
        elif this.refusals[way.channel] >= RESTS_AFTER:
            message.due_at = at + FIRST_WAIT
        else:
            _lease(message, way, at)
            going.append((message, standing.waiting.get(message.user_id or 0, 1)))
        if message.given_up_at is not None and not message.skipped_because:
            unreached.append(message)
    Message.objects.bulk_update(messages, CLAIMED)
    _take_back(
        {one.user_id for one in messages if one.alert_id and one.skipped_because not in ("", TOGETHER)}, at
    )
    for message in unreached:
        _tell_of(message, at)
    this.done["skipped"] += sum(bool(message.skipped_because) for message in messages)
    this.done["given up"] += len(unreached)
    this.done["put off"] += sum(message.due_at > at for message in messages)
    return going


def _skip_others(pages: list[int], at: datetime) -> int:
    """Those that nobody holds. Returns how many."""
    if not pages:
        return 0
    free = Message.objects.filter(among(pages), Q(lease_until=None) | Q(lease_until__lte=at), sent_at=None)
    held = free.filter(given_up_at=None).select_for_update(skip_locked=True)
    return Message.objects.filter(pk__in=held.values("pk")).update(given_up_at=at, skipped_because=TOGETHER)


def _take_back(users: set[int | None], at: datetime) -> None:
    """The page that was to speak for others to these people does not go, because its alert was closed or taken while it
    waited: those others wait again, as far as nothing has gone since that spoke for them."""
    if not users:
        return
    dropped = Message.objects.filter(
        user__in=users, skipped_because=TOGETHER, sent_at=None, pointless_at__gt=at
    )
    asking = dropped.filter(alert__closed_at=None, alert__acknowledged_at=None, alert__round=F("alert_round"))
    silent = asking.exclude(pk__in=claimed.counted(asking).values("pk"))
    Message.objects.filter(pk__in=silent.values("pk")).update(
        given_up_at=None, skipped_because="", due_at=at, lease_until=None
    )


CLAIMED = [
    "lease_until", "token", "channel", "address", "due_at", "given_up_at", "skipped_because", "link_sha256",
]  # fmt: skip


def _skip(message: Message, because: str, at: datetime) -> None:
    message.given_up_at = at
    # A reminder that could not leave before its reading closed is no reminder that was not needed.
    late = because == verdict.CLOSED and message.reminder_id is not None
    message.skipped_because = "" if late else because


def _lease(message: Message, way: Way, at: datetime) -> None:
    message.channel, message.address = way
    message.lease_until = at + LEASE
    message.token = uuid.uuid4()
    if message.reminder_id is not None:
        message.link_sha256 = digest(secret_of(message))


def _way(message: Message, ways: list[Way], tried: set[str]) -> Way | None:
    """The channel that it has begun with, at the address that counts now; else the first that is left."""
    left = [way for way in ways if way.channel not in tried]
    begun = [way for way in left if way.channel == message.channel and message.attempts_made]
    return next(iter(begun or left), None)


def _send(message: Message, waiting: int, this: Round) -> int:
    with this.moment() as at:
        attempt = _begin(message, at)
    if attempt is None:
        return 0
    accepted, refusal = False, None
    try:
        letter = texts.letter(message, waiting=waiting)
        with this.within(DEADLINE):
            CHANNELS[message.channel](letter)
            accepted = True
    except Refused as no:
        refusal = no
    except Exception as error:  # one bad message must not keep the others waiting
        if not accepted:
            log.exception("Message %s could not be sent.", message.uid)
            refusal = Refused(type(error).__name__, permanent=False)
    with this.moment() as at:
        if refusal is not None:
            this.refusals[message.channel] += not refusal.permanent
            this.done["refused"] += 1
            _refused(attempt, refusal, at)
            return 0
        this.refusals[message.channel] = 0
        this.done["sent"] += 1
        with transaction.atomic():
            AttemptOutcome.objects.create(attempt=attempt, accepted=True)
            _mine(message).update(sent_at=at, lease_until=None, subject=letter.subject)
    return 1


@transaction.atomic
def _begin(message: Message, at: datetime) -> Attempt | None:
    """The attempt, on record before the gateway is called; None where the lease has run out meanwhile, or another
    process holds the message."""
    message.attempts_made += 1
    held = _mine(message).filter(lease_until__gt=at)
    if not held.update(lease_until=at + LEASE, attempts_made=message.attempts_made):
        return None
    return Attempt.objects.create(message=message, number=message.attempts_made, channel=message.channel)


def _mine(message: Message) -> QuerySet[Message]:
    """The message as long as this process holds it and it waits."""
    return Message.objects.filter(pk=message.pk, token=message.token, sent_at=None, given_up_at=None)


@transaction.atomic
def _refused(attempt: Attempt, refusal: Refused, at: datetime) -> None:
    AttemptOutcome.objects.create(attempt=attempt, accepted=False, detail=str(refusal))
    message = attempt.message
    if refusal.permanent:
        if _mine(message).exists():
            pass_on(message, at=at)
        return
    longest = LONGEST_WAIT if message.reminder_id is not None else LONGEST_WAIT_OF_A_PAGE
    wait = min(FIRST_WAIT * 2 ** min(attempt.number - 1, 10), longest) * random.uniform(0.75, 1.25)
    _mine(message).update(due_at=at + wait, lease_until=None)


@transaction.atomic
def pass_on(message: Message, *, at: datetime) -> Message | None:
    """Its channel does not reach the recipient: another takes it over, from now on; where none is left, or it is too
    late, a nurse is told. Returns the message that takes over."""
    [message] = claimed.whole([message.pk])
    Message.objects.filter(pk=message.pk, sent_at=None, given_up_at=None).update(
        given_up_at=at, lease_until=None
    )
    tried = claimed.tried([message])[message.pk] | {message.channel}
    way = _way(message, claimed.standing([message], at=at).ways[message.pk], tried)
    if way is None or message.pointless_at <= at:
        _tell_of(message, at)
        return None
    return Message.objects.create(
        site=message.site,
        reminder=message.reminder,
        alert=message.alert,
        alert_round=message.alert_round,
        page_rung=message.page_rung,
        worker=message.worker,
        user=message.user,
        channel=way.channel,
        address=way.address,
        created_at=at,
        due_at=at,
        pointless_at=message.pointless_at,
    )


def _tell_of(message: Message, at: datetime) -> None:
    """No channel is left: a nurse is told that the worker is not reached. Of a page others are told, and it stands on
    the list."""
    if message.worker is not None:
        because = _("A reminder could not be delivered. Please ring.")
        raise_alert(message.worker, Alert.Cause.UNREACHABLE, because, site=message.site, at=at)
    else:
        log.warning("Page %s reached nobody.", message.uid)
