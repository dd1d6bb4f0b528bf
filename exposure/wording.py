"""Words that are kept in rows, and the language in which people read them.

What the service itself concludes is kept in English, whoever caused it: clinicians read it. So is what is chosen by a
tap. What somebody typed, and why it was not taken, is kept in the language in which it was said. Texts that were
shipped (protocols, first-aid cards, criteria) are kept as they were shipped, and looked up in the catalogue when they
are shown.
"""

import re
from datetime import date, datetime, time, timedelta

from django.utils import translation
from django.utils.formats import date_format
from django.utils.translation import gettext, pgettext
from django.utils.translation import gettext as _

TIMED = re.compile(r"(.+ )(\d\d:\d\d)\.")
SHIPPED = "shipped text"  # the context in the catalogue
KEPT_IN = "en"


def kept() -> translation.override:
    """`with kept():` what is put into words there goes into a row that clinicians read. Never as a decorator, which
    threads would share."""
    return translation.override(KEPT_IN)


def as_said(text: str | None) -> str:
    """What somebody typed, with what they chose by a tap: a line that was chosen is kept in English, and comes in the
    reader's language, also where it ends with a time of day; what was typed stays."""
    return "\n".join(_line_as_said(line) for line in (text or "").split("\n"))


def _line_as_said(line: str) -> str:
    timed = TIMED.fullmatch(line)
    if timed is None:
        return gettext(line) if line else ""
    return gettext(timed[1] + "%(time)s.").replace("%(time)s", timed[2])


def shipped(text: str | None) -> str:
    """A shipped text in the reader's language; as it stands where somebody has changed it or no catalogue has it."""
    return pgettext(SHIPPED, text) if text else ""


def ending_in_words(local: datetime, *, with_year: bool = True) -> str:
    """The local instant with which something ends: date and time of day. Where that is the end of a day it is told by
    the day that ends: "Fri 11 Dec 2026, midnight", never the next day at 00:00, which is taken for one day more."""
    if local.time() != time():
        with_time = pgettext("date format: Wed 25 Nov 2026, 07:40", "D j M Y, H:i")
        short = pgettext("date format: Wed 25 Nov, 07:40", "D j M, H:i")
        return date_format(local, with_time if with_year else short)
    whole = pgettext("date format: Wed 25 Nov 2026", "D j M Y")
    short = pgettext("date format: Wed 25 Nov", "D j M")
    words = date_format(last_day_before(local), whole if with_year else short)
    return _("%(day)s, midnight") % {"day": words}


def last_day_before(local: datetime) -> date:
    """The last day of what ends with that local instant: the day before, where it is the end of a day."""
    return local.date() if local.time() != time() else local.date() - timedelta(days=1)
