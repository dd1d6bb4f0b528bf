"""The monitoring list under headings: everybody once, a heading with its count, the worst first within and between."""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from django.core.paginator import Page
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.attend.ranked import Ranked
from exposure.people.access import visible
from exposure.people.models import User
from exposure.people.policy import View
from exposure.report.models import Event
from exposure.web.bidi import isolated
from exposure.web.nurse.filters import Stations, site_of, tier_of

LABELS = {
    "site": gettext_lazy("site"),
    "station": gettext_lazy("station"),
    "tier": gettext_lazy("tier"),
    "event": gettext_lazy("event"),
    "day": gettext_lazy("day"),
}
NONE = "-"  # the key of those whom the grouping says nothing of


@dataclass(frozen=True)
class Group:
    """`key` in the address, `words` of the heading, how many it holds, whether it is open, the `rows` of this page."""

    key: str
    words: str
    count: int
    open: bool = True
    rows: list[Any] = field(default_factory=list)
    members: list[Ranked] = field(default_factory=list)


def grouped(
    listed: Iterable[Ranked],
    by: str,
    *,
    closed: Collection[str],
    stations: Stations,
    user: User,
    at: datetime,
) -> list[Group]:
    """Groups in the order of the first person in each, which is the worst; days count down."""
    listed = list(listed)
    of_one = _keys(by, listed, stations, user, at)
    members: dict[tuple[str, str], list[Ranked]] = {}
    for one in listed:
        members.setdefault(of_one(one), []).append(one)
    groups = [
        Group(key, words, len(held), key not in closed, members=held)
        for (key, words), held in members.items()
    ]
    if by == "day":
        groups.sort(key=lambda group: -1000 if group.key == NONE else int(group.key), reverse=True)
    return groups


def open_people(groups: Iterable[Group]) -> list[Ranked]:
    """Who is shown, in order: those of the groups that are open."""
    return [one for group in groups if group.open for one in group.members]


def on_page(groups: Iterable[Group], page: Page, rows: list[Any]) -> list[Group]:
    """The groups that stand on a page of `open_people`: those with somebody on it, and the closed ones at their place.
    `rows`: of those on the page, in order."""
    first, last = max(page.start_index() - 1, 0), page.end_index()
    shown, place = [], 0
    for group in groups:
        size = len(group.members) if group.open else 0
        start, end = max(place, first), min(place + size, last)
        here = first <= place < last or (place == last and not page.has_next())
        if start < end:
            shown.append(replace(group, rows=rows[start - first : end - first]))
        elif not group.open and here:
            shown.append(group)
        place += size
    return shown


def _keys(
    by: str, listed: list[Ranked], stations: Stations, user: User, at: datetime
) -> Callable[[Ranked], tuple[str, str]]:
    """Of a follow-up: (key, words of the heading)."""
    if by == "event":
        return _event_of(listed, user, at)
    if by == "day":
        return _day_of
    values, nothing = {
        "site": (site_of, ""),
        "station": (lambda one: _newest_station(one, stations), _("No station: exposed elsewhere")),
        "tier": (tier_of, _("No tier")),
    }[by]
    return lambda one: next(iter(values(one).items()), (NONE, nothing))


def _newest_station(one: Ranked, stations: Stations) -> Mapping[str, str]:
    """Of several the one of the newest exposure: everybody stands once."""
    for exposure in _newest_first(one):
        if exposure.station is not None:
            return dict([stations[exposure.station]])
    return {}


def _newest_first(one: Ranked) -> list[Any]:
    return sorted(one.exposures, key=lambda exposure: (exposure.occurred_at, exposure.pk), reverse=True)


def _event_of(listed: list[Ranked], user: User, at: datetime) -> Callable[[Ranked], tuple[str, str]]:
    """One statement. Of several events the one of the newest exposure."""
    breaches = {each.breach_id for one in listed for each in one.exposures if each.breach_id is not None}
    events = visible(user, Event.objects.filter(breaches__isnull=False), View.CLINICAL, at=at)
    named = {
        breach: (str(uid), isolated(title))
        for breach, uid, title in events.values_list("breaches", "uid", "title")
        if breach in breaches
    }

    def event(one: Ranked) -> tuple[str, str]:
        found = (named[each.breach_id] for each in _newest_first(one) if each.breach_id in named)
        return next(found, (NONE, _("No event of several")))

    return event


def _day_of(one: Ranked) -> tuple[str, str]:
    day = one.day
    return (NONE, _("No days are counted")) if day is None else (str(day), _("Day %(day)s") % {"day": day})
