"""The shared cache. While it is away the service goes on: limits count nothing, and nobody is locked out."""

import logging
import time
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.core.cache.backends.redis import RedisCache
from redis.exceptions import RedisError

AWAY = (RedisError, OSError)
LEFT_ALONE = 5.0  # seconds, so that a page does not wait for the same silence again and again

log = logging.getLogger(__name__)


class GoesOn:
    """A cache backend whose failures read as an empty cache that takes everything. Mix in before the backend."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._away_until = 0.0

    def _try(self, call: Callable[[], Any], otherwise: Any) -> Any:
        if time.monotonic() < self._away_until:
            return otherwise
        try:
            return call()
        except AWAY as error:
            self._away_until = time.monotonic() + LEFT_ALONE
            log.warning("The cache does not answer; limits are not counted meanwhile: %s", error)
            return otherwise


def _going_on(name: str, otherwise: Callable[..., Any]) -> Callable[..., Any]:
    def method(self: Any, *args: Any, **kwargs: Any) -> Any:
        call = getattr(super(GoesOn, self), name)
        return self._try(lambda: call(*args, **kwargs), otherwise(*args, **kwargs))

    return wraps(getattr(RedisCache, name))(method)


for _name, _otherwise in {
    "add": lambda *args, **kwargs: True,
    "get": lambda key, default=None, version=None: default,
    "set": lambda *args, **kwargs: None,
    "touch": lambda *args, **kwargs: False,
    "delete": lambda *args, **kwargs: False,
    "get_many": lambda *args, **kwargs: {},
    "has_key": lambda *args, **kwargs: False,
    "incr": lambda key, delta=1, version=None: delta,
    "set_many": lambda data, *args, **kwargs: list(data),
    "delete_many": lambda *args, **kwargs: None,
    "clear": lambda *args, **kwargs: False,
}.items():
    setattr(GoesOn, _name, _going_on(_name, _otherwise))


class Redis(GoesOn, RedisCache):
    """Redis, or going on without."""
