"""Restrictions as a worker reads them: the same one of several exposures is one, from its first day to its last."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from exposure.followup.models import Restriction
from exposure.wording import shipped


@dataclass(frozen=True)
class Restricted:
    """One restriction, both days included; without a last day it stands until somebody says otherwise."""

    title: str
    first: date
    last: date | None


def merged(restrictions: Iterable[Restriction]) -> list[Restricted]:
    """One per restriction and wording, in the order in which they come."""
    same: dict[tuple[str, str], list[Restriction]] = {}
    for one in restrictions:
        same.setdefault((one.code, shipped(one.title)), []).append(one)
    return [
        Restricted(
            title=title,
            first=min(one.from_date for one in several),
            last=None
            if any(one.to_date is None for one in several)
            else max(one.to_date for one in several if one.to_date),
        )
        for (_code, title), several in same.items()
    ]


@dataclass(frozen=True)
class Span:
    """What is restricted over the same days. `first` is None where they have begun, `last` where no end is known."""

    first: date | None
    last: date | None
    titles: tuple[str, ...]


def spans(restricted: Iterable[Restricted], *, today: date) -> list[Span]:
    """The restrictions by their days, so that one line says what holds until when."""
    same: dict[tuple[date | None, date | None], list[str]] = {}
    for one in restricted:
        same.setdefault((one.first if one.first > today else None, one.last), []).append(one.title)
    return [Span(first, last, tuple(titles)) for (first, last), titles in same.items()]
