"""Which language a page is in, and the switch.

Workers, observers and whoever stands at the door read a page in the language that a worker has set for themself, else
in the one chosen with the switch in this browser, else in what the browser asks for. Pages of clinicians, auditors and
administrators, and what programs are answered, are English as a whole, whoever reads them: half a page in another
language is read wrongly.
"""

from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import translation
from django.utils.cache import patch_vary_headers
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import get_language_info
from django.views.decorators.http import require_POST

from exposure.people.models import Worker
from exposure.pipeline import remind
from exposure.wording import KEPT_IN

ENGLISH_MODULES = (
    "django.contrib.admin",
    "drf_spectacular",
    "exposure.admin",
    "exposure.api",
    "exposure.web.account.devices",
    "exposure.web.account.roles",
    "exposure.web.auditor",
    "exposure.web.home",
    "exposure.web.lead",
    "exposure.web.nurse",
    "exposure.web.physician",
)
ENGLISH_PAGES = frozenset({"how_told", "invite_account", "invite_worker"})
A_YEAR = 365 * 24 * 3600


class ReaderLanguage:
    """Puts each page into its language, and every answer that comes before a page is found into the browser's."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.LANGUAGE_CODE = of_browser(request)
        with translation.override(request.LANGUAGE_CODE):
            response = self.get_response(request)
        patch_vary_headers(response, ("Accept-Language", "Cookie"))
        return response

    def process_view(self, request: HttpRequest, view: Callable, args: Any, kwargs: Any) -> None:
        """Once the page is known, and who reads it."""
        request.has_languages = not is_english(view, request.resolver_match.view_name)
        translation.activate(of_reader(request) if request.has_languages else KEPT_IN)


def is_english(view: Callable, name: str) -> bool:
    """Whether the page is one of those that are English as a whole."""
    module = view.__module__
    return name in ENGLISH_PAGES or any(f"{module}.".startswith(f"{known}.") for known in ENGLISH_MODULES)


def of_browser(request: HttpRequest) -> str:
    """What was chosen in this browser, else what it asks for."""
    return translation.get_language_from_request(request)


def of_reader(request: HttpRequest) -> str:
    """The worker's own setting, else that of the browser. Asks the database, once a request."""
    if not hasattr(request, "own_language"):
        user = getattr(request, "user", None)
        worker = getattr(user, "worker", None) if user is not None and user.is_authenticated else None
        own = worker.language if worker is not None else ""
        request.own_language = own if own in dict(settings.LANGUAGES) else ""
    return request.own_language or of_browser(request)


def known_of_reader(request: HttpRequest) -> str:
    """The same without asking the database, for pages that say that it does not answer."""
    return getattr(request, "own_language", "") or of_browser(request)


def others(request: HttpRequest) -> list[tuple[str, str]]:
    """(code, its own name) of the languages that this page could be in too. None while a page shows what was sent and
    not taken: what was typed would be lost on the way."""
    if request.method not in ("GET", "HEAD") or not getattr(request, "has_languages", True):
        return []
    codes = [code for code, _name in settings.LANGUAGES if code != translation.get_language()]
    return [(code, get_language_info(code)["name_local"].capitalize()) for code in codes]


@require_POST
def choose_language(request: HttpRequest) -> HttpResponse:
    """Kept in the browser, and for a worker in their own settings, and back to the page."""
    back = request.POST.get("next", "")
    if not url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure()):
        back = "/"
    response = redirect(back)
    code = request.POST.get("language", "")
    if code not in dict(settings.LANGUAGES):
        return response
    worker = Worker.objects.filter(user=request.user).first() if request.user.is_authenticated else None
    if worker is not None and worker.language != code:
        remind.change_settings(worker=worker, by=request.user, at=request.at, language=code)
    response.set_cookie(
        settings.LANGUAGE_COOKIE_NAME,
        code,
        max_age=A_YEAR,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
    return response
