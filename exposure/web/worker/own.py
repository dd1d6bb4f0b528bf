"""What every page of a worker shares: it is about the signed-in person, on their own clock."""

from collections.abc import Callable
from datetime import datetime
from functools import wraps
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from exposure.people.access import find
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.web.account.sessions import OWN_DEVICE
from exposure.web.signed_in import signed_in
from exposure.web.worker import spoken
from exposure.web.worker.restricted import spans
from exposure.web.worker.signed import cleared
from exposure.web.worker.situation import Situation


def own_page(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """A page about the signed-in person as a worker, on their own clock; 404 for who is none."""

    @wraps(view)
    def own(request: HttpRequest, **kwargs: Any) -> HttpResponse:
        workers = Worker.objects.filter(user=request.user).select_related("site", "user")
        worker = find(request.user, workers, View.OWN, at=request.at)
        with timezone.override(worker.zone):
            return view(request, worker, **kwargs)

    return signed_in(own)


def common(request: HttpRequest, situation: Situation) -> dict[str, Any]:
    """What every page of the worker says: what stands above all else, the reading now and next in words, and by when
    the call comes."""
    due, coming, call_by = situation.due, situation.next, situation.call_by
    stopped = situation.top == "stop"
    return {
        "alerted_when": _when(situation.alerted_at, request.at) if stopped else "",
        "telephoned_when": _when(situation.telephoned_at, request.at) if stopped else "",
        "situation": situation,
        "top": situation.top,
        "emergency": situation.stop_is_emergency,
        "site": situation.worker.site,
        "at": request.at,
        "own_device": bool(request.session.get(OWN_DEVICE)),
        "due": due,
        "due_when": spoken.window(due.check, request.at) if due else "",
        "repeat_after": spoken.moment(situation.repeat_after(due.reading), request.at)
        if due and due.reading
        else "",
        "next_when": spoken.window(coming, request.at) if coming else "",
        "call_by": _when(call_by, request.at),
        "call_late": call_by is not None and call_by <= request.at,
        "cleared": cleared(situation.clearances),
        "until": spans(situation.confirmed_restrictions, today=situation.today),
    }


def _when(moment: datetime | None, at: datetime) -> str:
    return spoken.moment(moment, at) if moment else ""
