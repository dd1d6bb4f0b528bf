"""The rows that addresses lead to, and who asks for them."""

from collections.abc import Iterator
from typing import Any

from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from exposure import clock
from exposure.people.devices import enrol
from tests.cast import doing

ROLES = (
    "anonymous", "nobody", "observer", "worker", "nurse", "physician", "lead", "auditor", "administrator", "outsider",
    "device",
)  # fmt: skip


def routes(patterns: Any = None, before: str = "") -> Iterator[str]:
    """Every route of the URL configuration."""
    for one in patterns if patterns is not None else get_resolver().url_patterns:
        route = before + str(one.pattern).lstrip("^").removesuffix("$")
        if isinstance(one, URLResolver):
            yield from routes(one.url_patterns, route)
        elif isinstance(one, URLPattern):
            yield route


def client_of(cast, who: str) -> Client:
    client = Client()
    if who == "device":  # by its key: no page knows it
        with doing("command:tests"):
            key, _device = enrol(station=cast.station, label="Heron tablet", at=clock.now())
        return Client(headers={"Authorization": f"Bearer {key}"})
    if who == "worker":
        client.force_login(cast.worker.user)
    elif who != "anonymous":
        client.force_login(cast.nobody if who == "nobody" else getattr(cast, who))
    return client
