"""What a person's story is made of: one thing that happened, when, and by whom."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import QuerySet
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import pgettext


@dataclass(frozen=True)
class Happening:
    """`mark` is a class of the timeline: done, alert or none (it did not happen). `kind` is what the story is filtered
    by, a key of `story.KINDS`; `folded`: the readings of one day that stand together."""

    at: datetime
    title: str
    lines: tuple[str, ...] = ()
    who: str = ""
    mark: str = "done"
    link: tuple[str, str] | None = None
    kind: str = ""
    folded: tuple["Happening", ...] = ()


Seen = Callable[[QuerySet], QuerySet]  # of the rows those that the reader may see
NamedLater = tuple[Happening, str]  # what happened, and its actor as the history names it


def some(*lines: str) -> tuple[str, ...]:
    """The lines that say something."""
    return tuple(line for line in lines if line)


def moment(when: datetime) -> str:
    """A moment within a sentence, in the active time zone."""
    return date_format(
        timezone.localtime(when), pgettext("date format: Wed 25 Nov 2026, 07:40", "D j M Y, H:i")
    )
