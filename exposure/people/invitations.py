"""Ways in: made for one person, sent to them, used once within three days.

To an account that an administrator has made, or whose holder is shut out; or to a worker, who makes an account of it.
Nobody sets a password for somebody else.
"""

import hashlib
import secrets
from datetime import datetime, timedelta

from django.db import transaction
from django.utils.crypto import constant_time_compare

from exposure.people import pins
from exposure.people.models import Invitation, Role, User, Worker
from exposure.refusal import Conflict

LASTS = timedelta(hours=72)
MOST_WRONG_ANSWERS = 5  # then it has ended: a staff number is soon guessed
LAST_DIGITS = 4


def invite(*, user: User | None = None, worker: Worker | None = None, at: datetime) -> tuple[str, Invitation]:
    """A new way in for an account's holder or a worker, and its secret, which is kept nowhere. Earlier ones end."""
    secret = secrets.token_urlsafe(32)
    with transaction.atomic():
        for earlier in Invitation.objects.filter(user=user, worker=worker, used_at=None, ended_at=None):
            earlier.ended_at = at
            earlier.save()
        invitation = Invitation.objects.create(
            user=user, worker=worker, sha256=_digest(secret), expires_at=at + LASTS
        )
    return secret, invitation


def standing(secret: str, *, at: datetime) -> Invitation | None:
    """The invitation behind a secret; None when it is unknown, used, ended or has run out, or its holder has another
    way in meanwhile or is switched off."""
    invitation = (
        Invitation.objects.select_related("user", "worker__site", "worker__user")
        .filter(sha256=_digest(secret), used_at=None, ended_at=None, expires_at__gt=at)
        .first()
    )
    if invitation is None:
        return None
    worker, user = invitation.worker, invitation.user
    if worker is not None and not may_be_invited(worker, at=at):
        return None
    return None if user is not None and not user.is_active else invitation


def may_be_invited(worker: Worker, *, at: datetime) -> bool:
    """Whether a worker is let in by an invitation: who has no account, or whose account opens by digits on a phone
    alone, which may be lost. Never into one that has, or waits for, a role: that is an administrator's."""
    user = worker.user
    if worker.same_as_id or user is None:
        return not worker.same_as_id
    roles = Role.objects.filter(user=user).exclude(until_at__lte=at)
    return user.is_active and pins.is_only_way(user) and not roles.exists()


def asks_number(worker: Worker) -> bool:
    """Whether the staff number is asked for; who has none is asked for the end of their telephone number."""
    return bool(worker.number)


def may_be_shown(user: User, *, at: datetime) -> bool:
    """Whether an invitation may be handed out on paper by who makes it: not to an account that opens something already,
    nor to one that has an address of its own."""
    opens = Role.objects.filter(user=user).held(at=at).exists() or hasattr(user, "worker")
    return not opens and not user.email


def is_who(worker: Worker, answer: str) -> bool:
    """Whether that is the worker's staff number, or the end of their telephone number, however it is written."""
    if asks_number(worker):
        return constant_time_compare(_plain(answer), _plain(worker.number or ""))
    digits = "".join(filter(str.isdigit, worker.phone or worker.mobile))[-LAST_DIGITS:]
    given = "".join(filter(str.isdigit, answer))[-LAST_DIGITS:]
    return len(digits) == LAST_DIGITS and constant_time_compare(given, digits)


def wrong_answer(invitation: Invitation, *, at: datetime) -> int:
    """Count one; how many are left before the invitation ends."""
    invitation.wrong_answers += 1
    left = MOST_WRONG_ANSWERS - invitation.wrong_answers
    if left <= 0:
        invitation.ended_at = at
    invitation.save()
    return max(left, 0)


def use(invitation: Invitation, user: User, *, at: datetime) -> None:
    """Its holder has come in by the account `user`; where a worker was invited, it becomes theirs. A phone that opened
    it by digits before does so no more.

    Raises Conflict where it stands no longer, the worker or the account belongs to somebody already, or there is
    another way into it meanwhile.
    """
    with transaction.atomic():
        row = Invitation.objects.select_for_update().get(pk=invitation.pk)
        if row.used_at or row.ended_at or row.expires_at <= at:
            raise Conflict
        if row.worker_id:
            worker = Worker.objects.select_for_update().get(pk=row.worker_id)
            if worker.user_id != user.pk:
                if worker.user_id or Worker.objects.filter(user=user).exists():
                    raise Conflict
                worker.user = user
                worker.save()
            elif not pins.is_only_way(user):
                raise Conflict
        pins.end_all(user, at=at)
        row.used_at = at
        row.save()


def _plain(text: str) -> str:
    return "".join(filter(str.isalnum, text)).casefold()


def _digest(secret: str) -> str:
    # 256 random bits need no slow hash.
    return hashlib.sha256(secret.encode()).hexdigest()
