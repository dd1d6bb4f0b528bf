"""Lists that stay true while they stand open: asked again every few seconds, they answer 304 from one statement as long
as nothing has been written that they show."""

import hashlib
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import wraps

from django.db.models import Aggregate, Count, Model, QuerySet, Subquery, Sum, Value
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.utils import timezone

from exposure.attend.models import Alert, Call, Promise
from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading, Restriction
from exposure.people.access import roles_of
from exposure.people.desk_models import SavedFilter
from exposure.people.models import User, Worker
from exposure.places.models import Site, Station
from exposure.record import InsertOnly
from exposure.remind.models import Heartbeat, SetAside
from exposure.report.models import Breach, Case

# What the lists show; of recorded models the newest version counts.
SHOWN: tuple[type[Model], ...] = (
    Alert, Breach, Call, Case, Check, Clearance, Exposure, Fill, FollowUp, FollowUpState, Promise, Reading, Restriction,
    SavedFilter, SetAside, Signature, Site, Station, User, Worker,
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
    open_alerts = Alert.objects.filter(closed_at=None)
    beating = Heartbeat.objects.filter(at__gte=request.at - SILENT)
    figures = {
        **{f"newest_{number}": Subquery(_newest(model)) for number, model in enumerate(SHOWN)},
        "alerts": Subquery(_one(open_alerts, Count("pk"))),
        "times": Subquery(_one(open_alerts, Sum("times"))),
        "beating": Subquery(_one(beating, Count("pk"))),
    }
    found = User.objects.filter(pk=request.user.pk).annotate(**figures).values_list(*figures).first()
    roles = [(role.pk, role.kind) for role in roles_of(request.user, at=request.at)]
    return hashlib.sha256(repr((request.user.pk, roles, found)).encode()).hexdigest()[:24]


def _newest(model: type[Model]) -> QuerySet:
    """The key of the newest row, or version."""
    versioned = not issubclass(model, InsertOnly) and hasattr(model, "history")
    rows = (model.history.model if versioned else model)._default_manager.order_by("-pk")
    return rows.values("pk")[:1]


def _one(rows: QuerySet, figure: Aggregate) -> QuerySet:
    """One figure over all of them."""
    return rows.order_by().annotate(whole=Value(1)).values("whole").annotate(figure=figure).values("figure")
