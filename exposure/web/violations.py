"""Browsers tell here what a page was not allowed to load or do (Content Security Policy Level 3, `report-uri`)."""

import json
import logging
from typing import Any
from urllib.parse import urlsplit

from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.utils.encoding import force_str
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

MOST_BYTES = 10_000
MOST_A_MINUTE = 10  # of one client: nobody fills the log from outside
log = logging.getLogger(__name__)


@csrf_exempt
@require_POST
def violations(request: HttpRequest) -> HttpResponse:
    """Logged by directive, page and what was blocked; of addresses no query, which might name somebody. Whatever is
    sent is answered 204: a browser learns nothing here."""
    told = _told(request.body[: MOST_BYTES + 1]) if _may_tell(request) else None
    if told is not None:
        log.warning("CSP violation: %s", told)
    return HttpResponse(status=204)


def _may_tell(request: HttpRequest) -> bool:
    key = f"csp {request.META.get('REMOTE_ADDR', '')}"
    cache.add(key, 0, 60)
    try:
        return cache.incr(key) <= MOST_A_MINUTE
    except ValueError:  # without a cache nothing is counted
        return True


def _told(body: bytes) -> dict[str, str] | None:
    """What the report says, shortened; None for what is no report."""
    if len(body) > MOST_BYTES:
        return None
    try:
        sent: Any = json.loads(body)
    except ValueError:
        return None
    report = sent.get("csp-report") if isinstance(sent, dict) else None
    if not isinstance(report, dict):
        return None
    return {
        "directive": _word(report.get("effective-directive") or report.get("violated-directive")),
        "page": _address(report.get("document-uri")),
        "blocked": _address(report.get("blocked-uri")),
    }


def _word(value: Any) -> str:
    return "".join(letter for letter in force_str(value or "")[:60] if letter.isalnum() or letter == "-")


def _address(value: Any) -> str:
    """Scheme, host and path, with every name in the path that could be somebody's left as its first letters."""
    try:
        parts = urlsplit(force_str(value or "")[:500])
    except ValueError:
        return ""
    path = "/".join(piece[:8] for piece in parts.path.split("/"))
    kept = f"{parts.scheme}:{parts.netloc}{path}"
    return "".join(letter for letter in kept if letter.isprintable())[:120]
