"""What has happened at a site since an instant, one line each, for the hand-over list.

Each kind of event is one source: its rows, by what they are dated (when it became known, which may be later than when
it was so), and its words.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery
from django.utils.translation import gettext as _

from exposure.attend.alerts import worker_of
from exposure.attend.flag_words import cause_in_words
from exposure.attend.models import AlertEntry, Call, Promise
from exposure.classify.assess import tier_label
from exposure.classify.models import Assessment, Signature
from exposure.clear.models import Clearance
from exposure.followup.models import FollowUp, FollowUpState
from exposure.interop.handover_waiting import Narrowing, ending
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.report.models import Breach

MOST = 300  # lines on the list; what is older is counted
State = FollowUpState.Kind
FIRST_STATES = (State.PROVISIONAL, State.MONITORED)  # said already by "followed up"
TOLD_OTHERWISE = (State.CLEARED, State.JOINED)  # by the signature, and by the follow-up that it goes on in
ALERT_MOVES = (AlertEntry.Kind.RAISED, AlertEntry.Kind.ROUND, AlertEntry.Kind.CLOSED)
# A call, a signature and a confirmation are told by what was called, signed and confirmed.
DEEDS = (Promise.Kind.TELL, Promise.Kind.TASK, Promise.Kind.REVIEW)


@dataclass(frozen=True)
class Source:
    """Rows of one kind, with what their words need; `dated` names the field of their instant."""

    rows: QuerySet
    dated: str
    words: Callable[[Any], str]


@dataclass(frozen=True)
class Changes:
    """(instant, words), newest first; `more` older ones are left out."""

    lines: tuple[tuple[datetime, str], ...]
    more: int


def changes_at(site: Site, seen: Narrowing, *, since: datetime, at: datetime) -> Changes:
    """What happened at the site after `since` and up to `at`, to those whom the reader may see; one statement for each
    kind, and one more to count it where it is more than fits."""
    found: list[tuple[datetime, str]] = []
    count = 0
    for source in _sources(site, seen(Worker.objects.all()).values("pk")):
        during = {f"{source.dated}__gt": since, f"{source.dated}__lte": at}
        rows = source.rows.filter(**during).order_by(f"-{source.dated}", "-pk")
        newest = list(rows[:MOST])
        count += len(newest) if len(newest) < MOST else rows.count()
        found += [(getattr(row, source.dated), source.words(row)) for row in newest]
    lines = sorted(found, key=lambda change: change[0], reverse=True)[:MOST]
    return Changes(tuple(lines), count - len(lines))


def _sources(site: Site, people: QuerySet) -> Iterator[Source]:
    here = {"site": site, "worker__in": people}
    followed = FollowUp.objects.filter(**here).select_related("worker")
    reports = Breach.objects.filter(**here, drill=False).select_related("worker")
    yield Source(reports, "reported_at", _named(_("%(name)s: reported (%(what)s)"), "reference"))
    yield Source(reports, "confirmed_at", _named(_("%(name)s: report %(what)s confirmed"), "reference"))
    yield Source(followed, "opened_at", _of_follow_up(_("%(name)s: followed up (%(pathogen)s)")))
    cleared = followed.filter(states__kind=State.CLEARED, states__until_at=None)
    yield Source(cleared, "ended_at", _of_follow_up(_("%(name)s: ended, cleared (%(pathogen)s)")))
    yield Source(_states(site, people), "history_date", _state)
    yield Source(_tiers(site, people), "recorded_at", _tier)
    yield from _signatures(site, people)
    about = Q(alert__worker__in=people) | Q(alert__follow_up__worker__in=people)
    about |= Q(alert__breach__worker__in=people)
    moves = AlertEntry.objects.filter(about, alert__site=site, kind__in=ALERT_MOVES)
    of_alert = ("alert__worker", "alert__follow_up__worker", "alert__breach__worker")
    yield Source(moves.select_related(*of_alert), "recorded_at", _alert_move)
    calls = Call.objects.filter(**here).select_related("worker", "by_user")
    yield Source(calls, "recorded_at", _call)
    kept = Promise.objects.filter(**here, kind__in=DEEDS).select_related("worker", "kept_by")
    yield Source(kept, "kept_at", _deed)


def _named(words: str, field: str) -> Callable[[Any], str]:
    return lambda row: words % {"name": row.worker, "what": getattr(row, field)}


def _of_follow_up(words: str) -> Callable[[FollowUp], str]:
    return lambda row: words % {"name": row.worker, "pathogen": row.pathogen.capitalize()}


def _states(site: Site, people: QuerySet) -> QuerySet:
    """The first version of every state, which is dated by when somebody said so; not those in which each begins."""
    before = FollowUpState.objects.filter(follow_up=OuterRef("follow_up"), pk__lt=OuterRef("id"))
    further = Exists(before.exclude(kind=State.PROVISIONAL))
    rows = FollowUpState.history.filter(
        history_type="+", follow_up__site=site, follow_up__worker__in=people
    ).exclude(kind__in=TOLD_OTHERWISE)
    return rows.filter(~Q(kind__in=FIRST_STATES) | further).select_related("follow_up__worker")


def _state(row: Any) -> str:
    said = {
        "name": row.follow_up.worker,
        "state": row.get_kind_display(),
        "pathogen": row.follow_up.pathogen.capitalize(),
    }
    return _("%(name)s: %(state)s (%(pathogen)s)") % said


def _tiers(site: Site, people: QuerySet) -> QuerySet:
    """The assessments that name another tier than the one before them of the same report and pathogen."""
    before = Assessment.objects.filter(
        breach=OuterRef("breach"), pathogen=OuterRef("pathogen"), pk__lt=OuterRef("pk")
    ).order_by("-pk")
    rows = Assessment.objects.filter(breach__site=site, breach__worker__in=people)
    rows = rows.annotate(tier_before=Subquery(before.values("treated_as")[:1]))
    rows = rows.filter(tier_before__isnull=False).exclude(treated_as=F("tier_before"))
    return rows.select_related("breach__worker", "version")


def _tier(row: Assessment) -> str:
    said = {
        "name": row.breach.worker,
        "tier": tier_label(row, row.treated_as) or _("not assessed"),
        "how": row.get_kind_display(),
    }
    if row.second_signature_needed:
        return _("%(name)s: tier %(tier)s (%(how)s), with a second signature") % said
    return _("%(name)s: tier %(tier)s (%(how)s)") % said


def _signatures(site: Site, people: QuerySet) -> Iterator[Source]:
    """Under the end of a follow-up, and under a tier that needs two. A signature knows its subject by name alone."""
    clearances = Clearance.objects.filter(follow_up__site=site, follow_up__worker__in=people)
    tiers = Assessment.objects.filter(
        breach__site=site, breach__worker__in=people, second_signature_needed=True
    )
    signed = {
        f"clearance:{row.uid}": row
        for row in clearances.select_related("follow_up__worker").order_by("-pk")[:MOST]
    }
    signed |= {
        f"assessment:{row.uid}": row
        for row in tiers.select_related("breach__worker", "version").order_by("-pk")[:MOST]
    }
    rows = Signature.objects.filter(subject__in=signed).select_related("user")
    yield Source(rows, "recorded_at", lambda row: _signature(row, signed[row.subject]))


def _signature(row: Signature, subject: Clearance | Assessment) -> str:
    if isinstance(subject, Assessment):
        said = {
            "name": subject.breach.worker,
            "tier": tier_label(subject, subject.treated_as),
            "by": row.user,
        }
        return _("%(name)s: tier %(tier)s signed by %(by)s") % said
    said = {"name": subject.follow_up.worker, "by": row.user, "end": ending(subject.effective_at)}
    return _("%(name)s: clearance signed by %(by)s, as of %(end)s") % said


def _alert_move(row: AlertEntry) -> str:
    said = {
        "name": worker_of(row.alert),
        "cause": cause_in_words(row.alert.cause),
        "what": AlertEntry.Kind(row.kind).label,
    }
    return _("%(name)s: %(cause)s, %(what)s") % said


def _call(row: Call) -> str:
    words = _("%(name)s: called by %(by)s") if row.answered else _("%(name)s: no answer to %(by)s")
    return words % {"name": row.worker, "by": row.by_user}


def _deed(row: Promise) -> str:
    said = {"name": row.worker, "what": row.title or row.get_kind_display(), "by": row.kept_by or ""}
    if row.kind == Promise.Kind.TELL:
        return _("%(name)s: told, noted by %(by)s") % said
    if row.not_applicable:
        return _("%(name)s: does not apply, says %(by)s: %(what)s") % said
    return _("%(name)s: done by %(by)s: %(what)s") % said
