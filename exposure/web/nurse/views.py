"""What nurse and physician look at: the queue, the reports, one report, one person."""

import uuid
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from functools import partial, wraps
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import Count, Q, QuerySet, prefetch_related_objects
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _

from exposure.attend import duties
from exposure.attend.models import Alert, Promise
from exposure.attend.still import corrected, gone
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.clear.letters import work_dates
from exposure.clear.models import Clearance
from exposure.followup.models import PrivateNote, Reading
from exposure.people import invitations
from exposure.people.access import find, holds, may_on, roles_of, shows, visible
from exposure.people.colleagues import colleagues_at
from exposure.people.glass import opened
from exposure.people.models import Role, Worker
from exposure.people.policy import AS_CLINICIAN, IN_LISTS, SEEING, Deed, Part, View, sides_with
from exposure.pipeline.remove import stations_of
from exposure.remind import jumps
from exposure.report.models import Breach
from exposure.web.looks import looks
from exposure.web.nurse import call_settles, queue
from exposure.web.nurse.deed import back_to
from exposure.web.nurse.follow_up_deeds import TASK_KINDS
from exposure.web.nurse.forms import ToldForm
from exposure.web.nurse.live import live
from exposure.web.nurse.matters import matters
from exposure.web.nurse.other_decisions import about_person, about_report
from exposure.web.nurse.person_deeds import WORKERS
from exposure.web.nurse.readings_chart import chart_of_readings
from exposure.web.nurse.report_deeds import BREACHES
from exposure.web.nurse.report_words import describe
from exposure.web.nurse.rows import Row, rows
from exposure.web.nurse.side_by_side import columns_of, other_criteria, rows_of
from exposure.web.nurse.sought import reference
from exposure.web.nurse.story import KINDS, fold, story
from exposure.web.set_aside import parts_set_aside
from exposure.web.signed_in import signed_in
from exposure.web.times import times_of

ON_A_PAGE = 50
MINE = "mine"  # in the filter: what the reader has, or was given


