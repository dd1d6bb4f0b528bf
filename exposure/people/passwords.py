"""Passwords: long enough for what stands beside them, and none that is known all the same: a common one said again,
with figures around it, or a run of keys.

As NIST SP 800-63B-4, 3.1.1.2 asks: 15 characters where the password stands alone, 8 beside a second factor; a blocklist
of what is commonly used, and no rule of composition. The list is Django's own, of 20,000 (`CommonPasswordValidator`).
"""

import re
from functools import cache
from itertools import pairwise
from typing import Any

from django.contrib.auth.password_validation import CommonPasswordValidator
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

LEAST_ALONE, LEAST_WITH_FACTOR = 15, 8  # characters
LEAST_DIFFERENT = 5  # characters; a local choice
ROWS = ("qwertyuiopasdfghjklzxcvbnm", "qwertzuiopasdfghjklyxcvbnm", "azertyuiopqsdfghjklmwxcvbn")
REPLACED = str.maketrans("013457@$!", "oieastasi")  # as people disguise a word
AROUND = re.compile(r"^[\W\d_]+|[\W\d_]+$")


@cache
def _common() -> frozenset[str]:
    return frozenset(CommonPasswordValidator().passwords)


def set_password(user: Any, password: str) -> None:
    """The account's password, and whether it may stand alone. Saving is left to the caller."""
    user.set_password(password)
    user.password_alone = len(password) >= LEAST_ALONE


class LengthValidator:
    """Refuses what is too short for an account like this."""

    def validate(self, password: str, user: Any = None) -> None:
        least = LEAST_WITH_FACTOR if _has_second_factor(user) else LEAST_ALONE
        if len(password) < least:
            words = _("It is too short: at least %(count)s characters.")
            raise ValidationError(words, code="password_too_short", params={"count": least})

    def get_help_text(self) -> str:
        return _("At least 15 characters; 8 where the account has a second factor.")


def _has_second_factor(user: Any) -> bool:
    factors = getattr(user, "authenticator_set", None) if getattr(user, "pk", None) else None
    return factors is not None and factors.exclude(type="recovery_codes").exists()


class GuessedPasswordValidator:
    """Refuses what a guesser tries before long."""

    def validate(self, password: str, user: Any = None) -> None:
        if is_guessed(password):
            words = _(
                "This is a common password, or one made longer. Take four words that have nothing in common."
            )
            raise ValidationError(words, code="password_guessed")

    def get_help_text(self) -> str:
        return _("No common password made longer, and no run of keys.")


def is_guessed(password: str) -> bool:
    """Whether it is a common word said again or with figures around it, one part over and over, or a run."""
    typed = password.casefold()
    if len(set(typed)) < LEAST_DIFFERENT or _is_run(typed):
        return True
    texts = {typed, typed.translate(REPLACED)}
    return any(_is_made_of_one(part) for text in texts for part in (text, AROUND.sub("", text)) if part)


def _is_made_of_one(text: str) -> bool:
    unit = text[: (text + text).find(text, 1)]  # the shortest part that, said over and over, is the text
    return len(unit) < len(text) or unit in _common()


def _is_run(text: str) -> bool:
    """Whether it goes up or down by one all the way, or along the keyboard."""
    steps = {ord(after) - ord(before) for before, after in pairwise(text)}
    if text.isdecimal():
        steps = {step % 10 for step in steps}
    if len(steps) == 1 and steps <= {1, -1, 9}:
        return True
    return any(text in way * 2 for row in ROWS for way in (row, row[::-1]))
