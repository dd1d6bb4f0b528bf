"""What the monitoring list can be filtered by, and what it says of the filters that are chosen."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.utils.text import capfirst
from django.utils.translation import gettext as _

from exposure.attend.ranked import Ranked
from exposure.followup.models import FollowUpState
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


def filtered(
    every: list[Ranked], asked: Mapping[str, str], *, stations: Stations, user: User, at: datetime
) -> tuple[list[Ranked], list[Filter]]:
    """Those whom every filter lets through, and the filters with what the whole list has to choose from. A value
    that nobody has any more lets nobody through, and says why."""
    kinds: list[tuple[str, str, Callable[[Ranked], Mapping[str, str]]]] = [
        ("site", _("Site"), site_of),
        ("station", _("Station"), lambda one: _stations_of(one, stations)),
        ("pathogen", _("Pathogen"), _pathogen),
        ("tier", _("Tier"), tier_of),
        ("state", _("State"), _state),
        ("day", _("Day"), _week),
    ]
    shown, filters = every, []
    for name, label, values in kinds:
        of_each = {one.row.pk: values(one) for one in every}
        words = {value: said for own in of_each.values() for value, said in own.items()}
        wanted, nobody = asked.get(name, "")[:LONGEST], ""
        if wanted:
            shown = [one for one in shown if wanted in of_each[one.row.pk]]
            if wanted not in words:
                words[wanted], nobody = _absent(name, wanted, user, at)
        order = sorted(words.items(), key=lambda one: (one[1].casefold(), one[0]))
        if name == "day":
            order.sort(key=lambda one: (*WEEKS, one[0]).index(one[0]))
        choices = tuple((value, said, value == wanted) for value, said in order)
        filters.append(Filter(name, label, choices, nobody))
    return shown, filters


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


def _stations_of(one: Ranked, stations: Stations) -> Mapping[str, str]:
    return dict(stations[exposure.station] for exposure in one.exposures if exposure.station is not None)


def _pathogen(one: Ranked) -> Mapping[str, str]:
    return {one.row.pathogen: one.row.pathogen.capitalize()}


def tier_of(one: Ranked) -> Mapping[str, str]:
    exposure = one.in_force
    if exposure is None:
        return {}
    label = isolated(exposure.tier_label) if exposure.tier_label else _("not assessed")
    return {f"{one.row.pathogen}:{exposure.tier or '-'}": label}


def _state(one: Ranked) -> Mapping[str, str]:
    return {one.state: capfirst(FollowUpState.Kind(one.state).label)} if one.state else {}


WEEKS = {"1": "0–7", "2": "8–14", "3": "15–21", "later": "22–"}  # days since the exposure


def _week(one: Ranked) -> Mapping[str, str]:
    day = one.day
    if day is None:
        return {}
    week = "1" if day <= 7 else "2" if day <= 14 else "3" if day <= 21 else "later"
    return {week: WEEKS[week]}
