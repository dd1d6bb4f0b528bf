"""For whoever watches over the service: does it live, and is it of use?"""

from datetime import datetime, timedelta
from typing import Any

from django.core.cache import cache
from django.db import DatabaseError, InterfaceError, connection, transaction
from django.db.models import Min
from django.http import HttpRequest, HttpResponse, JsonResponse

from exposure.classify import versions
from exposure.remind.models import Heartbeat, Message
from exposure.remind.rounds import set_aside

LATEST_HEARTBEAT = timedelta(minutes=3)
OLDEST_UNSENT = timedelta(minutes=5)


def alive(request: HttpRequest) -> HttpResponse:
    """The process answers."""
    return JsonResponse({"alive": True})


def ready(request: HttpRequest) -> HttpResponse:
    """200 when all is well, else 503; `failing` names each of these that is not:

    `database` answers, and is `writable`; `cache` answers; `heartbeat`: the clock has ended a round lately, and not
    ahead of us (`heartbeat_age` in seconds, null for never; `failed_parts` of that round); `outbox`: no message has
    waited long since it was written, whatever its next try (`oldest_unsent_age` in seconds, null for none); `rows`:
    none is set aside (`set_aside` counts them); `criteria`: every text in use can be read (`unreadable_criteria`).
    """
    good: dict[str, bool] = {"database": _database(), "cache": _cache()}
    details: dict[str, Any] = {}
    if good["database"]:
        good["writable"] = _writable(request.at)
        beat = Heartbeat.objects.filter(name="sweep").first()
        age = (request.at - beat.at).total_seconds() if beat else None
        failed = beat.note.split(", ") if beat and beat.note else []
        unsent = Message.objects.filter(sent_at=None, given_up_at=None)
        oldest = unsent.aggregate(at=Min("created_at"))["at"]
        waited = (request.at - oldest).total_seconds() if oldest else None
        aside = len(set_aside(at=request.at))
        unreadable = [f"{version.pathogen} {version.version}" for version, _why in versions.unusable()]
        good["heartbeat"] = age is not None and abs(age) <= LATEST_HEARTBEAT.total_seconds()
        good["parts"] = not failed
        good["outbox"] = waited is None or waited <= OLDEST_UNSENT.total_seconds()
        good["rows"] = not aside
        good["criteria"] = not unreadable
        details = {
            "heartbeat_age": age,
            "failed_parts": failed,
            "oldest_unsent_age": waited,
            "set_aside": aside,
            "unreadable_criteria": unreadable,
        }
    failing = [name for name, is_good in good.items() if not is_good]
    state = {"ready": not failing, "failing": failing, **good, **details}
    return JsonResponse(state, status=503 if failing else 200)


def _database() -> bool:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
            return cursor.fetchone() == (1,)
    except (DatabaseError, InterfaceError):
        return False


def _writable(at: datetime) -> bool:
    """A database that is full, or a standby, answers and takes nothing."""
    try:
        with transaction.atomic():
            Heartbeat.objects.update_or_create(name="ready", defaults={"at": at})
    except (DatabaseError, InterfaceError):
        return False
    return True


def _cache() -> bool:
    try:
        cache.set("ready", "yes", 10)
        return cache.get("ready") == "yes"
    except Exception:  # whatever the cache's client raises, it does not answer
        return False
