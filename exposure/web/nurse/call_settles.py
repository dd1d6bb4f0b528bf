"""What a call with one person can settle, and the form that asks which of it this one did."""

import uuid
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.http import HttpRequest, QueryDict

from exposure.attend.models import Alert, Promise
from exposure.people.access import visible
from exposure.people.models import User, Worker
from exposure.people.policy import View
from exposure.pipeline.call import ANSWERED_BY_CALL, Settled
from exposure.web.nurse.forms import CallForm

FIRST = "first_call"  # the code of that task in criteria
KINDS = (Promise.Kind.TASK, Promise.Kind.TELL)
Open = Mapping[str, Settled]  # by the value that stands in the form


def prepare(request: HttpRequest, worker: Worker) -> Mapping[str, Any]:
    chosen = request.POST.getlist("settles") if request.method == "POST" else ()
    return {"open": open_to(request.user, worker, chosen, at=request.at)}


def open_to(user: User, worker: Worker, chosen: Iterable[str] = (), *, at: datetime) -> Open:
    """Tasks that can be done now, tellings, and requests to be rung, of the reader's own site; two statements. What was
    `chosen` is among them also where it has been settled since: the use case says by whom. An alert counts as it was
    shown, so that one that has come again is not closed unread."""
    shown = dict(_shown(chosen))
    waiting = Q(kept_at=None) & (Q(not_before=None) | Q(not_before__lte=at))
    promises = Promise.objects.filter(waiting | Q(uid__in=shown), worker=worker, kind__in=KINDS, void_at=None)
    promises = visible(user, promises, View.CLINICAL, at=at)
    promises = promises.select_related("site", "breach", "exposure", "worker").most_urgent_first()
    about = Q(worker=worker) | Q(follow_up__worker=worker) | Q(breach__worker=worker)
    asking = Alert.objects.filter(about, Q(closed_at=None) | Q(uid__in=shown), cause__in=ANSWERED_BY_CALL)
    alerts = list(visible(user, asking, View.CLINICAL, at=at).order_by("pk"))
    for alert in alerts:
        alert.times = shown.get(alert.uid) or alert.times
    return {
        **{f"promise:{promise.uid}:0": promise for promise in promises},
        **{f"alert:{alert.uid}:{alert.times}": alert for alert in alerts},
    }


def _shown(chosen: Iterable[str]) -> Iterator[tuple[uuid.UUID, int]]:
    """The uid of what was chosen, and how often an alert had happened."""
    for key in chosen:
        _kind, _colon, rest = key.partition(":")
        uid, _colon, times = rest.partition(":")
        try:
            yield uuid.UUID(uid), int(times[:9])
        except ValueError:  # the form refuses it
            continue


def form_of(data: QueryDict | None, settled: Open) -> CallForm:
    words = {key: _words(row) for key, row in settled.items()}
    first = any(isinstance(row, Promise) and row.key == FIRST for row in settled.values())
    return CallForm(data, settles=words, first=first)


def sent(form: CallForm, settled: Open) -> Mapping[str, Any]:
    given = dict(form.cleaned_data)
    return {**given, "settles": [settled[key] for key in given.get("settles", ())]}


def _words(row: Settled) -> str:
    return row.title if isinstance(row, Promise) else f"{row.get_cause_display()}: {row.words}"
