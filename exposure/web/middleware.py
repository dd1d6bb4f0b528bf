"""What every page gets: strict headers, the instant of the request and the acting context."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from exposure import clock
from exposure.record import acting

CONTENT_SECURITY_POLICY = "; ".join(
    [
        "default-src 'self'",
        "object-src 'none'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
        "form-action 'self'",
    ]
)


class PageHeaders:
    """No inline script or style, no framing, and nothing of a page is kept by the browser."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", CONTENT_SECURITY_POLICY)
        response.headers.setdefault("Cache-Control", "no-store")
        return response


class ActingRequest:
    """Reads the clock once per request (`request.at`) and names who writes."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.at = clock.now()
        actor = request.user.actor if request.user.is_authenticated else "anonymous"
        origin = f"{request.META.get('REMOTE_ADDR', '')} {request.path}"[:200]
        with acting(actor, origin, at=request.at):
            return self.get_response(request)
