"""One search over everybody whom the reader may see: followed up, cleared long ago, or never.

By words of the name in any order, number, telephone number, the reference of a report, the code of a case.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from heapq import nsmallest
from typing import Any

from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy

from exposure.followup.models import FollowUp
from exposure.people.access import visible
from exposure.people.models import User, Worker
from exposure.people.policy import IN_LISTS
from exposure.report.models import Breach, Case
from exposure.report.submission import storable
from exposure.web.nurse.rows import Row, rows
from exposure.web.nurse.sought import NAME, NUMBER, TELEPHONE, Entry, Sought
from exposure.web.nurse.views import for_clinicians, note_list

SHOWN = 50
LONGEST = 80
AT_A_TIME = 2000  # people read at once, however many there are
REFERENCE, CASE = "reference", "case"
BY = {
    NAME: gettext_lazy("name"),
    NUMBER: gettext_lazy("number"),
    TELEPHONE: gettext_lazy("telephone"),
    REFERENCE: gettext_lazy("report %(what)s"),
    CASE: gettext_lazy("case %(what)s"),
}


@dataclass(frozen=True)
class Found:
    """Somebody who was found: by what, and where they stand. `row` is a follow-up that runs, the worst first; `last`
    the newest that has ended, where none runs."""

    worker: Worker
    by: tuple[str, ...]
    row: Row | None
    last: FollowUp | None

    @property
    def how(self) -> str:
        """How the last one ended."""
        states = list(self.last.states.all()) if self.last else []
        return states[-1].get_kind_display() if states else ""


@for_clinicians
def search(request: HttpRequest) -> HttpResponse:
    """Who is sought, and where they stand."""
    typed = storable(request.GET.get("find", ""))[:LONGEST].strip()
    context: dict[str, Any] = {"sought": typed, "at": request.at, "shown": SHOWN}
    if typed:
        note_list(request, "search", typed)
        people, count = _found(request.user, Sought(typed), at=request.at)
        context |= {"people": people, "count": count, "more": count > len(people)}
    return render(request, "nurse/search.html", context)


def _found(user: User, sought: Sought, *, at: datetime) -> tuple[list[Found], int]:
    """The best of them, and how many there are in all."""
    everybody = visible(user, Worker.objects.all(), *IN_LISTS, at=at)
    by: dict[int, list[str]] = defaultdict(list)
    rank: dict[int, tuple[int, str]] = {}
    for worker, kind, what in (*_of_reports(user, sought, at), *_of_cases(user, sought, at)):
        by[worker].append(str(BY[kind]) % {"what": what})
        rank[worker] = (0, "")
    for worker, fits, kinds, name in _by_entry(everybody, sought):
        by[worker] += [str(BY[kind]) for kind in kinds]
        rank[worker] = min((fits, name), rank.get(worker, (fits, name)))
    best = nsmallest(SHOWN, by, key=lambda worker: (*rank[worker], worker))
    workers = everybody.select_related("site").in_bulk(best)
    stands = _where_they_stand(user, workers.values(), at)
    people = [
        Found(workers[key], tuple(dict.fromkeys(by[key])), *stands[key]) for key in best if key in workers
    ]
    return people, len(by)


def _by_entry(everybody: QuerySet[Worker], sought: Sought) -> Iterator[tuple[int, int, tuple[str, ...], str]]:
    """(worker, how well, by what, name). What was entered for somebody who proved to be another leads to that one."""
    if not sought:
        return
    columns = ("pk", "same_as", "name", "number", "phone", "mobile")
    for own, same_as, name, number, *telephones in everybody.values_list(*columns).iterator(AT_A_TIME):
        fit = sought.fit(Entry(name, number or "", tuple(filter(None, telephones))))
        if fit is not None:
            yield same_as or own, *fit, name


def _of_reports(user: User, sought: Sought, at: datetime) -> list[tuple[int, str, str]]:
    """Whoever a report with that reference is about; the first four characters are enough."""
    if not sought.reference:
        return []
    seen = visible(user, Breach.objects.all(), *IN_LISTS, at=at)
    seen = seen.filter(reference__startswith=sought.reference)
    found = seen.order_by("-reported_at").values_list("worker", "worker__same_as", "reference")[: SHOWN * 2]
    return [(same_as or worker, REFERENCE, reference) for worker, same_as, reference in found]


def _of_cases(user: User, sought: Sought, at: datetime) -> list[tuple[int, str, str]]:
    """Whoever is linked to the case with that code."""
    case = visible(user, Case.objects.all(), *IN_LISTS, at=at).filter(code__iexact=sought.typed).first()
    if case is None:
        return []
    linked = Q(breaches__case=case) | Q(
        follow_ups__exposures__case=case, follow_ups__exposures__withdrawn_at=None
    )
    people = visible(user, Worker.objects.all(), *IN_LISTS, at=at).filter(linked).distinct()
    return [(same_as or own, CASE, case.code) for own, same_as in people.values_list("pk", "same_as")]


def _where_they_stand(
    user: User, workers: Iterable[Worker], at: datetime
) -> dict[int, tuple[Row | None, FollowUp | None]]:
    """Worker -> the follow-up that runs, else the newest that has ended; from a fixed number of statements."""
    workers = list(workers)
    stands: dict[int, tuple[Row | None, FollowUp | None]] = {worker.pk: (None, None) for worker in workers}
    own = FollowUp.objects.filter(worker__in=workers).select_related("worker", "site")
    seen = visible(user, own, *IN_LISTS, at=at)
    for follow_up in seen.filter(ended_at__lte=at).order_by("ended_at").prefetch_related("states"):
        stands[follow_up.worker_id] = None, follow_up
    for row in sorted(rows(seen.running(at=at), at=at), key=lambda row: row.badness, reverse=True):
        stands[row.overview.follow_up.worker_id] = row, None
    return stands
