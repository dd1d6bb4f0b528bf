"""Words that are kept in rows, and the language in which people read them.

What the service itself concludes is kept in English, whoever caused it: clinicians read it. So is what is chosen by a
tap. What somebody typed, and why it was not taken, is kept in the language in which it was said. Texts that were
shipped (protocols, first-aid cards, criteria) are kept as they were shipped, and looked up in the catalogue when they
are shown.
"""

from django.utils import translation
from django.utils.translation import gettext, pgettext

SHIPPED = "shipped text"  # the context in the catalogue
KEPT_IN = "en"


def kept() -> translation.override:
    """`with kept():` what is put into words there goes into a row that clinicians read. Never as a decorator, which
    threads would share."""
    return translation.override(KEPT_IN)


def as_said(text: str | None) -> str:
    """What somebody typed, with what they chose by a tap: a line that was chosen is kept in English, and comes in the
    reader's language; what was typed stays."""
    return "\n".join(gettext(line) if line else "" for line in (text or "").split("\n"))


def shipped(text: str | None) -> str:
    """A shipped text in the reader's language; as it stands where somebody has changed it or no catalogue has it."""
    return pgettext(SHIPPED, text) if text else ""
