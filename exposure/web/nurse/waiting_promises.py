"""Promises as lines: what somebody must do by then, in words, and where it is done."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from exposure.attend import duties
from exposure.attend.models import Alert, Promise
from exposure.attend.watched import watched
from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.clear.sign import rule_under, wanted_signatures
from exposure.people.models import User
from exposure.web.bidi import isolated
from exposure.web.nurse.deed import OBSTACLES
from exposure.web.nurse.waits import (
    CONFIRM,
    LATE,
    OBSTRUCTED,
    OWN_TASK,
    READY,
    REVIEW,
    RING,
    SIGN,
    TELL,
    TO_CONFIRM,
    TO_DO,
    TO_IDENTIFY,
    TO_REVIEW,
    TO_RING,
    TO_SIGN,
    TO_TELL,
    URGENT,
    Line,
)

Cause = Alert.Cause
Kind = Promise.Kind


def promise_lines(waiting: list[Promise], user: User, at: datetime) -> Iterator[Line]:
    first_hands = _first_hands(waiting)
    ends = _ends(waiting, first_hands, at)
    for promise in waiting:
        late = promise.due_at is not None and promise.due_at <= at
        group, cause, label = _kind(promise)
        if is_plain_task(promise) and not late:
            cause, label = OWN_TASK, _("task")
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
            holder=str(promise.held_by or ""),
            url=_url(promise),
            late=late,
            missed=promise.kind == Kind.TASK and promise.was_over,
            exposed=cause == TO_DO,
            promise=promise,
        )


def is_plain_task(promise: Promise) -> bool:
    return promise.kind == Kind.TASK and not promise.urgent


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
    if is_plain_task(promise):
        return promise.due_at or promise.asked_at
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
