"""Browsers in which an account has signed in before: its wrong tries there count for themselves, so that nobody who
guesses from the same address, behind the same proxy of a hospital, can keep the holder out."""

import secrets
from typing import Any

from django.conf import settings
from django.core import signing
from django.db.models import Q
from django.http import HttpRequest, HttpResponse

from exposure.people.models import User

KEPT = 180 * 24 * 3600  # seconds
MOST = 20  # accounts of a shared desk
_SALT = "known-device"


def _name() -> str:
    return "__Host-device" if settings.SESSION_COOKIE_SECURE else "device"


def _read(request: HttpRequest) -> dict[str, Any]:
    try:
        return signing.loads(request.COOKIES.get(_name(), ""), salt=_SALT, max_age=KEPT)
    except signing.BadSignature:
        return {"id": secrets.token_urlsafe(16), "accounts": []}


def counted_as(request: HttpRequest, names: list[str]) -> str | None:
    """What wrong tries count by, where the account of one of these names (or addresses) has signed in in this browser
    before; else None."""
    device = _read(request)
    if not device["accounts"]:
        return None
    named = Q()
    for name in names:
        named |= Q(name__iexact=name) | Q(email__iexact=name)
    known = User.objects.filter(named, pk__in=device["accounts"]) if names else User.objects.none()
    return f"device-{device['id']}" if known.exists() else None


def remember(request: HttpRequest, response: HttpResponse, user: User) -> None:
    """The account has signed in here. The cookie opens nothing."""
    device = _read(request)
    accounts = [user.pk, *(pk for pk in device["accounts"] if pk != user.pk)][:MOST]
    response.set_cookie(
        _name(),
        signing.dumps({"id": device["id"], "accounts": accounts}, salt=_SALT),
        max_age=KEPT,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
