"""How one is told: a clinician's number and first channel, and everybody's devices."""

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.templatetags.static import static
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from exposure.people.access import holds
from exposure.people.models import PushSubscription
from exposure.people.policy import PAGED
from exposure.pipeline import reach
from exposure.refusal import BadSubmission
from exposure.remind.channels import push
from exposure.remind.channels.registry import available
from exposure.web.account.mobiles import put_off, waits
from exposure.web.reach_forms import ReachForm
from exposure.web.signed_in import kept_form, signed_in

FILES = Path(__file__).parent / "static"
SERVICE_WORKER = (FILES / "js" / "reminders.js").read_text()
# What the page without a connection is made of: it holds no name, and nothing of anybody's record.
STYLES = sorted(path.name for path in (FILES / "css").iterdir())
SCRIPTS = sorted({path.name for path in (FILES / "js").iterdir()} - {"reminders.js", "criteria.js"})
# Where a worker is led to it.
WITHOUT_CONNECTION = ("home", "today", "my_days", "what_this_means", "my_settings")
BACK = ("my_settings", "how_told")


@require_http_methods(["GET", "HEAD", "POST"])
@signed_in
def how_told(request: HttpRequest) -> HttpResponse:
    """By which roads a clinician is told of what waits."""
    if not holds(request.user, PAGED, at=request.at):
        raise PermissionDenied
    posted = request.method == "POST"
    kept = None if posted else kept_form(request)
    form = ReachForm(request.POST if posted else kept, instance=request.user)
    if posted and form.is_valid():
        own = {name: getattr(request.user, name) for name in ("mobile", "reach_by")}
        now = put_off(request, request.user, {**own, **form.cleaned_data})
        reach.change_reach(user=request.user, by=request.user, at=request.at, **now)
        messages.success(request, _("Saved."))
        return redirect("confirm_mobile" if waits(request) else "how_told")
    context = {"form": form, "kept": kept, **devices(request, back="how_told")}
    return render(request, "how_told.html", context, status=422 if posted else 200)


def devices(request: HttpRequest, *, back: str) -> dict[str, Any]:
    """What `components/devices.html` shows; nothing where notifications are not set up."""
    if "push" not in available():
        return {}
    own = [(device, _digest(device.endpoint)) for device in reach.devices_of(request.user)]
    return {"push_key": push.public_key(), "devices": own, "back": back, "at": request.at}


def _digest(endpoint: str) -> str:
    """By which a browser knows its own line: the address itself is not shown again."""
    return hashlib.sha256(endpoint.encode()).hexdigest()


@require_http_methods(["GET", "HEAD", "POST"])
@signed_in
def add_device(request: HttpRequest) -> HttpResponse:
    """This browser is to show messages, as it describes itself."""
    if "push" not in available():
        raise Http404
    if request.method == "POST":
        described = {name: request.POST.get(name, "") for name in ("endpoint", "p256dh", "auth")}
        try:
            reach.add_device(by=request.user, at=request.at, **described)
            messages.success(request, _("This device shows your reminders from now on."))
        except BadSubmission as refused:
            messages.error(request, refused.problems[0].message)
    return redirect(_back(request))


@require_http_methods(["GET", "HEAD", "POST"])
@signed_in
def end_device(request: HttpRequest, uid: Any) -> HttpResponse:
    """A device of one's own shows none any more."""
    device = PushSubscription.objects.filter(user=request.user, uid=uid).first()
    if device is None:
        raise Http404
    if request.method == "POST":
        reach.end_device(device=device, by=request.user, at=request.at)
        messages.success(request, _("That device shows no reminders any more."))
    return redirect(_back(request))


def _back(request: HttpRequest) -> str:
    named = request.POST.get("back")
    if named in BACK:
        return reverse(named)
    return reverse("my_settings" if hasattr(request.user, "worker") else "home")


@require_safe
def service_worker(request: HttpRequest) -> HttpResponse:
    """The script that shows a notification, and the page without a connection where there is none. At the root, because
    it may act for addresses below its own only; asked for anew each time, so that an upgrade arrives."""
    script = f"const SHELL = {json.dumps(_shell())};\n{SERVICE_WORKER}"
    return HttpResponse(script, content_type="text/javascript", headers={"Cache-Control": "no-cache"})


@cache
def _shell() -> dict[str, Any]:
    """What the script keeps, under a name that changes with any of it. Scripts import each other by their plain
    names."""
    styles = [f"css/{name}" for name in STYLES]
    scripts = [f"js/{name}" for name in SCRIPTS]
    files = [*map(static, [*styles, "js/page.js", "img/favicon.svg"])]
    files += [f"{settings.STATIC_URL}{name}" for name in scripts]
    content = b"".join((FILES / name).read_bytes() for name in [*styles, *scripts])
    return {
        "name": f"shell-{hashlib.sha256(content).hexdigest()[:12]}",
        "page": reverse("offline"),
        "files": list(dict.fromkeys(files)),
        "pages": [reverse(name) for name in WITHOUT_CONNECTION],
    }


@require_safe
def offline(request: HttpRequest) -> HttpResponse:
    """The page that a browser keeps for when it has no connection: the same for everybody, whoever asks for it."""
    request.user = AnonymousUser()
    request.has_languages = False  # the switch needs a connection, and a token of somebody's
    return render(request, "worker/offline.html")


@require_safe
def manifest(request: HttpRequest) -> HttpResponse:
    """What lets a phone keep the page on its home screen, where some show notifications only then (W3C, Web Application
    Manifest)."""
    return JsonResponse(
        {
            "id": "/",
            "name": _("Follow-up"),  # anybody may see the home screen of a phone
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": "#FAF8F3",
            "theme_color": "#FAF8F3",
            "icons": [{"src": static("img/favicon.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        content_type="application/manifest+json",
    )
