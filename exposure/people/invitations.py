"""Ways in: made for one person, sent to them, used once within three days.

To an account that an administrator has made, or whose holder is shut out; or to a worker, who makes an account of it.
Nobody sets a password for somebody else.
"""

import hashlib
import secrets
from datetime import datetime, timedelta
from enum import StrEnum

from django.db import transaction
from django.utils.crypto import constant_time_compare

from exposure.people import pins
from exposure.people.models import Invitation, Role, User, Worker
from exposure.places.models import Identity
from exposure.refusal import Conflict

LASTS = timedelta(hours=72)
LAST_DIGITS = 4


class Asked(StrEnum):
    """What shows who a worker is."""

    BIRTH_YEAR = "birth_year"
    NUMBER = "number"
    PHONE = "phone"  # the end of the telephone number
    NOTHING = "nothing"


# What a site chooses, and what is asked instead of whom it is not known of, the nearest to it first. A year of birth is
# asked where the site has chosen it, and nowhere else.
ASKED = {
    Identity.BIRTH_YEAR: (Asked.BIRTH_YEAR, Asked.NUMBER, Asked.PHONE),
    Identity.NUMBER: (Asked.NUMBER, Asked.PHONE),
    Identity.NOTHING: (Asked.NOTHING,),
}
# Then the invitation has ended: of some fifty years of birth one is soon guessed. Local choices.
MOST_WRONG_ANSWERS = {Asked.BIRTH_YEAR: 3, Asked.NUMBER: 5, Asked.PHONE: 5}


class State(StrEnum):
    """How an invitation stands."""

    OPEN = "open"
    USED = "used"
    LOCKED = "locked"  # by wrong answers
    REPLACED = "replaced"  # by a newer one
    EXPIRED = "expired"


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


def behind(secret: str) -> Invitation | None:
    """The invitation of that secret, however it stands."""
    rows = Invitation.objects.select_related("user", "worker__site", "worker__user")
    return rows.filter(sha256=_digest(secret)).first()


def state_of(invitation: Invitation, *, at: datetime) -> State:
    """How it stands at `at`."""
    if invitation.used_at:
        return State.USED
    if invitation.locked_at:
        return State.LOCKED
    if invitation.ended_at:
        return State.REPLACED
    return State.EXPIRED if invitation.expires_at <= at else State.OPEN


def is_open(invitation: Invitation, *, at: datetime) -> bool:
    """Whether somebody can come in by it: not where its holder has another way in meanwhile or is switched off, nor
    where nothing would show who they are."""
    if state_of(invitation, at=at) is not State.OPEN:
        return False
    worker, user = invitation.worker, invitation.user
    if worker is not None and not (may_be_invited(worker, at=at) and asked_of(worker)):
        return False
    return user is None or user.is_active


def newest_of(worker: Worker) -> Invitation | None:
    """The last one that the worker was given."""
    return Invitation.objects.filter(worker=worker).order_by("-pk").first()


def may_be_invited(worker: Worker, *, at: datetime) -> bool:
    """Whether a worker is let in by an invitation: who has no account, or whose account opens by digits on a phone
    alone, which may be lost. Never into one that has, or waits for, a role: that is an administrator's."""
    user = worker.user
    if worker.same_as_id or user is None:
        return not worker.same_as_id
    roles = Role.objects.filter(user=user).exclude(until_at__lte=at)
    return user.is_active and pins.is_only_way(user) and not roles.exists()


def asked_of(worker: Worker) -> Asked | None:
    """What an invitation asks of this worker: what their site has chosen, else the next that is known of them; None
    where nothing is."""
    known = {
        Asked.BIRTH_YEAR: bool(worker.birth_year),
        Asked.NUMBER: bool(_plain(worker.number or "")),
        Asked.PHONE: len(_digits(worker)) == LAST_DIGITS,
        Asked.NOTHING: True,
    }
    return next((asked for asked in ASKED[Identity(worker.site.identity)] if known[asked]), None)


def may_be_shown(user: User, *, at: datetime) -> bool:
    """Whether an invitation may be handed out on paper by who makes it: not to an account that opens something already,
    nor to one that has an address of its own."""
    opens = Role.objects.filter(user=user).held(at=at).exists() or hasattr(user, "worker")
    return not opens and not user.email


def is_who(worker: Worker, answer: str) -> bool:
    """Whether that is what is asked of the worker, however it is written."""
    match asked_of(worker):
        case Asked.NOTHING:
            return True
        case Asked.BIRTH_YEAR:
            return constant_time_compare(answer.strip(), str(worker.birth_year))
        case Asked.NUMBER:
            return constant_time_compare(_plain(answer), _plain(worker.number or ""))
        case Asked.PHONE:
            given = "".join(filter(str.isdigit, answer))[-LAST_DIGITS:]
            return constant_time_compare(given, _digits(worker))
    return False


def shows_who(invitation: Invitation, answer: str, *, at: datetime) -> bool:
    """Whether who opens the invitation of a worker is that worker. A wrong answer is counted before anybody learns that
    it was wrong; the last one that is borne ends the invitation. The answer is kept nowhere.

    Answers at the same instant stand in line for the row, so none goes uncounted.
    """
    with transaction.atomic():
        row = (
            Invitation.objects.select_for_update(of=("self",))
            .select_related("worker__site")
            .get(pk=invitation.pk)
        )
        if row.worker is None or state_of(row, at=at) is not State.OPEN:
            return False
        if is_who(row.worker, answer):
            return True
        row.wrong_answers += 1
        if answers_left(row) == 0:
            row.ended_at = row.locked_at = at
        row.save()
        return False


def answers_left(invitation: Invitation) -> int:
    """How many wrong answers an invitation of a worker still bears."""
    asked = asked_of(invitation.worker) if invitation.worker else None
    most = MOST_WRONG_ANSWERS.get(asked, 0) if asked else 0
    return max(most - invitation.wrong_answers, 0)


def use(invitation: Invitation, user: User, *, at: datetime) -> None:
    """Its holder has come in by the account `user`; where a worker was invited, it becomes theirs. A phone that opened
    it by digits before does so no more.

    Raises Conflict where it stands no longer, the worker or the account belongs to somebody already, or there is
    another way into it meanwhile.
    """
    with transaction.atomic():
        row = Invitation.objects.select_for_update().get(pk=invitation.pk)
        if state_of(row, at=at) is not State.OPEN:
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


def _digits(worker: Worker) -> str:
    return "".join(filter(str.isdigit, worker.phone or worker.mobile))[-LAST_DIGITS:]


def _plain(text: str) -> str:
    return "".join(filter(str.isalnum, text)).casefold()


def _digest(secret: str) -> str:
    # 256 random bits need no slow hash.
    return hashlib.sha256(secret.encode()).hexdigest()
