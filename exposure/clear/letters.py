"""What leaves on paper at the end and on the way: the letter of a clearance, and the note for whoever plans duties.

Neither names a disease, an exposure's kind, a tier or a reading. The texts are data of the layouts in `papers/`.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet
from django.utils.formats import date_format
from django.utils.text import get_text_list
from django.utils.timezone import localtime
from django.utils.translation import get_language, pgettext
from django.utils.translation import gettext as _

from exposure import paper
from exposure.attend.models import Alert
from exposure.attend.overview import UNTOLD
from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.followup.models import Exposure, FollowUp, FollowUpState, Restriction
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.refusal import NotYet

# Restrictions of work; another code restricts travel or where one stays, and is nothing to whoever plans duties.
OF_WORK = ("duty", "work")
# Ends after which nothing is restricted any more. After every other one each restriction runs to its own last day.
LIFTING = (FollowUpState.Kind.RULED_OUT, FollowUpState.Kind.LEFT, FollowUpState.Kind.DIED)


@dataclass(frozen=True)
class Work:
    """From when somebody may work after a clearance; None where something else has to be spoken about first."""

    start: date | None


def letter(clearance: Clearance, *, at: datetime) -> bytes:
    """The letter as PDF. Raises NotYet before the clearance is in effect, and for one that does not stand."""
    if clearance.signed_at is None or clearance.effective_at > at:
        raise NotYet("not_in_effect")
    if clearance.void_at is not None:
        raise NotYet("void")
    follow_up = clearance.follow_up
    site, zone = follow_up.site, ZoneInfo(follow_up.site.zone)
    work = may_work_from(clearance, at=at)
    ended = _day(_last_day(clearance, zone))
    days = get_text_list([_day(day) for day in _days_zero(follow_up)], _("and"))
    data = _head(site, follow_up.worker, _("End of your follow-up"), at)
    data["sentences"] = [
        _("The follow-up after the exposure of %(days)s ended with %(ended)s: %(kind)s.")
        % {"days": days, "ended": ended, "kind": clearance.get_kind_display()}
    ]
    if work.start is None:
        data["stands_out"] = _("Before you work, ring occupational health: %(phone)s.") % {
            "phone": site.phone
        }
    else:
        data["stands_out"] = _("You may work from %(day)s.") % {"day": _day(work.start)}
    data["after"] = [
        _(
            "This number stays valid, day and night: %(phone)s. Ring it if you feel ill, or have a fever, also after "
            "this letter, and before you go anywhere."
        )
        % {"phone": site.phone}
    ]
    data["signed"] = [
        _("Signed: %(name)s, %(time)s (%(zone)s)")
        % {"name": row.user, "time": _moment(row.recorded_at, zone), "zone": site.zone}
        for row in _signatures(clearance)
    ]
    return paper.pdf("letter", data, written_at=at, language=get_language() or "en")


def may_work_from(clearance: Clearance, *, at: datetime) -> Work:
    """The first day after this follow-up and its restrictions. Not where another follow-up runs, or a fever or symptom
    waits for a clinician: about these a person speaks first, and no letter does."""
    follow_up = clearance.follow_up
    worker = follow_up.worker
    others = FollowUp.objects.filter(Q(worker=worker) | Q(worker__same_as=worker)).running(at=at)
    about = Q(worker=worker) | Q(follow_up__worker=worker) | Q(breach__worker=worker)
    waits = Alert.objects.filter(about, closed_at=None, cause__in=(Alert.Cause.FEVER, Alert.Cause.SYMPTOM))
    if others.exclude(pk=follow_up.pk).exists() or waits.exists():
        return Work(None)
    zone = ZoneInfo(follow_up.site.zone)
    after = [clearance.effective_at.astimezone(zone).date()]
    after += [
        restriction.to_date + timedelta(days=1)
        for restriction in _standing(Restriction.objects.filter(exposure__follow_up=follow_up))
        if restriction.code in OF_WORK and restriction.to_date is not None
    ]
    return Work(max(after))


def work_dates(worker: Worker, *, at: datetime) -> list[tuple[date, date | None]]:
    """(first day, last day) on which somebody is not to work as usual, those that touch joined; None: until further
    notice. Only what holds today or later."""
    rows = _holding(Restriction.objects.filter(exposure__follow_up__worker=worker), at)
    today = at.astimezone(worker.zone).date()
    spans = [(row.from_date, row.to_date) for row in rows if row.to_date is None or row.to_date >= today]
    return _joined(sorted(spans, key=_by_first))  # two may begin on one day, and one of them have no end


class Off(NamedTuple):
    """The days as in `work_dates`; not `called`: an exposure is not confirmed yet, so that no last day is said."""

    spans: list[tuple[date, date | None]]
    called: bool


def off_duty(restrictions: QuerySet[Restriction], *, at: datetime) -> dict[tuple[int, Worker], Off]:
    """(site, worker) -> when they are off duty, by those among the restrictions that are of work. Not of an exposure
    that nobody has spoken of with the worker: they hear it first. One statement."""
    rows = _holding(restrictions, at).filter(exposure__in=Exposure.objects.filter(~UNTOLD))
    found: dict[tuple[int, Worker], list[tuple[date, date | None]]] = defaultdict(list)
    uncalled = set()
    for row in rows.select_related("exposure__breach", "exposure__follow_up__worker__site"):
        follow_up = row.exposure.follow_up
        key = follow_up.site_id, follow_up.worker
        today = at.astimezone(follow_up.worker.zone).date()
        if row.to_date is None or row.to_date >= today:
            confirmed = row.exposure.breach is None or row.exposure.breach.confirmed_at is not None
            found[key].append((row.from_date, row.to_date if confirmed else None))
            uncalled |= set() if confirmed else {key}
    return {
        key: Off(_joined(sorted(spans, key=_by_first)), key not in uncalled) for key, spans in found.items()
    }


def _holding(restrictions: Any, at: datetime) -> Any:
    """Those of work that the end of their follow-up, if it has ended, leaves to run to their own last day."""
    lifted = FollowUpState.objects.filter(until_at=None, kind__in=LIFTING, from_at__lte=at)
    running = Q(exposure__follow_up__in=FollowUp.objects.running(at=at))
    return _standing(restrictions.filter(code__in=OF_WORK)).filter(
        running | (Q(to_date__isnull=False) & ~Q(exposure__follow_up__in=lifted.values("follow_up")))
    )


def _by_first(span: tuple[date, date | None]) -> tuple[date, date]:
    return span[0], span[1] or date.max


def work_note(worker: Worker, *, at: datetime) -> bytes:
    """The note as PDF: the dates, and on whose instruction. Raises NotYet where no work restriction holds."""
    spans = work_dates(worker, at=at)
    if not spans:
        raise NotYet("no_restriction")
    data = _head(worker.site, worker, _("Not to be planned for duty"), at)
    data["sentences"] = [
        _("From %(first)s to %(last)s.") % {"first": _day(first), "last": _day(last)}
        if last
        else _("From %(first)s until further notice.") % {"first": _day(first)}
        for first, last in spans
    ]
    data["stands_out"] = _("On occupational health's instruction, not sick leave.")
    return paper.pdf("letter", data, written_at=at, language=get_language() or "en")


def _joined(spans: Iterable[tuple[date, date | None]]) -> list[tuple[date, date | None]]:
    joined: list[tuple[date, date | None]] = []
    for first, last in spans:
        before = joined[-1] if joined else None
        if before is None or (before[1] is not None and first > before[1] + timedelta(days=1)):
            joined.append((first, last))
        elif before[1] is not None:
            joined[-1] = (before[0], None if last is None else max(before[1], last))
    return joined


def _standing(restrictions: Any) -> Any:
    return restrictions.filter(lifted_at=None, exposure__withdrawn_at=None)


def _head(site: Site, worker: Worker, title: str, at: datetime) -> dict[str, Any]:
    zone = ZoneInfo(site.zone)
    return {
        "title": title,
        "site": site.name,
        "site_line": _("Occupational health, day and night: %(phone)s") % {"phone": site.phone},
        "name": worker.name,
        "number": worker.number or "",
        "dated": _("Printed %(time)s (%(zone)s)") % {"time": _moment(at, zone), "zone": site.zone},
        "sentences": [],
        "stands_out": "",
        "after": [],
        "signed": [],
        "caution": _("Local protocol and the licensed clinician decide."),
    }


def _days_zero(follow_up: FollowUp) -> list[date]:
    standing = Exposure.objects.filter(follow_up=follow_up, withdrawn_at=None)
    return sorted(set(standing.values_list("day_zero", flat=True)))


def _last_day(clearance: Clearance, zone: ZoneInfo) -> date:
    """The day that the follow-up ended with: an end at midnight is the end of the day before."""
    return (clearance.effective_at.astimezone(zone) - timedelta(microseconds=1)).date()


def _signatures(clearance: Clearance) -> Iterable[Signature]:
    rows = Signature.objects.filter(subject=f"clearance:{clearance.uid}").select_related("user")
    return rows.order_by("recorded_at", "pk")


def _day(day: date) -> str:
    return date_format(day, pgettext("date format: Wednesday 25 November 2026", "l j F Y"))


def _moment(instant: datetime, zone: ZoneInfo) -> str:
    return date_format(
        localtime(instant, zone), pgettext("date format: Wed 25 Nov 2026, 07:40", "D j M Y, H:i")
    )
