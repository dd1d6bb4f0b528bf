"""What was sent to one person, what was not and why, each try, and what came back."""

import uuid
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from itertools import groupby

from django.core.paginator import Paginator
from django.db.models import Prefetch, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.functional import Promise as LazyText
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.audit.models import AccessEntry
from exposure.people.access import find, visible
from exposure.people.models import Worker
from exposure.people.policy import IN_LISTS
from exposure.remind import verdict
from exposure.remind.models import Attempt, DeliveryReport, Message, Reminder, Reply
from exposure.remind.reminders import NO_ADDRESS
from exposure.web.nurse.person_deeds import WORKERS
from exposure.web.nurse.views import note_person
from exposure.web.signed_in import signed_in

ON_A_PAGE = 25
WHY_NOT: dict[str, LazyText | str] = {
    "overtaken": gettext_lazy("a later one was due already"),
    NO_ADDRESS: gettext_lazy("nothing is known to reach this person by"),
    verdict.WITHDRAWN: gettext_lazy("the reading was planned anew"),
    verdict.ANSWERED: gettext_lazy("the reading had come"),
    verdict.ENDED: gettext_lazy("the follow-up had ended"),
    verdict.PAUSED: gettext_lazy("being evaluated, or in hospital"),
    verdict.NOT_TOLD: gettext_lazy("nobody had told the person yet"),
    verdict.BY_PHONE_ONLY: gettext_lazy("wants to be telephoned only"),
    verdict.CLOSED: gettext_lazy("it was over"),
    verdict.QUIET: gettext_lazy("quiet hours"),
    verdict.SUPERSEDED: gettext_lazy("a newer one went instead"),
    verdict.TAKEN: gettext_lazy("somebody had taken the alert"),
    verdict.RENEWED: gettext_lazy("the alert asked again, with a new message"),
    verdict.NO_ROLE: gettext_lazy("no role at this site any more"),
    verdict.TOGETHER: gettext_lazy("one message said how much waits"),
}


@dataclass(frozen=True)
class Line:
    """One message, or reminders one after the other of which none was made for the same reason, since `first_at`."""

    at: datetime
    whom: str
    channel: str
    fate: str
    tries: tuple[str, ...] = ()
    first_at: datetime | None = None
    count: int = 1


@signed_in
def person_messages(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Reminders to this person and pages about them, the newest first."""
    worker: Worker = find(request.user, WORKERS, *IN_LISTS, at=request.at, uid=uid)
    note_person(request, AccessEntry.Kind.PERSON, f"worker:{uid}", worker)
    known = [worker.pk, *worker.also.values_list("pk", flat=True)]
    with timezone.override(worker.site.zone):
        seen = partial(visible, request.user, at=request.at)
        lines = [*_messages(known, seen), *_unsent(known, seen), *_replies(known, seen)]
        lines.sort(key=lambda line: line.at, reverse=True)
        page = Paginator(list(_folded(lines)), ON_A_PAGE).get_page(request.GET.get("page"))
        return render(request, "nurse/person_messages.html", {"worker": worker, "page": page})


def _folded(lines: Iterable[Line]) -> Iterator[Line]:
    """Newest first; what is alike and was never tried stands in one line."""
    for _same, group in groupby(lines, key=lambda line: (line.whom, line.channel, line.fate, line.tries)):
        alike = list(group)
        if len(alike) == 1 or alike[0].tries:
            yield from alike
        else:
            yield replace(alike[0], first_at=alike[-1].at, count=len(alike))


def fate(message: Message) -> str:
    """What became of it, in words."""
    if message.sent_at is not None:
        return _("Sent")
    if message.skipped_because:
        return _("Not sent: %(why)s") % {"why": WHY_NOT[message.skipped_because]}
    if message.given_up_at is not None:
        return _("Could not be delivered")
    return _("Waits")


def _messages(known: list[int], seen: Callable[..., QuerySet]) -> list[Line]:
    about = Q(worker__in=known) | Q(alert__worker__in=known)
    about |= Q(alert__follow_up__worker__in=known) | Q(alert__breach__worker__in=known)
    attempts = Prefetch("attempts", Attempt.objects.select_related("outcome"))
    reports = Prefetch("delivery_reports", DeliveryReport.objects.all())
    rows = seen(Message.objects.filter(about), *IN_LISTS).select_related("worker", "user")
    return [
        Line(
            at=message.created_at,
            whom=str(message.worker or message.user),
            channel=message.get_channel_display(),
            fate=fate(message),
            tries=(*map(_try, message.attempts.all()), *map(_report, message.delivery_reports.all())),
        )
        for message in rows.prefetch_related(attempts, reports)
    ]


def _try(attempt: Attempt) -> str:
    said = {"number": attempt.number}
    outcome = getattr(attempt, "outcome", None)
    if outcome is None:
        return _("Try %(number)s: cut off, nobody knows whether it left") % said
    if outcome.accepted:
        return _("Try %(number)s: taken") % said
    return _("Try %(number)s: refused (%(detail)s)") % {**said, "detail": outcome.detail}


def _report(report: DeliveryReport) -> str:
    return _("Arrived on the telephone") if report.delivered else _("Did not arrive on the telephone")


def _unsent(known: list[int], seen: Callable[..., QuerySet]) -> list[Line]:
    """Reminders of which no message was made."""
    every = Reminder.objects.filter(worker__in=known).exclude(skipped_because="")
    rows = seen(every, *IN_LISTS).select_related("worker")
    return [
        Line(
            at=reminder.rung_at,
            whom=str(reminder.worker),
            channel="",
            fate=_("Not sent: %(why)s") % {"why": WHY_NOT[reminder.skipped_because]},
        )
        for reminder in rows
    ]


def _replies(known: list[int], seen: Callable[..., QuerySet]) -> list[Line]:
    rows = seen(Reply.objects.filter(worker__in=known), *IN_LISTS).select_related("worker")
    return [
        Line(
            at=reply.at,
            whom=str(reply.worker),
            channel=reply.get_road_display(),
            fate=_("Answered: %(what)s") % {"what": reply.get_kind_display()},
            tries=(reply.text,) if reply.text else (),
        )
        for reply in rows
    ]
