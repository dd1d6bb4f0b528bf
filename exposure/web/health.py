"""For whoever watches over the service: does it live, and is it of use?"""

from datetime import timedelta

from django.core.cache import cache
from django.db import DatabaseError, connection
from django.db.models import Min
from django.http import HttpRequest, HttpResponse, JsonResponse

from exposure.remind.models import Heartbeat, Message

LATEST_HEARTBEAT = timedelta(minutes=3)
OLDEST_DUE = timedelta(minutes=5)


def alive(request: HttpRequest) -> HttpResponse:
    """The process answers."""
    return JsonResponse({"alive": True})


def ready(request: HttpRequest) -> HttpResponse:
    """200 when database and cache answer, the clock beats and nothing that is due has waited long; else 503.

    Ages are in seconds; null where there is none.
    """
    state: dict[str, object] = {"database": _database(), "cache": _cache()}
    if state["database"]:
        beat = Heartbeat.objects.filter(name="sweep").values_list("at", flat=True).first()
        waiting = Message.objects.filter(sent_at=None, given_up_at=None, due_at__lte=request.at)
        oldest = waiting.aggregate(at=Min("created_at"))["at"]
        state["heartbeat_age"] = (request.at - beat).total_seconds() if beat else None
        state["oldest_due_age"] = (request.at - oldest).total_seconds() if oldest else None
        state["heartbeat"] = beat is not None and request.at - beat <= LATEST_HEARTBEAT
        state["outbox"] = oldest is None or request.at - oldest <= OLDEST_DUE
    good = all(state.get(part) for part in ("database", "cache", "heartbeat", "outbox"))
    return JsonResponse({"ready": good, **state}, status=200 if good else 503)


def _database() -> bool:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
            return cursor.fetchone() == (1,)
    except DatabaseError:
        return False


def _cache() -> bool:
    try:
        cache.set("ready", "yes", 10)
        return cache.get("ready") == "yes"
    except Exception:  # whatever the cache's client raises, it does not answer
        return False
