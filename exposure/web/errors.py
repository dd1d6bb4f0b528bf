"""Pages for what went wrong. What is not yours looks exactly like what is not there.

Programs, which call the API or tell us something, get the same as RFC 9457 problem details: an error that arises
outside their views ends here.
"""

import logging
import sys
from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from django.contrib.sessions.exceptions import SessionInterrupted
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import translation
from django.utils.translation import gettext as _

from exposure.outage import RETRY_AFTER_SECONDS, is_outage
from exposure.web import language

FOR_PROGRAMS = ("/api/", "/hooks/")
log = logging.getLogger(__name__)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    if isinstance(
        exception, SessionInterrupted
    ):  # the session could not be written, or has just ended elsewhere
        return unavailable(request)
    if for_program(request):
        return _problem(HTTPStatus.BAD_REQUEST, _("The request cannot be read."))
    return _page(request, "400.html", 400)


def unreadable(request: HttpRequest, wrong: Sequence[str]) -> HttpResponse:
    """Characters that no database can hold; `wrong` names the parameters or fields that hold them."""
    if for_program(request):
        detail = _("It holds characters that cannot be stored. Leave them out.")
        errors = [{"parameter": name, "detail": detail} for name in wrong]
        return _problem(HTTPStatus.BAD_REQUEST, _("Some parameters cannot be read."), errors=errors)
    return _page(request, "400.html", 400, wrong=wrong)


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Who asked for what is not theirs to do stands in the process log; what they sent does not."""
    who = getattr(getattr(request, "user", None), "actor", "nobody")
    log.warning("Refused: %s, at %s", who, request.resolver_match and request.resolver_match.route)
    return _page(request, "403.html", 403)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, "404.html", 404)


def broken(request: HttpRequest) -> HttpResponse:
    """Whatever nobody caught: Django calls this while it handles the exception."""
    error = sys.exc_info()[1]
    if error is not None and is_outage(error):
        return unavailable(request)
    if for_program(request):
        return _problem(HTTPStatus.INTERNAL_SERVER_ERROR, _("Something broke on our side."))
    return _plain_page(request, "500.html", 500)


def unavailable(request: HttpRequest) -> HttpResponse:
    """The database is locked, full or away. Nothing is asked of it here."""
    if for_program(request):
        answer = _problem(HTTPStatus.SERVICE_UNAVAILABLE, _("The database does not answer. Send it again."))
    else:
        answer = _plain_page(request, "503.html", 503)
    answer["Retry-After"] = str(RETRY_AFTER_SECONDS)
    return answer


def not_allowed(request: HttpRequest, methods: Sequence[str]) -> HttpResponse:
    """A method that means nothing here."""
    if for_program(request):
        answer = _problem(HTTPStatus.METHOD_NOT_ALLOWED, _("This is not done with an address here."))
    else:
        answer = _plain_page(request, "400.html", 405)
    answer["Allow"] = ", ".join(methods)
    return answer


def in_the_clear(request: HttpRequest) -> HttpResponse:
    detail = _("Call this by https only. What was sent could be read on the way: replace the key.")
    return _problem(HTTPStatus.FORBIDDEN, detail)


def not_before(words: str) -> HttpResponse:
    """403 for a program whose caller has something to do at the door first."""
    return _problem(HTTPStatus.FORBIDDEN, words)


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    return _page(request, "403_csrf.html", 403)


def for_program(request: HttpRequest) -> bool:
    return request.path_info.startswith(FOR_PROGRAMS)


def _page(request: HttpRequest, template: str, status: int, **context: Any) -> HttpResponse:
    """In the reader's language, whatever page it stands in for."""
    request.has_languages = True
    with translation.override(language.of_reader(request)):
        return render(request, template, context, status=status)


def _plain_page(request: HttpRequest, template: str, status: int) -> HttpResponse:
    """The same without context processors: they ask the database."""
    with translation.override(language.known_of_reader(request)):
        return render(None, template, status=status)


def _problem(status: HTTPStatus, detail: str, **members: Any) -> HttpResponse:
    body = {"type": "about:blank", "title": status.phrase, "status": int(status), "detail": detail, **members}
    return JsonResponse(body, status=int(status), content_type="application/problem+json")