def for_clinicians(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """Lists for nurses and physicians, in the time of their first site."""

    @signed_in
    @wraps(view)
    def guarded(request: HttpRequest) -> HttpResponse:
        if not holds(request.user, SEEING[View.CLINICAL], at=request.at):
            raise PermissionDenied
        sites = [role.site for role in roles_of(request.user, at=request.at) if role.site is not None]
        with timezone.override(sites[0].zone if sites else "UTC"):
            return view(request)

    return guarded


def causes(
    counts: Mapping[str, int],
    labels: Mapping[str, Any],
    chosen: str,
    everything: tuple[Any, int],
    *,
    named: str = "cause",
    place: str = "",
) -> list[dict[str, Any]]:
    """The filter as a sentence: everything, then each cause that there is. `named` in the address; `place` on the
    page."""
    entries = [("", *everything), *((key, label, counts[key]) for key, label in labels.items())]
    return [
        {
            "url": f"?{urlencode({named: key} if key else {})}{place}",
            "key": key,
            "label": label,
            "count": count,
            "current": key == chosen,
        }
        for key, label, count in entries
        if count or key in ("", chosen)
    ]


def note_list(request: HttpRequest, name: str, *filters: str) -> None:
    """Note that a list was looked at, once per filter and hour."""
    subject = " ".join([name, *filter(None, filters)])
    note_look(request.user, AccessEntry.Kind.LIST, subject, at=request.at)


def note_person(request: HttpRequest, kind: str, subject: str, worker: Worker) -> None:
    """Note that somebody's record was opened, so that they can be shown who looked."""
    note_look(request.user, kind, subject, worker.uid, at=request.at)


@for_clinicians
@live
def needs_action(request: HttpRequest) -> HttpResponse:
    """One queue of all that waits for a clinician, one line per person; a filter keeps those for whom it waits too."""
    lines = queue.lines(request.user, at=request.at)
    everybody = matters(lines)
    mine = [matter for matter in everybody if matter.is_held_by(request.user)]
    labels = {MINE: _("yours")} if mine else {}
    labels |= {line.cause: line.label for line in lines}
    chosen = request.GET.get("cause", "")
    chosen = chosen if chosen in labels else ""
    note_list(request, "needs action", chosen)
    counts = Counter(cause for matter in everybody for cause in {line.cause for line in matter.lines})
    counts[MINE] = len(mine)
    shown = mine if chosen == MINE else [one for one in everybody if not chosen or one.has(chosen)]
    context = {
        "page": Paginator(shown, ON_A_PAGE).get_page(request.GET.get("page")),
        "query": f"{urlencode({'cause': chosen})}&",
        "causes": causes(counts, labels, chosen, (_("everything"), len(everybody))),
        "several_sites": {line.site.zone for line in lines} - {timezone.get_current_timezone_name()}
        or len({line.site for line in lines}) > 1,
        "colleagues": colleagues_at({line.site for line in lines}, at=request.at),
        "at": request.at,
        "parts": parts_set_aside(at=request.at),
        "jumps": jumps.recent(at=request.at),
        **queue.heartbeat(at=request.at),
    }
    return render(request, "nurse/needs_action.html", context)


REPORT_STATES = {
    "to_tell": Q(duties.awaits(Promise.Kind.TELL)),
    "to_confirm": Q(duties.awaits(Promise.Kind.CONFIRM)),
}


@for_clinicians
def reports(request: HttpRequest) -> HttpResponse:
    """Reports, newest first; all with a reference that is looked up."""
    seen = visible(request.user, Breach.objects.all(), *IN_LISTS, at=request.at)
    asked = request.GET.get("reference", "").strip()
    counts = seen.aggregate(
        everything=Count("pk"), **{name: Count("pk", filter=state) for name, state in REPORT_STATES.items()}
    )
    chosen = request.GET.get("cause", "")
    chosen = chosen if chosen in REPORT_STATES and not asked else ""
    if asked:
        seen = seen.filter(reference__startswith=reference(asked))
    elif chosen:
        seen = seen.filter(REPORT_STATES[chosen])
    note_list(request, "reports", chosen, asked)
    listed = (
        duties.with_due(seen)
        .select_related("station", "worker", "site", "reported_by", "confirmed_by")
        .order_by("-reported_at", "-pk")
    )
    labels = {"to_tell": _("to tell"), "to_confirm": _("to confirm")}
    context = {
        "page": Paginator(listed, ON_A_PAGE).get_page(request.GET.get("page")),
        "causes": causes(counts, labels, chosen, (_("all"), counts["everything"])),
        "asked": asked,
        "query": f"{urlencode({'reference': asked} if asked else {'cause': chosen})}&",
        "at": request.at,
    }
    return render(request, "nurse/reports.html", context)


@signed_in
def one_report(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One report: facts, flags, assessment, and what is to be done with it."""
    breach = find(request.user, duties.with_due(BREACHES), *AS_CLINICIAN, at=request.at, uid=uid)
    note_person(request, AccessEntry.Kind.DETAIL, f"breach:{uid}", breach.worker)
    words = describe(breach)
    in_words = shows(request.user, breach, Part.NARRATIVE, at=request.at)
    context = {
        "breach": breach,
        "in_words": in_words,
        "words": words,
        "columns": (columns := columns_of(breach, words.current)),
        "rows": rows_of(columns),
        "others_adopted": other_criteria(request.user, breach, at=request.at),
        "told": breach.tellings.first(),
        "others": [_differences(breach.body, other) for other in breach.other_contents.all() if in_words],
        "withdrawals": breach.withdrawal_requests.select_related("decision") if in_words else (),
        "together": _together_with(request, breach),
        "decisions": about_report(request, breach),
        "tasks": Promise.objects.filter(
            Q(breach=breach) | Q(exposure__breach=breach), kind__in=TASK_KINDS, void_at=None
        )
        .select_related("kept_by", "exposure")
        .most_urgent_first(),
        "told_form": ToldForm(initial={"told_at": request.at}),
        "at": request.at,
    }
    with timezone.override(breach.site.zone):
        return render(request, "nurse/breach.html", context)


def _together_with(request: HttpRequest, breach: Breach) -> Iterable[Breach]:
    """The other reports of the event, but what the reader may not see."""
    others = Breach.objects.filter(event=breach.event, event__isnull=False).exclude(pk=breach.pk)
    others = visible(request.user, others, *IN_LISTS, at=request.at)
    return others.select_related("worker").order_by("reported_at", "pk")


def _differences(body: Mapping[str, Any], other: Any) -> dict[str, Any]:
    """What another content of the same report says otherwise: (entry, first, later)."""
    keys = [key for key in {**body, **other.body} if body.get(key) != other.body.get(key)]
    return {"at": other.recorded_at, "rows": [(key, body.get(key), other.body.get(key)) for key in keys]}


@signed_in
def person(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One person: where they stand, what is to be done, and the story in time order."""
    worker: Worker = find(request.user, WORKERS, *AS_CLINICIAN, at=request.at, uid=uid)
    if worker.same_as is not None:
        return redirect(back_to(worker.same_as))
    note_person(request, AccessEntry.Kind.PERSON, f"worker:{uid}", worker)
    seen = partial(_seen, request, AS_CLINICIAN)
    follow_ups = seen(worker.follow_ups.all()).select_related("worker", "site").prefetch_related("states")
    every = rows(follow_ups, at=request.at)
    here = set(_seen(request, [View.CLINICAL], worker.follow_ups.all()).values_list("pk", flat=True))
    followed = [row for row in every if row.overview.follow_up.pk in here]
    exposures = [exposure for row in followed for exposure in row.overview.exposures]
    prefetch_related_objects(exposures, "breach", "case", "corrects", "follow_up")
    newest_first = request.GET.get("order") != "oldest"
    with timezone.override(worker.site.zone):
        happened = story(
            worker,
            followed,
            about_person(request, worker),
            seen,
            partial(_seen, request, sides_with(Part.NARRATIVE)),
        )
        counts = Counter(happening.kind for happening in happened)
        chosen = request.GET.get("show", "")
        chosen = chosen if chosen in counts else ""
        told = fold(happening for happening in happened if chosen in ("", happening.kind))
        open_alerts = list(seen(_open_alerts(worker)))
        without_cause = gone(open_alerts, at=request.at)
        known = seen(Reading.objects.filter(Q(worker=worker) | Q(worker__same_as=worker)))
        context = {
            "worker": worker,
            "glass": opened(request.user, worker, at=request.at),
            "also": worker.also.all(),
            "unlisted": worker.is_unlisted,
            "running": [row for row in followed if _runs(row)],
            "ended": [row for row in followed if not _runs(row)],
            "elsewhere": [row.elsewhere for row in every if row.overview.follow_up.pk not in here],
            "alerts": sorted(open_alerts, key=lambda alert: alert.pk in without_cause),
            "gone": without_cause,
            "corrected": corrected(open_alerts),
            "next": queue.next_for(worker, request.user, open_alerts, at=request.at),
            "off_duty": work_dates(worker, at=request.at),
            "letters": _letters(request, worker),
            "stations": stations_of(request.user, at=request.at).filter(site=worker.site),
            "story": told[:: -1 if newest_first else 1],
            "kinds": causes(
                counts, KINDS, chosen, (_("everything"), len(happened)), named="show", place="#story"
            ),
            "kept": f"{urlencode({'show': chosen})}&" if chosen else "",
            "newest_first": newest_first,
            "readings": chart_of_readings(known, worker.own_zone or worker.site.zone),
            "call_form": call_settles.form_of(
                None, call_settles.open_to(request.user, worker, at=request.at)
            ),
            "protections": seen(worker.protections.all()),
            "times": times_of(worker),
            "invitation": _invitation(request, worker),
            "notes": may_on(request.user, Deed.NOTE_PRIVATELY, worker, at=request.at),
            "looks": looks(worker),
            "today": timezone.localtime(request.at).date(),
            "private": seen(PrivateNote.objects.filter(worker=worker)).first(),
            "physician": holds(request.user, {Role.Kind.PHYSICIAN}, worker.site_id, at=request.at),
            "at": request.at,
        }
        return render(request, "nurse/person.html", context)


def _invitation(request: HttpRequest, worker: Worker) -> dict[str, Any]:
    """The last way in that the worker was given, and how it stands; empty for who may not give one."""
    row = invitations.newest_of(worker) if may_on(request.user, Deed.INVITE, worker, at=request.at) else None
    return {"row": row, "state": invitations.state_of(row, at=request.at)} if row else {}


def _letters(request: HttpRequest, worker: Worker) -> QuerySet[Clearance]:
    """The clearances in effect, the newest first."""
    standing = Clearance.objects.filter(
        follow_up__worker=worker, void_at=None, signed_at__isnull=False, effective_at__lte=request.at
    )
    seen = visible(request.user, standing, View.CLINICAL, at=request.at)
    return seen.select_related("follow_up").order_by("-effective_at")


def _seen(request: HttpRequest, views: Iterable[View], rows: QuerySet) -> QuerySet:
    return visible(request.user, rows, *views, at=request.at)


def _runs(row: Row) -> bool:
    ended_at = row.overview.follow_up.ended_at
    return ended_at is None or ended_at > row.overview.at


def _open_alerts(worker: Worker) -> QuerySet[Alert]:
    about = Q(worker=worker) | Q(follow_up__worker=worker) | Q(breach__worker=worker)
    alerts = Alert.objects.filter(about, closed_at=None)
    return alerts.select_related("held_by", "worker", "follow_up__worker", "breach__worker")
