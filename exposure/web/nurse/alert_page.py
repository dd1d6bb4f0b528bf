"""One alert: what happened, whether it is still so, and what can be done."""

import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from exposure.attend import alerts
from exposure.attend.closing import deed_of
from exposure.attend.models import Alert, AlertEntry, Call, Promise
from exposure.attend.outcomes import BY_PHYSICIANS
from exposure.attend.still import gone
from exposure.audit.models import AccessEntry
from exposure.followup import cases
from exposure.people.access import find, may_on, shows, visible
from exposure.people.models import Role, User, Worker
from exposure.people.policy import AS_CLINICIAN, DOING, Deed, Part, View
from exposure.remind.models import Message
from exposure.report.models import Case
from exposure.web.nurse.alert_deeds import ALERTS, look_form, to_correct
from exposure.web.nurse.forms import CloseForm
from exposure.web.nurse.other_decisions import about_alert
from exposure.web.nurse.views import note_person
from exposure.web.signed_in import signed_in


@signed_in
def one_alert(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One alert: what happened, and what can be done."""
    alert = find(request.user, ALERTS, *AS_CLINICIAN, at=request.at, uid=uid)
    worker = alerts.worker_of(alert)
    note_person(request, AccessEntry.Kind.DETAIL, f"alert:{uid}", worker)
    context = {
        "alert": alert,
        "worker": worker,
        "entries": _with_authors(alert.entries.select_related("reading__replaced_by", "unplaced")),
        "form": CloseForm(alert=alert),
        "look_form": look_form(None, alert) if alert.held_by_id == request.user.pk else None,
        "acts": may_on(request.user, Deed.ACKNOWLEDGE, alert, at=request.at),
        "decides": may_on(request.user, deed_of(alert), alert, at=request.at),
        "physicians": _physicians_of(alert, at=request.at),
        **to_correct(alert, request.user, at=request.at),
        "in_words": shows(request.user, alert, Part.NARRATIVE, at=request.at),
        "protections": visible(request.user, worker.protections.all(), *AS_CLINICIAN, at=request.at),
        "cases": _cases_of(request, alert),
        "telephoned": _telephoned(request, alert, worker),
        "decisions": about_alert(request, alert),
        "told": _told(alert),
        **_cause_now(alert, at=request.at),
        "at": request.at,
    }
    with timezone.override(alert.site.zone):
        return render(request, "nurse/alert.html", context)


def _cause_now(alert: Alert, *, at: datetime) -> dict[str, Any]:
    """Of an open alert that has lost its cause: that it has, what became of it, and the alert that has taken over."""
    if alert.closed_at is not None or alert.pk not in gone([alert], at=at):
        return {"gone": False}
    late = Alert.objects.filter(follow_up=alert.follow_up, cause=Alert.Cause.LATE_TASK, closed_at=None)
    warned = alert.cause == Alert.Cause.TASK_SOON
    asked = Promise.objects.filter(alert_entries__alert=alert).select_related("kept_by")
    return {
        "gone": True,
        "taken_over_by": late.first() if warned else None,
        "asked": asked.order_by("due_at", "pk").distinct(),
    }


def _with_authors(entries: Iterable[AlertEntry]) -> list[AlertEntry]:
    """The entries, each with the account that wrote it as `author`; None where the service itself did."""
    rows = list(entries)
    accounts = User.objects.by_actor({entry.recorded_by for entry in rows})
    for entry in rows:
        entry.author = accounts.get(entry.recorded_by)
    return rows


def _physicians_of(alert: Alert, *, at: datetime) -> Iterable[User]:
    """Who can decide where a physician must: those of the alert's site."""
    if alert.cause not in BY_PHYSICIANS:
        return ()
    held = Role.objects.held(at=at).filter(Q(site=alert.site) | Q(site=None), kind__in=DOING[deed_of(alert)])
    return User.objects.filter(is_active=True, pk__in=held.values("user")).order_by("full_name", "pk")


def _told(alert: Alert) -> Iterable[Message]:
    """The first message to each who was told of this round, in the order in which they were told."""
    sent = Message.objects.filter(alert=alert, alert_round=alert.round, user__isnull=False)
    first: dict[int | None, Message] = {}
    for message in sent.select_related("user").order_by("page_rung", "created_at", "user__full_name"):
        first.setdefault(message.user_id, message)
    return first.values()


def _telephoned(request: HttpRequest, alert: Alert, worker: Worker) -> Call | None:
    """The worker's own word, since the alert, that they have telephoned."""
    own = worker.calls.filter(by_user=worker.user_id, called_at__gte=alert.raised_at)
    return visible(request.user, own, *AS_CLINICIAN, at=request.at).last() if worker.user_id else None


def _cases_of(request: HttpRequest, alert: Alert) -> Iterable[Case]:
    """Where a case changed: the cases that the follow-up's exposures belong to."""
    if alert.cause != Alert.Cause.CASE_CHANGED or alert.follow_up is None:
        return ()
    return visible(request.user, cases.cases_of(alert.follow_up), View.CLINICAL, at=request.at)
