"""The monitoring list: everybody who is followed up, worst first, as far as the filters let through."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta

from django.conf import settings
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from exposure.followup.models import Exposure, FollowUp
from exposure.people.access import visible
from exposure.people.policy import View
from exposure.web.bidi import isolated
from exposure.web.nurse.rows import CAUSES, Row, rows
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
def monitoring(request: HttpRequest) -> HttpResponse:
    """Everybody who is followed up, worst first; with a fixed number of statements."""
    chosen = request.GET.get("cause", "")
    seen = visible(request.user, FollowUp.objects.all(), View.CLINICAL, at=request.at)
    seen = seen.select_related("worker", "site")
    grace = timedelta(days=settings.READINGS_TAKEN_AFTER_CLEARANCE_DAYS)
    ended = seen.filter(ended_at__lte=request.at, ended_at__gt=request.at - grace)
    every = rows(seen.running(at=request.at), at=request.at)
    every.sort(key=lambda row: (row.badness, row.overview.follow_up.worker.name, row.overview.follow_up.pk))
    if chosen == ENDED:
        every = rows(ended.order_by("-ended_at"), at=request.at)
    shown, filters = _filtered(every, request.GET)
    kept = {one.name: one.chosen for one in filters if one.chosen}
    note_list(request, "monitoring", chosen, *(f"{name}={value}" for name, value in kept.items()))
    counts = Counter(cause for row in shown for cause in {flag.cause for flag in row.flags})
    everybody = len(shown)
    counts[ENDED] = everybody if chosen == ENDED else ended.count()
    if chosen in CAUSES:
        shown = [row for row in shown if any(flag.cause == chosen for flag in row.flags)]
    labels = {**CAUSES, ENDED: _("ended in the last %(days)s days") % {"days": grace.days}}
    causes = sentence(counts, labels, chosen, (_("everybody"), everybody))
    context = {
        "page": Paginator(shown, ON_A_PAGE).get_page(request.GET.get("page")),
        "causes": [{**cause, "url": _with(cause["url"], kept)} for cause in causes],
        "filters": [one for one in filters if len(one.choices) > 1 or one.chosen],
        "kept": kept,
        "ended": chosen == ENDED,
        "cause": chosen if chosen == ENDED or chosen in CAUSES else "",
        "query": f"{urlencode({'cause': chosen, **kept})}&",
        "own_zone": timezone.get_current_timezone_name(),
        "several_sites": len({row.overview.follow_up.site_id for row in every}) > 1,
        "at": request.at,
    }
    return render(request, "nurse/monitoring.html", context)


def _with(url: str, kept: Mapping[str, str]) -> str:
    return "&".join(filter(None, [url, urlencode(kept)])) if url != "?" else f"?{urlencode(kept)}"


def _filtered(every: list[Row], asked: Mapping[str, str]) -> tuple[list[Row], list[Filter]]:
    """The rows that every filter lets through, and the filters with what the whole list has to choose from. A value
    that nobody has any more lets nobody through, and says so by standing there chosen."""
    stations = _stations(every)
    kinds: list[tuple[str, str, Callable[[Row], Mapping[str, str]]]] = [
        ("site", _("Site"), _site),
        ("station", _("Station"), lambda row: stations.get(row.overview.follow_up.pk, {})),
        ("pathogen", _("Pathogen"), _pathogen),
        ("tier", _("Tier"), _tier),
        ("state", _("State"), _state),
        ("day", _("Day"), _day),
    ]
    shown, filters = every, []
    for name, label, values in kinds:
        words = {value: said for row in every for value, said in values(row).items()}
        wanted = asked.get(name, "")[:100]
        if wanted:
            shown = [row for row in shown if wanted in values(row)]
            words.setdefault(wanted, wanted)
        order = sorted(words.items(), key=lambda one: (one[1].casefold(), one[0]))
        if name == "day":
            order = [(week, said) for week, said in WEEKS.items() if week in words]
        filters.append(Filter(name, label, tuple((value, said, value == wanted) for value, said in order)))
    return shown, filters


def _stations(every: Iterable[Row]) -> Stations:
    """One statement."""
    ids = [row.overview.follow_up.pk for row in every]
    found: dict[int, dict[str, str]] = {}
    triples = Exposure.objects.filter(follow_up__in=ids, withdrawn_at=None, breach__station__isnull=False)
    for key, code, name in triples.values_list("follow_up", "breach__station__code", "breach__station__name"):
        found.setdefault(key, {})[code] = isolated(name)
    return found


def _site(row: Row) -> Mapping[str, str]:
    site = row.overview.follow_up.site
    return {site.code: isolated(site.short_name)}


def _pathogen(row: Row) -> Mapping[str, str]:
    pathogen = row.overview.follow_up.pathogen
    return {pathogen: pathogen.capitalize()}


def _tier(row: Row) -> Mapping[str, str]:
    view = row.overview
    exposure = view.in_force
    if exposure is None:
        return {}
    code = exposure.tier or "-"
    label = isolated(exposure.tier_label) if exposure.tier_label else _("not assessed")
    return {f"{view.follow_up.pathogen}:{code}": label}


def _state(row: Row) -> Mapping[str, str]:
    state = row.overview.state
    return {state.kind: capfirst(state.get_kind_display())} if state is not None else {}


WEEKS = {"1": "0–7", "2": "8–14", "3": "15–21", "later": "22–"}  # days since the exposure


def _day(row: Row) -> Mapping[str, str]:
    day = row.overview.day
    if day is None:
        return {}
    week = "1" if day <= 7 else "2" if day <= 14 else "3" if day <= 21 else "later"
    return {week: WEEKS[week]}
