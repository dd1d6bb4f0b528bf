"""The monitoring list: everybody who is followed up, worst first, as far as the filters let through."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from operator import attrgetter
from typing import Any

from django.conf import settings
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _

from exposure.attend.ranked import Ranked, ranked
from exposure.attend.worst_first import WorstFirst
from exposure.followup.models import FollowUp
from exposure.people.access import visible
from exposure.people.policy import View
from exposure.people.saved_filters import saved_by
from exposure.web.bidi import isolated
from exposure.web.nurse.filters import LONGEST, every_station, filters_of, is_computed, lets_through, narrowed
from exposure.web.nurse.groups import LABELS, Group, grouped, on_page, open_people
from exposure.web.nurse.live import live
from exposure.web.nurse.rows import CAUSES, rows_of_page
from exposure.web.nurse.saved_filters import chosen_in, saved_address
from exposure.web.nurse.views import ON_A_PAGE, causes, for_clinicians, note_list

ENDED = "ended"
HIDDEN = "closed"  # in the address: the groups whose people are not shown


@for_clinicians
@live
def monitoring(request: HttpRequest) -> HttpResponse:
    """Everybody who is followed up, worst first; with a fixed number of statements. Who stands on the list is asked of
    the database; what stands beside each is read for those on the page."""
    cause, by = request.GET.get("cause", ""), request.GET.get("group", "")
    by = by if by in LABELS else ""
    seen = visible(request.user, FollowUp.objects.all(), View.CLINICAL, at=request.at)
    grace = timedelta(days=settings.READINGS_TAKEN_AFTER_CLEARANCE_DAYS)
    ended = seen.filter(ended_at__lte=request.at, ended_at__gt=request.at - grace)
    every = ended.order_by("-ended_at", "pk") if cause == ENDED else seen.running(at=request.at)
    known = {"stations": every_station(), "user": request.user, "at": request.at}
    filters = filters_of(every, request.GET, **known)
    kept = {one.name: one.chosen for one in filters if one.chosen} | ({"group": by} if by else {})
    note_list(request, "monitoring", cause, *(f"{name}={value}" for name, value in kept.items()))
    let_through, wrong = _let_through(narrowed(every, request.GET), request, whole=bool(by))
    counts = Counter(one for row in wrong for one in {flag.cause for flag in row.found})
    counts[ENDED] = len(let_through) if cause == ENDED else ended.count()
    labels = {**CAUSES, ENDED: _("ended in the last %(days)s days") % {"days": grace.days}}
    listed = let_through
    if cause in CAUSES:
        listed = [one for one in wrong if any(flag.cause == cause for flag in one.found)]
    groups = [Group("", "", len(listed))]
    closed = {one[:LONGEST] for one in request.GET.getlist(HIDDEN)} if by else set()
    if by:
        groups = grouped(listed, by, closed=closed, **known)
    page = Paginator(open_people(groups) if by else listed, ON_A_PAGE).get_page(request.GET.get("page"))
    rows = rows_of_page(list(page), at=request.at)
    groups = on_page(groups, page, rows) if by else [replace(groups[0], rows=rows)]
    asked = {"cause": cause if cause == ENDED or cause in CAUSES else "", **kept}
    context = {
        "page": page,
        "groups": [(group, _toggled(asked, closed, group.key)) for group in groups],
        "causes": [
            {**one, "url": _address({"cause": one["key"], **kept}, closed)}
            for one in causes(counts, labels, cause, (_("everybody"), len(let_through)))
        ],
        "filters": [one for one in filters if len(one.choices) > 1 or one.chosen],
        "by": by,
        "groupings": LABELS,
        "kept": kept,
        "sentence": _sentence(asked, filters, labels, len(listed), every.count()),
        "nobody": [one.nobody for one in filters if one.nobody],
        "ended": cause == ENDED,
        "cause": asked["cause"],
        "query": _query(asked, closed) + "&",
        "without_closed": _address(asked, ()),
        "any_closed": bool(closed),
        "several_sites": len(next(one for one in filters if one.name == "site").choices) > 1,
        "own_zone": timezone.get_current_timezone_name(),
        "at": request.at,
        **_saved(request, asked),
    }
    return render(request, "nurse/monitoring.html", context)


def _let_through(
    listed: QuerySet[FollowUp], request: HttpRequest, *, whole: bool
) -> tuple[Sequence[Ranked], list[Ranked]]:
    """The list in its order, and those of it with whom something is wrong. The whole of it is read where it is put
    under headings, or where what is filtered by must be computed first."""
    if request.GET.get("cause") != ENDED and not whole and not is_computed(request.GET):
        in_order = WorstFirst(listed, at=request.at)
        return in_order, in_order.wrong
    read = [one for one in ranked(listed, at=request.at) if lets_through(one, request.GET)]
    if request.GET.get("cause") != ENDED:
        read.sort(key=attrgetter("badness"))
    return read, [one for one in read if one.found]


def _query(asked: Mapping[str, str], closed: Any) -> str:
    given = [(name, value) for name, value in asked.items() if value]
    return urlencode([*given, *((HIDDEN, key) for key in sorted(closed))])


def _address(asked: Mapping[str, str], closed: Any) -> str:
    return f"?{_query(asked, closed)}"


def _toggled(asked: Mapping[str, str], closed: set[str], key: str) -> str:
    """The address of this list with the group opened or closed, at the group."""
    return f"{_address(asked, closed ^ {key})}#group-{key}"


def _sentence(
    asked: Mapping[str, str], filters: list[Any], labels: Mapping[str, Any], count: int, everybody: int
) -> str:
    """What the filters let through, to read: "3 of 41: with a fever, Station Heron, Day 8-14."; "" without any."""
    said = [str(labels[asked["cause"]])] if asked["cause"] in CAUSES else []
    said += [one.said for one in filters if one.said]
    if not said:
        return ""
    words = _("%(count)s of %(everybody)s: %(filters)s.")
    return words % {"count": count, "everybody": everybody, "filters": ", ".join(said)}


def _saved(request: HttpRequest, asked: Mapping[str, str]) -> dict[str, Any]:
    """The reader's own saved filters, and which of them is what is shown now."""
    now = chosen_in(asked)
    saved = [(isolated(one.name), saved_address(one), one.chosen == now) for one in saved_by(request.user)]
    return {"saved": saved, "saving": urlencode(now), "is_saved": any(current for *_one, current in saved)}
