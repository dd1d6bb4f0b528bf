"""Everything that waits for a clinician, one line each, most urgent first; `matters` puts them together by person.

Computed when read, from a fixed number of statements: it is right with every background process dead. What waits is an
open alert, or a promise; a promise whose lateness is an open alert stands there instead.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import Any

from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from exposure.attend import alerts, duties
from exposure.attend.models import Alert, Promise
from exposure.attend.still import corrected, gone
from exposure.attend.watched import watched
from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.clear.sign import rule_under, wanted_signatures
from exposure.followup.models import FollowUp
from exposure.people.access import holds, visible
from exposure.people.models import User, Worker
from exposure.people.policy import DOING, IN_LISTS, Deed, View
from exposure.places.models import Site
from exposure.remind.heartbeat import PROCESSES
from exposure.remind.models import Heartbeat
from exposure.remind.sweep import cause_of, subject_of
from exposure.web.bidi import isolated
from exposure.web.nurse.deed import OBSTACLES
from exposure.web.nurse.live import SILENT

Cause = Alert.Cause
Kind = Promise.Kind
# What waits without being an alert; the keys stand beside the causes of alerts in the filter.
TO_CONFIRM, TO_SIGN, TO_REVIEW, TO_RING, TO_DO = "to_confirm", "to_sign", "to_review", "to_ring", "to_do"
TO_TELL = "to_tell"  # what has changed for somebody who was told otherwise
TO_IDENTIFY = "to_identify"  # somebody typed in by name
READY, OBSTRUCTED = "ready_to_sign", "not_ready"  # a follow-up that is over: it can be signed, or not yet
URGENT, WAITING, CONFIRM, TELL, RING, SIGN, REVIEW, SEEN, LATE, GONE, PRACTICE = range(11)
# Which alert comes before which, where they are equally urgent; a local choice.
WEIGHT = {
    cause: weight
    for weight, cause in enumerate(
        (
            Cause.FEVER,
            Cause.SYMPTOM,
            TO_DO,
            Cause.UNASSESSED,
            Cause.CALL_ME,
            Cause.MISSED,
            Cause.SILENCE,
            Cause.RISE,
            Cause.UNTOLD,
            Cause.LATE_CONFIRMATION,
            Cause.CASE_CHANGED,
            Cause.COULD_NOT,
            Cause.UNREACHABLE,
            Cause.TO_LOOK_AT,
            Cause.OTHER_CONTENT,
            Cause.WITHDRAWAL,
            Cause.TASK_SOON,
            Cause.LATE_CALL,
            Cause.LATE_TASK,
            Cause.LATE_REVIEW,
            Cause.LATE_SIGNATURE,
            Cause.DRILL,
        )
    )
}


@dataclass(frozen=True)
class Line:
    """One thing to do: why, since when, for whom, by when (None: now), who has it. `group` is its urgency; `exposed`:
    its time runs since the exposure; `missed`: it was over already when it was reported; `gone`: an alert that has lost
    its cause and waits to be closed. `alert` is what it stands for, where it is one."""

    group: int
    cause: str
    label: str
    why: str
    since: datetime
    worker: Worker | None
    site: Site
    by: datetime | None
    holder: str
    url: str
    late: bool = False
    missed: bool = False
    exposed: bool = False
    gone: bool = False
    alert: Alert | None = None

    @property
    def rank(self) -> tuple[Any, ...]:
        """The same order however often it is asked, and whatever the database returns first."""
        weight = WEIGHT[self.cause] if self.group in (URGENT, WAITING) else 0
        whose = self.worker.pk if self.worker is not None else 0
        return (self.group, weight, self.by or self.since, self.since, whose, self.url)


def lines(user: User, *, at: datetime) -> list[Line]:
    """All lines that this person may act on, most urgent first."""
    # That of a follow-up is its own site's to act on.
    here = visible(user, FollowUp.objects.all(), View.CLINICAL, at=at).values("pk")
    open_alerts = Alert.objects.with_look().filter(Q(follow_up=None) | Q(follow_up__in=here), closed_at=None)
    open_alerts = list(
        visible(user, open_alerts, *IN_LISTS, at=at).select_related(
            "site", "breach__worker", "follow_up__worker", "worker", "held_by"
        )
    )
    waiting = _not_alerted(_waiting(user, at), open_alerts, at)
    every = [*_alert_lines(open_alerts, at), *_promise_lines(waiting, user, at)]
    return sorted(every, key=attrgetter("rank"))


def next_for(worker: Worker, user: User, open_alerts: Iterable[Alert], *, at: datetime) -> list[Line]:
    """What waits about one person and is no alert, most urgent first; `open_alerts` stand beside it."""
    waiting = _not_alerted(_waiting(user, at, worker=worker), open_alerts, at)
    return sorted(_promise_lines(waiting, user, at), key=attrgetter("rank"))


def _not_alerted(waiting: Iterable[Promise], open_alerts: Iterable[Alert], at: datetime) -> list[Promise]:
    """Without what an alert says already."""
    alerted = {(_subject(alert), alert.cause) for alert in open_alerts}
    return [
        promise
        for promise in waiting
        if promise.due_at is None
        or promise.due_at > at
        or (subject_of(promise), cause_of(promise)) not in alerted
    ]


def _subject(alert: Alert) -> alerts.Subject:
    return alert.breach or alert.follow_up or alert.worker


def _waiting(user: User, at: datetime, **about: Any) -> Iterable[Promise]:
    """One query for all that somebody must do: calls after silence, and tasks not urgent, once they are late; the
    rest from the start."""
    waiting = Promise.objects.waiting(at=at).filter(**about).exclude(kind=Kind.LOOK)
    seen = visible(user, waiting, *IN_LISTS, at=at).select_related(
        "site",
        "worker",
        "breach",
        "exposure__follow_up__worker",
        "follow_up__worker",
        "follow_up__site",
        "version",
    )
    return [promise for promise in seen if _is_shown(promise, user, at)]


def _is_shown(promise: Promise, user: User, at: datetime) -> bool:
    if promise.version is not None:
        return holds(user, DOING[Deed.APPROVE_CRITERIA], promise.site_id, at=at)
    only_late = _is_plain_task(promise) or promise.key.startswith(duties.SILENT)
    return not only_late or (promise.due_at is not None and promise.due_at <= at)


def _is_plain_task(promise: Promise) -> bool:
    return promise.kind == Kind.TASK and not promise.urgent


def heartbeat(*, at: datetime) -> dict[str, Any]:
    """When reminders and due times were last looked at, and what waits was last sent, whichever is longer ago; and
    whether that is too long ago, or ahead of us: then a clock is wrong, and nobody knows."""
    beats = list(Heartbeat.objects.filter(name__in=PROCESSES).values_list("at", flat=True))
    missing = len(beats) < len(PROCESSES)
    return {
        "looked_at": None if missing else min(beats),
        "stopped": missing or any(abs(at - beat) > SILENT for beat in beats),
    }


def _alert_lines(open_alerts: Iterable[Alert], at: datetime) -> Iterator[Line]:
    open_alerts = list(open_alerts)
    without_cause, put_right = gone(open_alerts, at=at), corrected(open_alerts)
    late = {alert.follow_up_id for alert in open_alerts if alert.cause == Cause.LATE_TASK}
    for alert in open_alerts:
        if alert.pk in without_cause:
            # What was soon due stands as late by now, and once.
            if alert.cause != Cause.TASK_SOON or alert.follow_up_id not in late:
                yield _to_close(alert)
            continue
        # A look that has come asks again at once, whether or not a process has said so.
        look_at = alert.next_look_at
        asks = alert.acknowledged_at is None or (look_at is not None and look_at <= at)
        yield Line(
            group=_group(alert) if asks else SEEN,
            cause=alert.cause,
            label=str(Cause(alert.cause).label),
            why=_("Corrected since: %(what)s") % {"what": alert.words}
            if alert.pk in put_right
            else alert.words,
            since=alert.dated_at or alert.round_at,
            worker=alerts.worker_of(alert),
            site=alert.site,
            by=None if asks else look_at,
            holder=str(alert.held_by or ""),
            url=reverse("alert", args=[alert.uid]),
            alert=alert,
        )


def _to_close(alert: Alert) -> Line:
    return Line(
        group=GONE,
        cause=alert.cause,
        label=str(Cause(alert.cause).label),
        why=_("No longer so; it waits to be closed: %(what)s") % {"what": alert.words},
        since=alert.dated_at or alert.round_at,
        worker=alerts.worker_of(alert),
        site=alert.site,
        by=None,
        holder=str(alert.held_by or ""),
        url=reverse("alert", args=[alert.uid]),
        gone=True,
        alert=alert,
    )


def _group(alert: Alert) -> int:
    if alert.cause == Cause.DRILL:
        return PRACTICE
    return URGENT if alert.urgent else WAITING


def _promise_lines(waiting: list[Promise], user: User, at: datetime) -> Iterator[Line]:
    first_hands = _first_hands(waiting)
    ends = _ends(waiting, first_hands, at)
    for promise in waiting:
        group, cause, label = _kind(promise)
        cause, label, words = ends.get(promise.pk, (cause, label, ""))
        yield Line(
            group=group,
            cause=cause,
            label=label,
            why=words or first_hands.get(promise.pk, promise.title),
            since=_since(promise),
            worker=promise.worker,
            site=promise.site,
            by=promise.due_at,
            holder="",
            url=_url(promise),
            late=promise.due_at is not None and promise.due_at <= at,
            missed=promise.kind == Kind.TASK and promise.was_over,
            exposed=cause == TO_DO,
        )


def _ends(
    waiting: Iterable[Promise], first_hands: Mapping[int, str], at: datetime
) -> dict[int, tuple[str, str, str]]:
    """(cause, label, words) of each follow-up that is over and that nobody has signed yet: whether it can be."""
    ending = {
        promise.follow_up_id: promise
        for promise in waiting
        if promise.key == duties.CLEARANCE and promise.pk not in first_hands
    }
    found = {}
    for end in watched([promise.follow_up for promise in ending.values()], at=at) if ending else ():
        now = end.overview
        ruling = rule_under(now, end.profile)
        what = {"pathogen": now.follow_up.pathogen.capitalize()}
        if ruling.yes:
            found[ending[now.follow_up.pk].pk] = (
                READY,
                _("ready to sign"),
                _ready(wanted_signatures(now), what),
            )
            continue
        count = len(ruling.reasons)
        words = ngettext(
            "%(pathogen)s, over; it waits for %(count)s obstacle: %(reasons)s",
            "%(pathogen)s, over; it waits for %(count)s obstacles: %(reasons)s",
            count,
        )
        reasons = " ".join(str(OBSTACLES[reason]) for reason in ruling.reasons)
        what |= {"count": str(count), "reasons": reasons}
        found[ending[now.follow_up.pk].pk] = (OBSTRUCTED, _("end not ready"), words % what)
    return found


def _ready(wanted: str, what: Mapping[str, str]) -> str:
    if wanted == "two":
        return _("%(pathogen)s, over: two people sign.") % what
    if wanted == "physician":
        return _("%(pathogen)s, over: a physician signs.") % what
    return _("%(pathogen)s, over: a nurse or a physician signs.") % what


def _since(promise: Promise) -> datetime:
    if _is_plain_task(promise):
        return promise.due_at
    if promise.kind == Kind.TASK and promise.exposure is not None:
        return promise.exposure.occurred_at
    return promise.not_before or promise.asked_at


def _kind(promise: Promise) -> tuple[int, str, str]:
    """(group, cause, label) of a promise."""
    match promise.kind:
        case Kind.CONFIRM:
            return CONFIRM, TO_CONFIRM, _("report to confirm")
        case Kind.TELL if promise.follow_up_id is not None:
            return TELL, TO_TELL, _("to tell")
        case Kind.TELL:
            return TELL, Cause.UNTOLD, str(Cause.UNTOLD.label)
        case Kind.SIGN:
            return SIGN, TO_SIGN, _("to sign")
        case Kind.REVIEW:
            return REVIEW, TO_REVIEW, _("tier to look at again")
        case Kind.IDENTIFY:
            return REVIEW, TO_IDENTIFY, _("who is it")
        case Kind.CALL:
            return RING, TO_RING, _("to ring")
        case Kind.TASK if promise.urgent:
            return URGENT, TO_DO, _("to do now")
    return LATE, Cause.LATE_TASK, str(Cause.LATE_TASK.label)


def _url(promise: Promise) -> str:
    """Where it is done."""
    match promise.kind:
        case Kind.CONFIRM | Kind.REVIEW:
            return reverse("breach", args=[promise.breach.uid])
        case Kind.TELL if promise.breach is not None:
            return reverse("breach", args=[promise.breach.uid])
        case Kind.TELL if promise.follow_up is not None:
            return reverse("change_told", args=[promise.uid])
        case Kind.TELL:
            return reverse("exposure_told", args=[promise.exposure.uid])
        case Kind.SIGN if promise.breach is not None:
            return reverse("breach", args=[promise.breach.uid])
        case Kind.SIGN if promise.follow_up is not None:
            return reverse("clear", args=[promise.follow_up.uid])
        case Kind.SIGN:
            return reverse("criteria_version", args=[promise.version.uid])
        case Kind.IDENTIFY:
            return reverse("person_link", args=[promise.worker.uid])
        case Kind.CALL:
            return reverse("person", args=[promise.worker.uid])
    return reverse("task_done", args=[promise.uid])


def _first_hands(waiting: Iterable[Promise]) -> dict[int, str]:
    """What waits for a second signature, with the name of the first, and reviews with their report."""
    signing = [promise for promise in waiting if promise.kind == Kind.SIGN]
    clearances = {
        clearance.follow_up_id: f"clearance:{clearance.uid}"
        for clearance in Clearance.objects.filter(
            follow_up__in=[promise.follow_up_id for promise in signing if promise.follow_up_id],
            signed_at=None,
            void_at=None,
        )
    }
    subjects = {
        promise.pk: f"override:{promise.key}"
        if promise.breach_id
        else clearances.get(promise.follow_up_id, "")
        for promise in signing
    }
    rows = Signature.objects.filter(subject__in=[subject for subject in subjects.values() if subject])
    names = {row.subject: row.user for row in rows.select_related("user")}
    words = {}
    for promise in signing:
        name = names.get(subjects[promise.pk])
        if name is not None and promise.breach_id is not None:
            text = _("Tier changed by %(name)s: it takes effect with a second signature.")
            words[promise.pk] = text % {"name": isolated(name)}
        elif name is not None:
            words[promise.pk] = _("Clearance signed by %(name)s: it needs a second signature.") % {
                "name": isolated(name)
            }
    for promise in waiting:
        if promise.kind == Kind.REVIEW:
            words[promise.pk] = _("Report %(reference)s: %(task)s. Nothing changes until you decide.") % {
                "reference": promise.breach.reference,
                "task": promise.title,
            }
    return words
