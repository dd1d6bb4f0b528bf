"""Without a connection: what a phone of one's own keeps of Today, and the readings that it kept and sends later.

The phone keeps all of it encrypted. The key comes from here, to whoever is signed in, and leaves the phone with the
sign-out; whoever signs in again gets the same one, so that a reading which was not sent by then is not lost.
"""

import base64
from typing import Any

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.views.decorators.http import require_http_methods

from exposure.followup.models import Check, Reading
from exposure.followup.store_reading import Logged
from exposure.people.models import User, Worker
from exposure.refusal import BadSubmission
from exposure.web.account.sessions import OWN_DEVICE
from exposure.web.worker.entering import take_kept
from exposure.web.worker.forms import ReadingForm
from exposure.web.worker.own import common, own_page
from exposure.web.worker.situation import Situation, situation_of
from exposure.web.worker.today import fresh_form, parts_of_form

WINDOWS = 6  # three days of two: so far ahead the phone says by itself when a reading is due


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def kept_reading(request: HttpRequest, worker: Worker) -> HttpResponse:
    """What the phone is to keep; by POST a reading that it kept. The answer to a reading carries its id: what carries
    none, a portal's page for one, says nothing about it, and the phone keeps it."""
    if request.method == "POST":
        return _receipt(request, worker)
    if not request.session.get(OWN_DEVICE):
        return JsonResponse({"keys": []})
    situation = situation_of(worker, at=request.at)
    return JsonResponse(
        {
            "keys": keys_of(request.user),
            "now": int(request.at.timestamp() * 1000),
            "zone": str(worker.zone),
            "csrf": get_token(request),
            "windows": [[check.opens_at, check.closes_at] for check in _windows(situation)],
            "html": _page(request, situation),
        }
    )


def keys_of(user: User) -> list[str]:
    """The account's key for what its phones keep, 32 bytes in base64, and those of earlier secrets (RFC 5869)."""
    info = f"kept readings of {user.pk}".encode()
    secrets = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    keys = (HKDF(SHA256(), 32, salt=None, info=info).derive(force_bytes(secret)) for secret in secrets)
    return [base64.b64encode(key).decode() for key in keys]


def _windows(situation: Situation) -> list[Check]:
    checks = {
        line.check.opens_at: line.check
        for one in situation.overviews
        for line in one.lines
        if line.state in ("open", "upcoming", "repeat_due")
    }
    return [checks[opens_at] for opens_at in sorted(checks)][:WINDOWS]


def _page(request: HttpRequest, situation: Situation) -> str:
    """Today as the phone shows it without a connection. Rendered without the request: it holds no token."""
    context: dict[str, Any] = {
        **common(request, situation),
        **parts_of_form(situation),
        "form": fresh_form(situation, None),
        "takes_readings": bool(situation.overviews) and situation.kind != "untold",
        "offline": True,
    }
    return render_to_string("worker/offline_today.html", context)


def _receipt(request: HttpRequest, worker: Worker) -> JsonResponse:
    situation = situation_of(worker, at=request.at)
    form = ReadingForm(request.POST, symptoms=situation.symptoms)
    said: dict[str, Any] = {"id": request.POST.get("submission_id", "")}
    try:
        logged = take_kept(form, request, worker)
    except BadSubmission as refused:
        because = [problem.message for problem in refused.problems]
        return JsonResponse({**said, "taken": False, "stop": False, "because": because}, status=422)
    return JsonResponse({**said, **_outcome(logged)}, status=200 if not logged.problems else 422)


def _outcome(logged: Logged) -> dict[str, Any]:
    if logged.problems:
        because = [problem.message for problem in logged.problems]
        return {"taken": False, "stop": logged.stop, "because": because}
    assert isinstance(logged.row, Reading)
    return {"taken": True, "stop": logged.stop, "page": reverse("reading_taken", args=[logged.row.uid])}
