"""For whoever watches over the service: does it live, and is it of use?"""

from datetime import datetime, timedelta
from typing import Any

from django.core.cache import cache
from django.db import DatabaseError, InterfaceError, connection, transaction
from django.http import HttpRequest, HttpResponse, JsonResponse

from exposure.audit import sealing
from exposure.classify import versions
from exposure.remind import jumps
from exposure.remind.figures import oldest_unsent
from exposure.remind.heartbeat import PROCESSES, READY, SEALER, beat
from exposure.remind.models import Heartbeat
from exposure.remind.rounds import set_aside

LATEST_HEARTBEAT = timedelta(minutes=3)
LATEST_SEAL = timedelta(minutes=10)
OLDEST_UNSENT = timedelta(minutes=5)


def alive(request: HttpRequest) -> HttpResponse:
    """The process answers."""
    return JsonResponse({"alive": True})


def ready(request: HttpRequest) -> HttpResponse:
    """200 when all is well, else 503; `failing` names each of these that is not:

    `database` answers, and is `writable`; `cache` answers; `heartbeat`: every process has ended a round lately, and
    not ahead of us (`heartbeat_age`: process -> seconds, null for never); `parts`: none of a round failed as a whole
    (`failed_parts`); `outbox`: no message has waited long since it was written, whatever its next try
    (`oldest_unsent_age` in seconds, null for none); `rows`: none is set aside (`set_aside` counts them); `criteria`:
    every text in use can be read (`unreadable_criteria`); `seals`: all that was written was found sealed lately
    (`seal_age` in seconds, null for never), and signed. `clock_jumps` of the last 24 hours are said, and are over.
    """
    good: dict[str, bool] = {"database": _database(), "cache": _cache()}
    details: dict[str, Any] = {}
    if good["database"]:
        good["writable"] = _writable(request.at)
        beats = {beat.name: beat for beat in Heartbeat.objects.filter(name__in=(*PROCESSES, SEALER))}
        ages = {
            name: (request.at - beats[name].at).total_seconds() if name in beats else None
            for name in PROCESSES
        }
        sealed = (request.at - beats[SEALER].at).total_seconds() if SEALER in beats else None
        failed = [part for beat in beats.values() for part in beat.note.split(", ") if part]
        oldest = oldest_unsent(at=request.at)
        waited = (request.at - oldest).total_seconds() if oldest else None
        aside = len(set_aside(at=request.at))
        unreadable = [f"{version.pathogen} {version.version}" for version, _why in versions.unusable()]
        good["heartbeat"] = all(
            age is not None and abs(age) <= LATEST_HEARTBEAT.total_seconds() for age in ages.values()
        )
        good["parts"] = not failed
        good["outbox"] = waited is None or waited <= OLDEST_UNSENT.total_seconds()
        good["rows"] = not aside
        good["criteria"] = not unreadable
        good["seals"] = (
            sealed is not None
            and abs(sealed) <= LATEST_SEAL.total_seconds()
            and not sealing.heads_late(at=request.at)
        )
        details = {
            "heartbeat_age": ages,
            "seal_age": sealed,
            "failed_parts": failed,
            "oldest_unsent_age": waited,
            "set_aside": aside,
            "unreadable_criteria": unreadable,
            "clock_jumps": len(jumps.recent(at=request.at)),
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
            beat(READY, at=at)
    except (DatabaseError, InterfaceError):
        return False
    return True


def _cache() -> bool:
    try:
        cache.set("ready", "yes", 10)
        return cache.get("ready") == "yes"
    except Exception:  # whatever the cache's client raises, it does not answer
        return False
