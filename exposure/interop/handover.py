"""The list that one nurse hands to the next: who is followed up at a site, what is wrong, and what has changed.

As a page, and as PDF: 25 people a sheet, also written outside the server (`handover_files`).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from operator import attrgetter
from typing import Any

from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import get_language, pgettext
from django.utils.translation import gettext as _

from exposure import paper
from exposure.attend.flag_words import words_of
from exposure.attend.models import Alert, AlertEntry, Call, Handover
from exposure.attend.ranked import ranked
from exposure.attend.recent import recent
from exposure.attend.watched import Watched
from exposure.followup.models import FollowUp, Restriction
from exposure.places.models import Site
from exposure.report.models import Breach

EVERY = timedelta(hours=12)  # how often it is written outside; local choice
MOST_CHANGES = 300
NEWEST_ONLY = timedelta()  # of the readings: no strip is drawn


@dataclass(frozen=True)
class Line:
    """One follow-up, in words and in the site's time."""

    worker: Any
    reach: str
    day: str
    pathogen: str
    wrong: str
    reading: str
    taken: str
    next: str
    restricted: str
    tasks: str


@dataclass(frozen=True)
class Sheet:
    """The list of one site as of `at`. `since`: the last hand-over (`last`), or 12 hours ago where there was none.
    `changes` are (instant, words), newest first."""

    site: Site
    at: datetime
    since: datetime
    last: Handover | None
    lines: tuple[Line, ...]
    changes: tuple[tuple[datetime, str], ...]


def sheet_of(site: Site, follow_ups: QuerySet[FollowUp], *, at: datetime) -> Sheet:
    """The list with those of `follow_ups` that run at the site, worst first; from a fixed number of statements."""
    last = Handover.objects.filter(site=site).select_related("taken_by").last()
    since = last.recorded_at if last else at - EVERY
    with timezone.override(site.zone):
        running = ranked(follow_ups.filter(site=site).running(at=at), at=at)
        every = recent(sorted(running, key=attrgetter("badness")), at=at, back=NEWEST_ONLY)
        lines = tuple(_line(one) for one in every)
        changes = sorted(_changes(site, follow_ups, since, at), key=lambda change: change[0], reverse=True)
    return Sheet(site, at, since, last, lines, tuple(changes[:MOST_CHANGES]))


def pdf_of(sheet: Sheet) -> bytes:
    """The list on paper."""
    site = sheet.site
    with timezone.override(site.zone):
        said = {"site": site.name, "time": _moment(sheet.at), "zone": site.zone, "phone": site.phone}
        count = {"count": len(sheet.lines)}
        taken = (
            _("Last taken over by %(name)s, %(time)s") if sheet.last else _("Not yet taken over by anybody")
        )
        last = {"name": sheet.last.taken_by, "time": _moment(sheet.last.recorded_at)} if sheet.last else {}
        data = {
            "title": _("Hand-over list: %(site)s") % said,
            "site": site.name,
            "generated": _("As of %(time)s (%(zone)s)") % said,
            "under": _("%(count)s followed up, worst first. Occupational health: ") % count + site.phone,
            "taken": taken % last,
            "caution": _("Local protocol and the licensed clinician decide."),
            "columns": [
                _("Who"), _("Day"), _("What is wrong"), _("Last reading"), _("Next, restricted"), _("To do"),
            ],
            "people": [_cells(line) for line in sheet.lines],
            "nobody": _("Nobody is followed up."),
            "changes_title": _("Changes since %(time)s") % {"time": _moment(sheet.since)},
            "changes": [f"{_moment(when)}: {words}" for when, words in sheet.changes],
            "unchanged": _("Nothing has changed."),
        }  # fmt: skip
    return paper.pdf("handover", data, written_at=sheet.at, language=get_language() or "en")


def _cells(line: Line) -> dict[str, str]:
    return {
        "name": line.worker.name or _("nobody named"),
        "reach": line.reach,
        "day": line.day,
        "what": line.pathogen,
        "wrong": line.wrong,
        "reading": line.reading,
        "taken": line.taken,
        "next": line.next,
        "restricted": line.restricted,
        "tasks": line.tasks,
    }


