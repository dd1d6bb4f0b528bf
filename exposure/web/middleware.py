"""What every page gets: strict headers, the instant of the request and the acting context."""

from collections.abc import Callable
from ipaddress import IPv4Address, IPv6Address, ip_address

from django.conf import settings
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


class TrueClient:
    """REMOTE_ADDR is the client's address, as a trusted proxy in front names it; nobody else may name one.

    Limits, throttles and the history read REMOTE_ADDR. X-Forwarded-For goes no further than here.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        peer = request.META.get("REMOTE_ADDR", "")
        request.META["REMOTE_ADDR"] = client_address(peer, request.META.pop("HTTP_X_FORWARDED_FOR", ""))
        return self.get_response(request)


def client_address(peer: str, forwarded_for: str) -> str:
    """The client behind `peer`: of what proxies wrote down, the entry that the outermost of ours added.

    `forwarded_for` is X-Forwarded-For, the newest entry last. Whatever is not a trusted proxy's word, too short or no
    address leaves the peer.
    """
    address = _address(peer)
    if address is None or not any(address in network for network in settings.TRUSTED_PROXIES):
        return peer
    entries = forwarded_for.split(",")
    if len(entries) < settings.TRUSTED_PROXY_HOPS:
        return peer
    client = _address(entries[-settings.TRUSTED_PROXY_HOPS])
    return str(client) if client else peer


def _address(text: str) -> IPv4Address | IPv6Address | None:
    """An address, also with a port behind it; an IPv4 one in IPv6 clothes is taken as what it is."""
    text = text.strip()
    if text.startswith("["):
        text = text[1:].partition("]")[0]
    elif text.count(":") == 1:
        text = text.partition(":")[0]
    try:
        address = ip_address(text)
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


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
