"""Words that are kept in rows, and the language in which people read them.

What the service itself concludes is kept in English, whoever caused it: clinicians read it. What somebody said, and
what was said to them, is kept in the language in which it was said. Texts that were shipped (protocols, first-aid
cards, criteria) are kept as they were shipped, and looked up in the catalogue when they are shown.
"""

from django.utils import translation
from django.utils.translation import pgettext

SHIPPED = "shipped text"  # the context in the catalogue
KEPT_IN = "en"


def kept() -> translation.override:
    """`@kept()` or `with kept():` what is put into words there goes into a row that clinicians read."""
    return translation.override(KEPT_IN)


def shipped(text: str | None) -> str:
    """A shipped text in the reader's language; as it stands where somebody has changed it or no catalogue has it."""
    return pgettext(SHIPPED, text) if text else ""
