"""A short number that opens an account on one phone.

The phone holds a secret of 256 bits, its holder knows six digits; neither opens anything without the other, and after
five wrong tries in a row neither does. Six digits at least, few tries, none that everybody tries first: as NIST
SP 800-63B-4 asks of a secret that unlocks an authenticator (3.2.10).
"""

import hashlib
import secrets
from datetime import datetime, timedelta
from itertools import pairwise

from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction
from django.utils.translation import gettext as _

from exposure.people.models import PhonePin, Role, User

DIGITS = 6
LEAST_DIFFERENT = 3  # digits; a local choice
MOST_WRONG_TRIES = 5  # in a row; then only another way in helps
LASTS = timedelta(days=180)  # from the last time that it opened; as long as a browser is known


def why_not(pin: str) -> str | None:
    """Why these digits cannot be taken; None if they can."""
    if len(pin) != DIGITS or not (pin.isascii() and pin.isdecimal()):
        return _("Six digits.")
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    if len(set(pin)) < LEAST_DIFFERENT or len(steps) == 1 or pin[:3] == pin[3:]:
        return _("That is one of the first that somebody would try. Take six digits without such a pattern.")
    return None


def set_pin(user: User, pin: str, *, at: datetime) -> tuple[str, PhonePin]:
    """The account opens on this phone by these digits; the secret that the phone keeps, and the row."""
    secret = secrets.token_urlsafe(32)
    row = PhonePin.objects.create(
        user=user, sha256=_digest(secret), code=make_password(_both(secret, pin)), created_at=at, used_at=at
    )
    return secret, row


def standing(secret: str, *, at: datetime) -> PhonePin | None:
    """What this phone's secret opens with its digits; None where it has ended or was not used for long, its holder is
    switched off, or holds a role: other people's records are not opened by six digits."""
    row = (
        PhonePin.objects.select_related("user")
        .filter(sha256=_digest(secret), ended_at=None, used_at__gt=at - LASTS, user__is_active=True)
        .first()
    )
    if row is None or Role.objects.filter(user=row.user_id).held(at=at).exists():
        return None
    return row


def is_of(row: PhonePin, secret: str) -> bool:
    """Whether it is the phone with this secret."""
    return row.sha256 == _digest(secret)


def opens(row: PhonePin, secret: str, pin: str, *, at: datetime) -> bool:
    """Whether these are its digits; a wrong try is counted before anybody learns that it was wrong, the last ends it.

    Tries at the same instant stand in line for the row, so none goes uncounted.
    """
    with transaction.atomic():
        row = PhonePin.objects.select_for_update().get(pk=row.pk)
        if row.ended_at:
            return False
        right = check_password(_both(secret, pin), row.code)
        if right:
            row.wrong_tries, row.used_at = 0, max(at, row.used_at)
        else:
            row.wrong_tries += 1
            if row.wrong_tries >= MOST_WRONG_TRIES:
                row.ended_at = at
        row.save()
        return right


def tries_left(row: PhonePin) -> int:
    """How many wrong tries it still bears; none where it has ended."""
    row.refresh_from_db()
    return 0 if row.ended_at else MOST_WRONG_TRIES - row.wrong_tries


def end(row: PhonePin, *, at: datetime) -> None:
    """That phone opens the account no more."""
    with transaction.atomic():
        row = PhonePin.objects.select_for_update().get(pk=row.pk)
        if row.ended_at is None:
            row.ended_at = at
            row.save()


def end_all(user: User, *, at: datetime, but: str = "") -> None:
    """Every phone of this account, but the one with the secret `but`, opens it no more."""
    with transaction.atomic():
        for row in PhonePin.objects.filter(user=user, ended_at=None).exclude(sha256=_digest(but)):
            end(row, at=at)


def is_only_way(user: User) -> bool:
    """Whether nothing but digits on a phone opens the account: who loses that phone has to be invited again."""
    return not user.has_usable_password() and not user.authenticator_set.exists()


def _both(secret: str, pin: str) -> str:
    return f"{secret} {pin}"


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()  # 256 random bits need no slow hash
