"""What one's own phone holds: a secret that opens nothing without its holder's six digits."""

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from exposure.people import pins

OPENED_BY = "phone_pin"  # in a session: by whose digits it was opened, the row's key


def _name() -> str:
    return "__Host-phone" if settings.SESSION_COOKIE_SECURE else "phone"


def secret_of(request: HttpRequest) -> str:
    """What this phone holds; empty where it holds nothing."""
    return request.COOKIES.get(_name(), "")


def keep(response: HttpResponse, secret: str) -> None:
    """The phone holds the secret; no script reads it."""
    response.set_cookie(
        _name(),
        secret,
        max_age=pins.LASTS,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
