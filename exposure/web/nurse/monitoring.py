"""The monitoring list: everybody who is followed up, worst first, as far as the filters let through."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from operator import attrgetter

from django.conf import settings
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from exposure.attend.ranked import Ranked, ranked
from exposure.followup.models import FollowUp, FollowUpState
from exposure.people.access import visible
from exposure.people.policy import View
from exposure.places.models import Station
from exposure.web.bidi import isolated
from exposure.web.nurse.live import live
from exposure.web.nurse.rows import CAUSES, rows_of_page
from exposure.web.nurse.views import ON_A_PAGE, for_clinicians, note_list
from exposure.web.nurse.views import causes as sentence

ENDED = "ended"
Stations = Mapping[int, Mapping[str, str]]  # follow-up -> code and name of the stations of its reports


@dataclass(frozen=True)
class Filter:
    """A list to choose from: `name` in the address, `label`, and (value, words, chosen) of what the rows have."""

    name: str
    label: str
    choices: tuple[tuple[str, str, bool], ...]

    @property
    def chosen(self) -> str:
        return next((value for value, _words, chosen in self.choices if chosen), "")


@for_clinicians
@live
def monitoring(request: HttpRequest) -> HttpResponse:
    """Everybody who is followed up, worst first; with a fixed number of statements. Who stands on the list is asked of
    the database; what stands beside each is read for those on the page."""
    chosen = request.GET.get("cause", "")
    seen = visible(request.user, FollowUp.objects.all(), View.CLINICAL, at=request.at)
    grace = timedelta(days=settings.READINGS_TAKEN_AFTER_CLEARANCE_DAYS)
    ended = seen.filter(ended_at__lte=request.at, ended_at__gt=request.at - grace)
    if chosen == ENDED:
        every = ranked(ended.order_by("-ended_at", "pk"), at=request.at)
    else:
        every = sorted(ranked(seen.running(at=request.at), at=request.at), key=attrgetter("badness"))
    shown, filters = _filtered(every, request.GET)
    kept = {one.name: one.chosen for one in filters if one.chosen}
    note_list(request, "monitoring", chosen, *(f"{name}={value}" for name, value in kept.items()))
    counts = Counter(cause for one in shown for cause in {flag.cause for flag in one.found})
    everybody = len(shown)
    counts[ENDED] = everybody if chosen == ENDED else ended.count()
    if chosen in CAUSES:
        shown = [one for one in shown if any(flag.cause == chosen for flag in one.found)]
    labels = {**CAUSES, ENDED: _("ended in the last %(days)s days") % {"days": grace.days}}
    causes = sentence(counts, labels, chosen, (_("everybody"), everybody))
    page = Paginator(shown, ON_A_PAGE).get_page(request.GET.get("page"))
    page.object_list = rows_of_page(list(page), at=request.at)
    context = {
        "page": page,
        "causes": [{**cause, "url": _with(cause["url"], kept)} for cause in causes],
        "filters": [one for one in filters if len(one.choices) > 1 or one.chosen],
        "kept": kept,
        "ended": chosen == ENDED,
        "cause": chosen if chosen == ENDED or chosen in CAUSES else "",
        "query": f"{urlencode({'cause': chosen, **kept})}&",
        "own_zone": timezone.get_current_timezone_name(),
        "several_sites": len({one.row.site for one in every}) > 1,
        "at": request.at,
    }
    return render(request, "nurse/monitoring.html", context)


def _with(url: str, kept: Mapping[str, str]) -> str:
    return "&".join(filter(None, [url, urlencode(kept)])) if url != "?" else f"?{urlencode(kept)}"


def _filtered(every: list[Ranked], asked: Mapping[str, str]) -> tuple[list[Ranked], list[Filter]]:
    """Those whom every filter lets through, and the filters with what the whole list has to choose from. A value
    that nobody has any more lets nobody through, and says so by standing there chosen."""
    stations = _stations(every)
    kinds: list[tuple[str, str, Callable[[Ranked], Mapping[str, str]]]] = [
        ("site", _("Site"), _site),
        ("station", _("Station"), lambda one: stations.get(one.row.pk, {})),
        ("pathogen", _("Pathogen"), _pathogen),
        ("tier", _("Tier"), _tier),
        ("state", _("State"), _state),
        ("day", _("Day"), _day),
    ]
    shown, filters = every, []
    for name, label, values in kinds:
        of_each = {one.row.pk: values(one) for one in every}
        words = {value: said for own in of_each.values() for value, said in own.items()}
        wanted = asked.get(name, "")[:100]
        if wanted:
            shown = [one for one in shown if wanted in of_each[one.row.pk]]
            words.setdefault(wanted, wanted)
        order = sorted(words.items(), key=lambda one: (one[1].casefold(), one[0]))
        if name == "day":
            order = [(week, said) for week, said in WEEKS.items() if week in words]
        filters.append(Filter(name, label, tuple((value, said, value == wanted) for value, said in order)))
    return shown, filters


def _stations(every: Iterable[Ranked]) -> Stations:
    """Those of the reports; the names of all stations are one statement."""
    names = {
        key: (code, isolated(name)) for key, code, name in Station.objects.values_list("pk", "code", "name")
    }
    return {
        one.row.pk: dict(
            names[exposure.station] for exposure in one.exposures if exposure.station is not None
        )
        for one in every
    }


def _site(one: Ranked) -> Mapping[str, str]:
    return {one.row.site: isolated(one.row.site_name)}


def _pathogen(one: Ranked) -> Mapping[str, str]:
    return {one.row.pathogen: one.row.pathogen.capitalize()}


def _tier(one: Ranked) -> Mapping[str, str]:
    exposure = one.in_force
    if exposure is None:
        return {}
    label = isolated(exposure.tier_label) if exposure.tier_label else _("not assessed")
    return {f"{one.row.pathogen}:{exposure.tier or '-'}": label}


def _state(one: Ranked) -> Mapping[str, str]:
    return {one.state: capfirst(FollowUpState.Kind(one.state).label)} if one.state else {}


WEEKS = {"1": "0–7", "2": "8–14", "3": "15–21", "later": "22–"}  # days since the exposure


def _day(one: Ranked) -> Mapping[str, str]:
    day = one.day
    if day is None:
        return {}
    week = "1" if day <= 7 else "2" if day <= 14 else "3" if day <= 21 else "later"
    return {week: WEEKS[week]}