def _line(one: Watched) -> Line:
    view = one.overview
    worker, reading = view.follow_up.worker, view.last_reading
    day = ""
    if one.over:
        day = _("last day over")
    elif view.days is not None:
        day = _("Day %(day)s of %(days)s") % {"day": view.day, "days": view.days}
    wrong = [words_of(flag) for flag in one.found]
    if one.paused and view.state is not None:
        wrong.append(view.state.get_kind_display())
    if any(exposure.untold for exposure in view.exposures):
        wrong.append(_("not told"))
    value = (
        "" if reading is None or reading.value is None else f"{reading.value.normalize():f} °{reading.unit}"
    )
    return Line(
        worker=worker,
        reach=", ".join(filter(None, (worker.number, worker.phone))),
        day=day,
        pathogen=view.follow_up.pathogen.capitalize(),
        wrong="; ".join(wrong),
        reading=value,
        taken=_moment(reading.taken_at) if reading else "",
        next=_moment(one.due_at) if one.due_at else "",
        restricted=_restricted(view.restrictions, view.at),
        tasks="; ".join(_task(task) for task in view.tasks if task.kept_at is None),
    )


def _restricted(restrictions: tuple[Restriction, ...], at: datetime) -> str:
    today = localtime(at).date()
    standing = [row for row in restrictions if row.to_date is None or row.to_date >= today]
    if not standing:
        return ""
    if any(row.to_date is None for row in standing):
        return _("restricted")
    last = max(row.to_date for row in standing if row.to_date)
    return _("restr. until %(day)s") % {
        "day": date_format(last, pgettext("date format: Wed 25 Nov", "D j M"))
    }


def _task(task: Any) -> str:
    if task.due_at is None:
        return task.title
    return _("%(task)s, by %(time)s") % {"task": task.title, "time": _moment(task.due_at)}


def _changes(
    site: Site, follow_ups: QuerySet[FollowUp], since: datetime, at: datetime
) -> Iterator[tuple[datetime, str]]:
    """What happened at the site after `since`, to those whom the reader may see."""
    people = follow_ups.filter(site=site).select_related("worker")
    for one in people.filter(opened_at__gt=since, opened_at__lte=at)[:MOST_CHANGES]:
        yield one.opened_at, _("%(name)s: followed up (%(what)s)") % _of(one)
    ended = people.filter(ended_at__gt=since, ended_at__lte=at).prefetch_related("states")
    for one in ended[:MOST_CHANGES]:
        states = list(one.states.all())
        said = {**_of(one), "how": states[-1].get_kind_display() if states else ""}
        yield one.ended_at, _("%(name)s: ended, %(how)s (%(what)s)") % said
    workers = people.values("worker")
    named = Breach.objects.filter(site=site, worker__in=workers).select_related("worker")
    for breach in named.filter(confirmed_at__gt=since, confirmed_at__lte=at)[:MOST_CHANGES]:
        said = {"name": breach.worker, "reference": breach.reference}
        yield breach.confirmed_at, _("%(name)s: report %(reference)s confirmed") % said
    yield from _of_alerts(site, workers, since, at)
    calls = Call.objects.filter(site=site, worker__in=workers, recorded_at__gt=since, recorded_at__lte=at)
    for call in calls.select_related("worker", "by_user")[:MOST_CHANGES]:
        words = _("%(name)s: called by %(by)s") if call.answered else _("%(name)s: no answer to %(by)s")
        yield call.recorded_at, words % {"name": call.worker, "by": call.by_user}


def _of_alerts(site: Site, workers: Any, since: datetime, at: datetime) -> Iterator[tuple[datetime, str]]:
    kinds = (AlertEntry.Kind.RAISED, AlertEntry.Kind.ROUND, AlertEntry.Kind.CLOSED)
    about = Q(alert__worker__in=workers) | Q(alert__follow_up__worker__in=workers)
    about |= Q(alert__breach__worker__in=workers)
    entries = AlertEntry.objects.filter(
        about, alert__site=site, kind__in=kinds, recorded_at__gt=since, recorded_at__lte=at
    ).select_related("alert__worker", "alert__follow_up__worker", "alert__breach__worker")
    for entry in entries.order_by("-recorded_at")[:MOST_CHANGES]:
        alert: Alert = entry.alert
        worker = alert.worker or (alert.follow_up or alert.breach).worker
        said = {"name": worker, "cause": alert.get_cause_display(), "what": entry.get_kind_display()}
        yield entry.recorded_at, _("%(name)s: %(cause)s, %(what)s") % said


def _of(follow_up: FollowUp) -> dict[str, str]:
    return {"name": str(follow_up.worker), "what": follow_up.pathogen.capitalize()}


def _moment(instant: datetime) -> str:
    return date_format(localtime(instant), pgettext("date format: Wed 25 Nov, 07:40", "D j M, H:i"))
