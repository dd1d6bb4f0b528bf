"""What the monitoring list can be filtered by, and what it says of the filters that are chosen."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from exposure.attend.overview import day_of, in_force_of, last_of
from exposure.attend.ranked import Ranked
from exposure.followup.models import Exposure, FollowUp, FollowUpState
from exposure.people.access import visible
from exposure.people.models import User
from exposure.people.policy import View
from exposure.places.models import Site, Station
from exposure.web.bidi import isolated

Stations = Mapping[int, tuple[str, str]]  # key -> code and name
NAMES = ("site", "station", "pathogen", "tier", "state", "day")
LONGEST = 100  # of a value in an address


@dataclass(frozen=True)
class Filter:
    """A list to choose from: `name` in the address, `label`, and (value, words, chosen) of what the rows have.
    `nobody`: why the chosen one lets nobody through, where that is so."""

    name: str
    label: str
    choices: tuple[tuple[str, str, bool], ...]
    nobody: str = ""

    @property
    def chosen(self) -> str:
        return next((value for value, _words, chosen in self.choices if chosen), "")

    @property
    def said(self) -> str:
        """The chosen one in a sentence: "Station Heron"."""
        words = next((words for _value, words, chosen in self.choices if chosen), "")
        return f"{self.label} {words}" if words else ""


def narrowed(every: QuerySet[FollowUp], asked: Mapping[str, str]) -> QuerySet[FollowUp]:
    """Those whom the filters let through that a row says by itself: site, station, pathogen and state."""
    standing = Exposure.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None)
    states = FollowUpState.objects.filter(follow_up=OuterRef("pk"), until_at=None)
    conditions: dict[str, Callable[[str], Q]] = {
        "site": lambda code: Q(site__code=code),
        "station": lambda code: Q(Exists(standing.filter(breach__station__code=code))),
        "pathogen": lambda pathogen: Q(pathogen=pathogen),
        "state": lambda kind: Q(Exists(states.filter(kind=kind))),
    }
    for name, condition in conditions.items():
        if wanted := _wanted(asked, name):
            every = every.filter(condition(wanted))
    return every


def is_computed(asked: Mapping[str, str]) -> bool:
    """Whether a filter asks for what is known of somebody who has been read: the tier in force, the day."""
    return any(_wanted(asked, name) for name in COMPUTED)


def lets_through(one: Ranked, asked: Mapping[str, str]) -> bool:
    """Whether the filters of what is computed let them through."""
    return all(
        not (wanted := _wanted(asked, name)) or wanted in values(one) for name, values in COMPUTED.items()
    )


def filters_of(
    every: QuerySet[FollowUp], asked: Mapping[str, str], *, stations: Stations, user: User, at: datetime
) -> list[Filter]:
    """The filters with what the whole list has to choose from, from a fixed number of statements. A value that nobody
    has any more lets nobody through, and says why."""
    filters = []
    for (name, label), words in zip(_labels().items(), _choices(every, stations, at), strict=True):
        wanted, nobody = _wanted(asked, name), ""
        if wanted and wanted not in words:
            words[wanted], nobody = _absent(name, wanted, user, at)
        order = sorted(words.items(), key=lambda one: (one[1].casefold(), one[0]))
        if name == "day":
            order.sort(key=lambda one: (*WEEKS, one[0]).index(one[0]))
        choices = tuple((value, said, value == wanted) for value, said in order)
        filters.append(Filter(name, label, choices, nobody))
    return filters


def _wanted(asked: Mapping[str, str], name: str) -> str:
    return asked.get(name, "")[:LONGEST]


def _labels() -> dict[str, str]:
    words = _("Site"), _("Station"), _("Pathogen"), _("Tier"), _("State"), _("Day")
    return dict(zip(NAMES, words, strict=True))


def _choices(every: QuerySet[FollowUp], stations: Stations, at: datetime) -> list[dict[str, str]]:
    """Of each filter, value -> words."""
    every = every.order_by()
    standing = Exposure.objects.filter(follow_up__in=every.values("pk"), withdrawn_at=None).order_by()
    sites = every.values_list("site__code", "site__short_name").distinct()
    places = standing.exclude(breach__station=None).values_list("breach__station", flat=True).distinct()
    pathogens = every.values_list("pathogen", flat=True).distinct()
    states = FollowUpState.objects.filter(follow_up__in=every.values("pk"), until_at=None).order_by()
    tiers: dict[str, str] = {}
    days: dict[str, str] = {}
    for pathogen, exposures in _exposed(standing):
        tiers |= _tier_words(pathogen, in_force_of(exposures, at))
        days |= _week_of(day_of(last_of(exposures), at))
    return [
        {code: isolated(name) for code, name in sites},
        dict(stations[place] for place in places),
        {pathogen: pathogen.capitalize() for pathogen in pathogens},
        tiers,
        {kind: _state_words(kind) for kind in states.values_list("kind", flat=True).distinct()},
        days,
    ]


class Exposed(NamedTuple):
    """What tier and day are read from; of those with one exposure each combination once, which has no place (`pk`)
    among others."""

    pathogen: str
    zone: str
    day_zero: date
    last_day: date | None
    tier: str
    tier_label: str
    plan: Mapping[str, Any] = {}
    occurred_at: datetime | None = None
    pk: int = 0


def _exposed(standing: QuerySet[Exposure]) -> Iterable[tuple[str, list[Exposed]]]:
    """(pathogen, exposures): of whoever has several, those; of all others each combination once. Two statements."""
    others = Exposure.objects.filter(follow_up=OuterRef("follow_up"), withdrawn_at=None).exclude(
        pk=OuterRef("pk")
    )
    names = ("follow_up__pathogen", *Exposed._fields[1:6])
    for row in standing.exclude(Exists(others)).values_list(*names).distinct():
        yield row[0], [Exposed(*row)]
    of_one: dict[int, list[Exposed]] = defaultdict(list)
    several = standing.filter(Exists(others)).values_list("follow_up", *names, "plan", "occurred_at", "pk")
    for key, *row in several:
        of_one[key].append(Exposed(*row))
    for exposures in of_one.values():
        yield exposures[0].pathogen, exposures


def _absent(name: str, wanted: str, user: User, at: datetime) -> tuple[str, str]:
    """(its name, why nobody is shown) of a value that nobody on the list has: a station where nobody was exposed
    lately, one that was closed, a tier of criteria that are no longer in use. Only of what the reader may see is more
    said than what stands in the address."""
    model = {"site": Site, "station": Station}.get(name)
    row = None
    if model is not None:
        row = visible(user, model.objects.all(), View.CLINICAL, at=at).filter(code=wanted).first()
    plain = isolated(row.short_name if name == "site" else row.name) if row else isolated(wanted)
    if name == "state":
        plain = capfirst(dict(FollowUpState.Kind.choices).get(wanted, plain))
    if name == "tier":
        pathogen, _colon, tier = wanted.partition(":")
        plain = isolated(f"{tier} ({pathogen.capitalize()})" if tier else wanted)
    if name == "day":
        plain = WEEKS.get(wanted, plain)
    why = {
        "site": _("Nobody of %(what)s is followed up now.")
        if row
        else _("No site of yours is called %(what)s."),
        "station": _("Nobody who is followed up now was exposed at %(what)s. Was it closed or renamed?")
        if row
        else _("No station of yours is called %(what)s: it may have been closed or renamed."),
        "pathogen": _("Nobody is followed up for %(what)s now."),
        "tier": _("Nobody is at the tier %(what)s now; criteria in use may have others."),
        "state": _("Nobody is in the state \u201c%(what)s\u201d now."),
        "day": _("Nobody is on the days %(what)s now."),
    }[name]
    return plain, why % {"what": plain}


def every_station() -> Stations:
    """One statement."""
    rows = Station.objects.values_list("pk", "code", "name")
    return {key: (code, isolated(name)) for key, code, name in rows}


def site_of(one: Ranked) -> Mapping[str, str]:
    return {one.row.site: isolated(one.row.site_name)}


def tier_of(one: Ranked) -> Mapping[str, str]:
    return _tier_words(one.row.pathogen, one.in_force)


def _tier_words(pathogen: str, exposure: Any) -> Mapping[str, str]:
    if exposure is None:
        return {}
    label = isolated(exposure.tier_label) if exposure.tier_label else _("not assessed")
    return {f"{pathogen}:{exposure.tier or '-'}": label}


def _state_words(kind: str) -> str:
    return capfirst(FollowUpState.Kind(kind).label)


WEEKS = {"1": "0–7", "2": "8–14", "3": "15–21", "later": "22–"}  # days since the exposure


def _week(one: Ranked) -> Mapping[str, str]:
    return _week_of(one.day)


def _week_of(day: int | None) -> Mapping[str, str]:
    if day is None:
        return {}
    week = "1" if day <= 7 else "2" if day <= 14 else "3" if day <= 21 else "later"
    return {week: WEEKS[week]}


COMPUTED: dict[str, Callable[[Ranked], Mapping[str, str]]] = {"tier": tier_of, "day": _week}
