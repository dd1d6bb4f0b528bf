"""The station's tablet without a network: one page, the same for everybody, that a browser keeps; what is in it comes
by the device's key.

It has a scope and a service worker of its own, `station/`, beside the one of a worker's phone: neither page ever shows
the other, a tablet keeps nothing of the phone's page, and each is brought up to date by itself.
"""

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.auth.models import AnonymousUser
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.urls import reverse
from django.utils import translation
from django.utils.cache import get_conditional_response
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people import tokens
from exposure.people.models import User
from exposure.record import acting
from exposure.web.language import of_reader
from exposure.web.tablet.pack import pack_of

FILES = Path(__file__).parents[1] / "static"
FIRST = "tablet/tablet.js"
SCRIPTS = (
    *sorted(f"tablet/{path.name}" for path in (FILES / "tablet").glob("*.js") if path.name != "worker.js"),
    "js/countdown.js",
    "js/criteria.js",
)
STYLES = (
    *(f"css/{name}.css" for name in ("palette", "page", "forms", "parts", "station", "print")),
    "tablet/tablet.css",
)
WORKER = (FILES / "tablet" / "worker.js").read_text()
LANGUAGES = tuple(code for code, _name in settings.LANGUAGES)


@require_safe
def tablet_home(request: HttpRequest) -> HttpResponse:
    """To the page in the language that this browser has chosen or asks for."""
    return redirect("tablet", language=of_reader(request))


@require_safe
def tablet(request: HttpRequest, language: str) -> HttpResponse:
    """The page that the browser keeps. The language stands in its address: it is changed by a link, also without a
    network."""
    if language not in LANGUAGES:
        raise Http404
    request.user = AnonymousUser()
    request.has_languages = False
    with translation.override(language):
        return render(request, "tablet/page.html", _context(language))


def _context(language: str) -> dict[str, Any]:
    others = [(code, name) for code, name in settings.LANGUAGES if code != language]
    imported = [f"{settings.STATIC_URL}{name}" for name in SCRIPTS if name != FIRST]
    return {"language": language, "others": others, "styles": STYLES, "first": FIRST, "imported": imported}


@require_safe
def manifest(request: HttpRequest, language: str) -> HttpResponse:
    """What lets a tablet keep the page as an application (W3C, Web Application Manifest)."""
    if language not in LANGUAGES:
        raise Http404
    with translation.override(language):
        return JsonResponse(
            {
                "id": reverse("tablet_home"),
                "name": _("Station"),
                "lang": language,
                "start_url": reverse("tablet", args=[language]),
                "scope": reverse("tablet_home"),
                "display": "standalone",
                "background_color": "#FAF8F3",
                "theme_color": "#FAF8F3",
                "icons": [{"src": static("img/favicon.svg"), "sizes": "any", "type": "image/svg+xml"}],
            },
            content_type="application/manifest+json",
        )


@require_safe
def service_worker(request: HttpRequest) -> HttpResponse:
    """The script that answers for the page without a network. Asked for anew each time, so that an upgrade arrives."""
    script = f"const SHELL = {json.dumps(_shell())};\n{WORKER}"
    return HttpResponse(script, content_type="text/javascript", headers={"Cache-Control": "no-cache"})


@cache
def _shell() -> dict[str, Any]:
    """What the script keeps, under a name that changes with any of it. Scripts import each other by their plain names;
    the page names its styles and its first script as they are served."""
    pages = {language: reverse("tablet", args=[language]) for language in LANGUAGES}
    made = []
    for language in LANGUAGES:
        with translation.override(language):
            made.append(render_to_string("tablet/page.html", _context(language)).encode())
    served = [*STYLES, FIRST, "img/favicon.svg"]
    files = [*map(static, served), *(f"{settings.STATIC_URL}{name}" for name in SCRIPTS)]
    content = b"".join([*((FILES / name).read_bytes() for name in [*STYLES, *SCRIPTS]), *made])
    return {
        "name": f"station-{hashlib.sha256(content).hexdigest()[:12]}",
        "home": reverse("tablet_home"),
        "pages": pages,
        "files": list(
            dict.fromkeys([*files, *(reverse("tablet_manifest", args=[one]) for one in LANGUAGES)])
        ),
    }


@require_safe
def pack(request: HttpRequest) -> HttpResponse:
    """What the tablet keeps, by the key of a station's device alone, of the station that it belongs to. `X-Now` is the
    service's clock in milliseconds, also where nothing has changed. Whoever gets names has looked."""
    device = _device(request)
    if device is None:
        challenge = {"WWW-Authenticate": 'Bearer realm="station"'}
        return JsonResponse({"detail": _("This key works no longer.")}, status=401, headers=challenge)
    body = json.dumps(pack_of(device.device_of, at=request.at), ensure_ascii=False, sort_keys=True)
    etag = f'"{hashlib.sha256(body.encode()).hexdigest()}"'
    answer = HttpResponse(body, content_type="application/json")
    answer["ETag"] = etag
    answer = get_conditional_response(request, etag=etag, response=answer)
    answer["X-Now"] = str(int(request.at.timestamp() * 1000))
    if answer.status_code == 200:
        with acting(device.actor, "station pack", at=request.at):
            subject = f"pack of station {device.device_of.code}"
            note_look(device, AccessEntry.Kind.LIST, subject, at=request.at)
    return answer


def _device(request: HttpRequest) -> User | None:
    """The device whose key the request carries. A session counts for nothing here."""
    scheme, _space, key = request.headers.get("Authorization", "").partition(" ")
    token = tokens.holder(key.strip().encode(), at=request.at) if scheme.lower() == "bearer" else None
    return token.user if token is not None and token.user.device_of_id else None
