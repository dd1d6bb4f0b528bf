"""Lists that stay true while they stand open: asked again every few seconds, they answer 304 from one statement as long
as nothing has been written that they show."""

import hashlib
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import wraps
from typing import Any

from django.db import connection
from django.db.models import Model
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.utils import timezone

from exposure.attend.models import Alert, Call, Promise
from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading, Restriction
from exposure.people.access import roles_of
from exposure.people.models import User, Worker
from exposure.places.models import Site, Station
from exposure.record import InsertOnly
from exposure.remind.models import Heartbeat, SetAside
from exposure.report.models import Breach

# What the lists show; of recorded models the newest version counts.
SHOWN: tuple[type[Model], ...] = (
    Alert, Breach, Call, Check, Clearance, Exposure, Fill, FollowUp, FollowUpState, Promise, Reading, Restriction,
    SetAside, Signature, Site, Station, User, Worker,
)  # fmt: skip
SILENT = timedelta(minutes=3)  # of the processes, as the page says it
LASTS = timedelta(
    minutes=2
)  # what time alone changes ("5 min ago", a reading that is late by now) is no older
AS_OF = "As-Of"  # the header that says of which time of day an unchanged list is


def live(view: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """The page with a tag of what it shows, or 304 where that is still so: then nothing was looked at anew."""

    @wraps(view)
    def answered(request: HttpRequest) -> HttpResponse:
        figures = _figures(request)
        if _still(request.headers.get("If-None-Match", ""), figures, request.at):
            unchanged = HttpResponseNotModified()
            unchanged.headers[AS_OF] = timezone.localtime(request.at).strftime("%H:%M")
            return unchanged
        request.live_tag = f'W/"{request.at.timestamp():.6f}.{figures}"'
        response = view(request)
        response.headers["ETag"] = request.live_tag
        return response

    return answered


def _still(tag: str, figures: str, at: datetime) -> bool:
    made, _dot, then = tag.removeprefix('W/"').removesuffix('"').rpartition(".")
    try:
        age = at.timestamp() - float(made)
    except ValueError:
        return False
    return then == figures and 0 <= age < LASTS.total_seconds()


def _figures(request: HttpRequest) -> str:
    """A digest of how far the shown tables have come, and of who reads; one statement. Open alerts are counted too: a
    row that was written first may be seen last."""
    parts = [_newest(model) for model in SHOWN]
    alerts, beats = _(Alert), _(Heartbeat)
    parts.append(f"(SELECT count(*) FROM {alerts} WHERE closed_at IS NULL)")
    parts.append(f"(SELECT sum(times) FROM {alerts} WHERE closed_at IS NULL)")
    parts.append(f"(SELECT count(*) FROM {beats} WHERE at >= %s)")
    with connection.cursor() as cursor:
        fresh = connection.ops.adapt_datetimefield_value(request.at - SILENT)
        cursor.execute(f"SELECT {', '.join(parts)}", [fresh])
        found: Any = cursor.fetchone()
    roles = [(role.pk, role.kind) for role in roles_of(request.user, at=request.at)]
    return hashlib.sha256(repr((request.user.pk, roles, found)).encode()).hexdigest()[:24]


def _newest(model: type[Model]) -> str:
    if issubclass(model, InsertOnly) or not hasattr(model, "history"):
        return f"(SELECT max(id) FROM {_(model)})"
    return f"(SELECT max(history_id) FROM {_(model.history.model)})"


def _(model: type[Model]) -> str:
    return connection.ops.quote_name(model._meta.db_table)
