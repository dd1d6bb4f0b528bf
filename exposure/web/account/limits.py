"""How long a limit on sign-in still lasts: what a 429 says in `Retry-After` (RFC 9110, section 10.2.3)."""

import math
import time

from allauth.account import app_settings
from allauth.core.internal.ratelimit import Rate, get_cache_key, parse_rates
from django.core.cache import cache
from django.http import HttpRequest

AT_LEAST = 1  # seconds
UNKNOWN = 60  # seconds, where nothing is known of the limit that was reached


def seconds_left(request: HttpRequest, *, key: str | None = None) -> int:
    """Whole seconds until every limit that this client has reached would let it go on, `key` being what its wrong
    tries are counted by; UNKNOWN where none is reached any more or the cache is away."""
    waits = [
        wait
        for action, rates in app_settings.RATE_LIMITS.items()
        for rate in parse_rates(rates)
        if rate.per == "ip" or (rate.per == "key" and key is not None and action == "login_failed")
        if (wait := _wait(request, action, rate, key)) > 0
    ]
    return max(AT_LEAST, math.ceil(max(waits))) if waits else UNKNOWN


def _wait(request: HttpRequest, action: str, rate: Rate, key: str | None) -> float:
    """Seconds until one limit takes another try; its tries are kept newest first."""
    tries = cache.get(get_cache_key(request, app="allauth.account", action=action, rate=rate, key=key)) or []
    return tries[rate.amount - 1] + rate.duration - time.time() if len(tries) >= rate.amount else 0
