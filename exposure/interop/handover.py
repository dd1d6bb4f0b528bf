"""The list that one nurse hands to the next: who is followed up at a site, what is wrong, and what has changed.

As a page, and as PDF: 25 people a sheet, also written outside the server (`handover_files`).
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from operator import attrgetter
from typing import Any

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import get_language, ngettext, pgettext
from django.utils.translation import gettext as _

from exposure import paper
from exposure.attend.flag_words import words_of
from exposure.attend.models import Handover
from exposure.attend.ranked import ranked
from exposure.attend.recent import recent
from exposure.attend.watched import Watched
from exposure.followup.models import FollowUp, Restriction
from exposure.interop.handover_changes import Changes, changes_at
from exposure.interop.handover_waiting import (
    Narrowing,
    Waiting,
    ending,
    moment,
    reach_of,
    task_in_words,
    waiting_beside,
    with_holder,
)
from exposure.places.models import Site

EVERY = timedelta(hours=12)  # how often it is written outside; local choice
NEWEST_ONLY = timedelta()  # of the readings: no strip is drawn
CELL = 78  # signs that fit into a cell's three lines on paper; where they are wide, the layout cuts visibly


@dataclass(frozen=True)
class Line:
    """One follow-up, in words and in the site's time."""

    worker: Any
    reach: str
    day: str
    pathogen: str
    wrong: tuple[str, ...]
    reading: str
    taken: str
    next: str
    restricted: str
    tasks: tuple[str, ...]

    @property
    def to_do(self) -> str:
        """The tasks as far as they fit into a cell, on the page as on paper: the rest stands with the person."""
        return shortened(self.tasks)


@dataclass(frozen=True)
class Sheet:
    """The list of one site as of `at`. `since`: when the list that was last handed over (`last`) had been read, or 12
    hours ago where there was none. `waiting` are people on none of the `lines`."""

    site: Site
    at: datetime
    since: datetime
    last: Handover | None
    lines: tuple[Line, ...]
    waiting: tuple[Waiting, ...]
    changes: Changes

    @property
    def is_empty(self) -> bool:
        """Whether nobody is followed up and nothing waits for anybody else."""
        return not self.lines and not self.waiting


def sheet_of(site: Site, seen: Narrowing = lambda rows: rows, *, at: datetime) -> Sheet:
    """The list, worst first, of what the reader may see: `seen` narrows any rows to it. From a fixed number of
    statements."""
    last = Handover.objects.filter(site=site).select_related("taken_by").last()
    since = last.as_of if last else at - EVERY
    running = seen(FollowUp.objects.filter(site=site)).running(at=at)
    with timezone.override(site.zone):
        every = recent(sorted(ranked(running, at=at), key=attrgetter("badness")), at=at, back=NEWEST_ONLY)
        return Sheet(
            site=site,
            at=at,
            since=since,
            last=last,
            lines=tuple(_line(one) for one in every),
            waiting=waiting_beside(site, seen, running, at=at),
            changes=changes_at(site, seen, since=since, at=at),
        )


def shortened(items: tuple[str, ...]) -> str:
    """As many of them as fit into a cell on paper, the first in any case, and how many more there are."""
    for kept in range(len(items), 0, -1):
        left = len(items) - kept
        more = [_("+%(count)s more") % {"count": left}] if left else []
        words = "; ".join([*items[:kept], *more])
        if len(words) <= CELL:
            return words
    if not items:
        return ""
    more = "; " + _("+%(count)s more") % {"count": len(items) - 1} if len(items) > 1 else ""
    return items[0][: CELL - len(more) - 1].rstrip() + "…" + more


def pdf_of(sheet: Sheet) -> bytes:
    """The list on paper."""
    site = sheet.site
    with timezone.override(site.zone):
        said = {"site": site.name, "time": moment(sheet.at), "zone": site.zone, "phone": site.phone}
        count = {"count": len(sheet.lines), "beside": len(sheet.waiting)}
        taken = (
            _("Last taken over by %(name)s, %(time)s") if sheet.last else _("Not yet taken over by anybody")
        )
        last = {"name": sheet.last.taken_by, "time": moment(sheet.last.recorded_at)} if sheet.last else {}
        data = {
            "title": _("Hand-over list: %(site)s") % said,
            "site": site.name,
            "generated": _("As of %(time)s (%(zone)s)") % said,
            "under": _("%(count)s followed up, worst first; %(beside)s also waiting. Occupational health: ") % count
            + site.phone,
            "taken": taken % last,
            "caution": _("Local protocol and the licensed clinician decide."),
            "columns": [
                _("Who"), _("Day"), _("What is wrong"), _("Last reading"), _("Next, restricted"), _("To do"),
            ],
            "people": [_cells(line) for line in sheet.lines],
            "nobody": _("Nobody is followed up, and nothing waits.") if sheet.is_empty else "",
            "waiting_title": _("Also waiting: on no line of the list above"),
            "waiting_columns": [_("Who"), _("What waits"), _("Since")],
            "waiting": [_waiting_cells(one) for one in sheet.waiting],
            "changes_title": _("Changes since %(time)s") % {"time": moment(sheet.since)},
            "changes": [f"{ending(when)}: {words}" for when, words in sheet.changes.lines],
            "unchanged": "" if sheet.changes.lines else _("Nothing has changed."),
            "more": more_in_words(sheet.changes),
        }  # fmt: skip
    return paper.pdf("handover", data, written_at=sheet.at, language=get_language() or "en")


def more_in_words(changes: Changes) -> str:
    """What was left out of the changes, and where it stands; empty where nothing was."""
    words = ngettext(
        "%(count)s older change more: see the page of each person.",
        "%(count)s older changes more: see the page of each person.",
        changes.more,
    )
    return words % {"count": changes.more} if changes.more else ""


def _waiting_cells(one: Waiting) -> dict[str, str]:
    return {
        "name": one.worker.name or _("nobody named"),
        "reach": one.reach,
        "what": "; ".join(one.what),
        "since": ending(one.since),
    }


def _cells(line: Line) -> dict[str, str]:
    return {
        "name": line.worker.name or _("nobody named"),
        "reach": line.reach,
        "day": line.day,
        "what": line.pathogen,
        "wrong": shortened(line.wrong),
        "reading": line.reading,
        "taken": line.taken,
        "next": line.next,
        "restricted": line.restricted,
        "tasks": line.to_do,
    }


def _line(one: Watched) -> Line:
    view = one.overview
    worker, reading = view.follow_up.worker, view.last_reading
    day = ""
    if one.over:
        day = _("last day over")
    elif view.days is not None:
        day = _("Day %(day)s of %(days)s") % {"day": view.day, "days": view.days}
    wrong = [with_holder(words_of(flag), flag.alert) if flag.alert else words_of(flag) for flag in one.found]
    if one.paused and view.state is not None:
        wrong.append(view.state.get_kind_display())
    value = (
        "" if reading is None or reading.value is None else f"{reading.value.normalize():f} °{reading.unit}"
    )
    return Line(
        worker=worker,
        reach=reach_of(worker),
        day=day,
        pathogen=view.follow_up.pathogen.capitalize(),
        wrong=tuple(str(words) for words in wrong),
        reading=value,
        taken=moment(reading.taken_at) if reading else "",
        next=ending(one.due_at) if one.due_at else "",
        restricted=_restricted(view.restrictions, view.at),
        tasks=tuple(task_in_words(task) for task in view.tasks if task.kept_at is None),
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
