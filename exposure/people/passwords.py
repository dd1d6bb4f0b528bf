"""Passwords that are long and known all the same: a common one said again, with figures around it, or a run of keys.

As NIST SP 800-63B-4, 3.1.1.2 asks: a blocklist of what is commonly used, and no rule of composition. The list is
Django's own, of 20,000 (`CommonPasswordValidator`).
"""

import re
from functools import cache
from itertools import pairwise
from typing import Any

from django.contrib.auth.password_validation import CommonPasswordValidator
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

LEAST_DIFFERENT = 5  # characters; a local choice
ROWS = ("qwertyuiopasdfghjklzxcvbnm", "qwertzuiopasdfghjklyxcvbnm", "azertyuiopqsdfghjklmwxcvbn")
REPLACED = str.maketrans("013457@$!", "oieastasi")  # as people disguise a word
AROUND = re.compile(r"^[\W\d_]+|[\W\d_]+$")


@cache
def _common() -> frozenset[str]:
    return frozenset(CommonPasswordValidator().passwords)


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
