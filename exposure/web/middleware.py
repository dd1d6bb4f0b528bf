"""What every page gets: readable text, strict headers, the instant of the request and the acting context."""

from collections.abc import Callable
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse, QueryDict, UnreadablePostError

from exposure import clock
from exposure.record import acting
from exposure.report.submission import storable
from exposure.web import errors
from exposure.web.account.factors import asked_first
from exposure.web.account.phone_pins import asked_again
from exposure.web.account.sessions import end_if_over
from exposure.web.secret_links import without_secrets

CONTENT_SECURITY_POLICY = "; ".join(
    [
        "default-src 'self'",
        "object-src 'none'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
        "form-action 'self'",
        "report-uri /violations",
    ]
)

METHODS = ("GET", "HEAD", "POST")
FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")
UTF_8 = ("utf-8", "utf8", "us-ascii", "ascii")
# Reports and readings are never refused for their content: what cannot be stored of it is marked instead.
KEPT_WHATEVER_IT_HOLDS = {
    "report",
    "station",
    "removal",
    "mark",
    "my_report",
    "today",
    "kept_reading",
    "my_days",
    "person_reading",
    "person_card_entry",
    "reading_amend",
}
MOST_NAMED = 20


class OnlyWhatIsMeant:
    """Reads and forms only: no other method reaches a view. And where the service is reached by https, no call is
    answered over plain http, nor led on: a program must learn that it has sent its key in the clear (OWASP ASVS 5.0,
    4.1.2)."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if request.method not in METHODS:
            return errors.not_allowed(request, METHODS)
        if settings.SECURE_SSL_REDIRECT and errors.for_program(request) and not request.is_secure():
            return errors.in_the_clear(request)
        return self.get_response(request)


class ReadableText:
    """Text that every database can hold: NUL and half characters in address, query and forms are answered 400 with
    the name of what holds them. The bodies of the API's calls are read by exposure.api."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        charset = request.content_params.get("charset", UTF_8[0]).lower()
        if request.content_type in FORMS and charset not in UTF_8:
            return errors.unreadable(request, ["charset"])
        request.encoding = UTF_8[
            0
        ]  # addresses are UTF-8 (RFC 3986, section 2.5), whatever the body says of itself
        if not _is_storable(request.path_info):
            return errors.unreadable(request, ["path"])
        wrong = _not_storable(request.GET)
        if wrong:
            return errors.unreadable(request, wrong)
        # An unreadable cookie names no session; refused, it would shut the browser out for good.
        request.COOKIES = {name: value for name, value in request.COOKIES.items() if _is_storable(value)}
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> HttpResponse | None:
        """Forms, once the address is known."""
        if request.content_type not in FORMS or errors.for_program(request):
            return None
        try:
            wrong = _not_storable(request.POST)
        except UnreadablePostError:  # the sender has gone; whoever reads it next says so
            return None
        if not wrong:
            return None
        if request.resolver_match.view_name not in KEPT_WHATEVER_IT_HOLDS:
            return errors.unreadable(request, wrong)
        request.POST = _made_storable(request.POST)
        return None


def _is_storable(text: str) -> bool:
    return storable(text) == text


def _not_storable(fields: QueryDict) -> list[str]:
    """The first names of fields that hold, in name or value, what cannot be stored."""
    wrong = [name for name, values in fields.lists() if not all(map(_is_storable, (name, *values)))]
    return [storable(name) for name in wrong[:MOST_NAMED]]


def _made_storable(fields: QueryDict) -> QueryDict:
    kept = QueryDict(mutable=True)
    for name, values in fields.lists():
        kept.setlist(storable(name), [storable(value) for value in values])
    return kept


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
        found = request.resolver_match
        if request.method == "POST" and found is not None and found.url_name == "account_logout":
            # W3C, Clear Site Data: not "storage", which would take what waits to be sent along.
            response.headers["Clear-Site-Data"] = '"cache"'
        return response


class ActingRequest:
    """Reads the clock once per request (`request.at`), ends a session that has lasted too long, leads whoever has
    something to set up at the door there first, and names who writes."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.at = clock.now()
        end_if_over(request)
        actor = request.user.actor if request.user.is_authenticated else "anonymous"
        # The secret of a link is kept nowhere in the clear: whoever reads the history could use it.
        origin = without_secrets(f"{request.META.get('REMOTE_ADDR', '')} {request.path}")[:200]
        with acting(actor, origin, at=request.at):
            return asked_first(request) or asked_again(request) or self.get_response(request)
