"""What the gateway for text messages tells us: whether one arrived, and what somebody answered.

No session and no account: the sender shows that it holds SMS_GATEWAY_SECRET before anything of the body is read as
what it says. X-Signature is the HMAC-SHA256 (RFC 2104), in hexadecimal, of X-Timestamp (seconds since 1970, as
digits), a full stop and the body as sent. The same told again changes nothing.
"""

import hashlib
import hmac
import json
import logging
import re
from collections.abc import Callable
from datetime import datetime
from functools import wraps
from typing import Any
from uuid import UUID

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.utils.translation import gettext as _
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from exposure.pipeline import reply as pipeline
from exposure.record import acting
from exposure.refusal import BadSubmission, Problem
from exposure.remind.models import Message, Reply
from exposure.report.submission import storable

LONGEST_BODY = 64 * 1024
CLOCKS_DIFFER = 300  # seconds
LONGEST_ID = 150
ACTOR = "task:text-gateway"
STATUSES = {"delivered": True, "failed": False}
log = logging.getLogger(__name__)


def from_gateway(view: Callable[[dict[str, Any], datetime], None]) -> Callable[[HttpRequest], HttpResponse]:
    """A view of what the gateway tells, as a JSON object; 404 where none is set up."""

    @csrf_exempt
    @require_POST
    @wraps(view)
    def told(request: HttpRequest) -> HttpResponse:
        gateway = settings.SMS_GATEWAY
        if gateway is None or not gateway.secret:
            raise Http404
        if not _is_fresh(request.headers.get("X-Timestamp", ""), request.at):
            return _refused(403, _("X-Timestamp must be the time now, in seconds since 1970."))
        if _length(request) > LONGEST_BODY:
            return _refused(413, _("At most 65,536 bytes are taken."))
        body = request.read(LONGEST_BODY + 1)
        if len(body) > LONGEST_BODY:
            return _refused(413, _("At most 65,536 bytes are taken."))
        if not _is_signed(request, body, gateway.secret):
            return _refused(403, _("X-Signature does not belong to this body."))
        try:
            with acting(ACTOR, request.path, at=request.at):
                view(_read(body), request.at)
        except BadSubmission as bad:
            errors = [{"pointer": problem.pointer, "detail": problem.message} for problem in bad.problems]
            return _refused(400, _("The body cannot be taken."), errors=errors)
        return JsonResponse({})

    return told


def _is_fresh(stamp: str, at: datetime) -> bool:
    return bool(re.fullmatch(r"[0-9]{1,12}", stamp)) and abs(int(stamp) - at.timestamp()) <= CLOCKS_DIFFER


def _length(request: HttpRequest) -> int:
    stated = request.META.get("CONTENT_LENGTH") or "0"
    return int(stated) if stated.isascii() and stated.isdigit() else 0


def _is_signed(request: HttpRequest, body: bytes, secret: str) -> bool:
    signed = request.headers["X-Timestamp"].encode() + b"." + body
    expected = hmac.new(secret.encode(), signed, hashlib.sha256).hexdigest()
    given = request.headers.get("X-Signature", "").lower()
    return hmac.compare_digest(expected.encode(), given.encode())


def _read(body: bytes) -> dict[str, Any]:
    try:
        read = json.loads(body)
    except (ValueError, RecursionError):
        read = None
    if not isinstance(read, dict):
        raise BadSubmission(Problem("", _("Send a JSON object.")))
    return read


def _refused(status: int, detail: str, **members: Any) -> HttpResponse:
    body = {"type": "about:blank", "status": status, "detail": detail, **members}
    return JsonResponse(body, status=status, content_type="application/problem+json")


@from_gateway
def delivery(told: dict[str, Any], at: datetime) -> None:
    """{reference: ours, status: delivered | failed, detail?}. A reference that is none of ours tells nobody so."""
    reference, status = _text(told, "reference"), _text(told, "status")
    if status not in STATUSES:
        raise BadSubmission(Problem("/status", _("Say “delivered” or “failed”.")))
    message = _message(reference)
    if message is not None:
        detail = _text(told, "detail", needed=False)
        pipeline.report_delivery(message=message, delivered=STATUSES[status], detail=detail, at=at)


@from_gateway
def answer(told: dict[str, Any], at: datetime) -> None:
    """{id: the gateway's own, from: the number, text, reference?: of the message that is answered}. A number that
    nobody has given is kept nowhere."""
    own_id, number, text = _text(told, "id"), _text(told, "from"), _text(told, "text", empty=True)
    if len(own_id) > LONGEST_ID or storable(own_id) != own_id:
        own_id = hashlib.sha256(own_id.encode("utf-8", "surrogatepass")).hexdigest()
    people, message = pipeline.who_answered(number, _message(_text(told, "reference", needed=False)))
    if not people:
        log.warning("A text message came from a number that nobody has given: not kept.")
    for worker in people:
        pipeline.reply(
            worker=worker,
            kind=pipeline.kind_of(text),
            road=Reply.Road.TEXT,
            text=text,
            message=message,
            reference=f"{own_id} {worker.uid}",
            at=at,
        )


def _message(reference: str) -> Message | None:
    try:
        return pipeline.text_message(UUID(reference))
    except ValueError:
        return None


def _text(told: dict[str, Any], name: str, *, needed: bool = True, empty: bool = False) -> str:
    """A text of the body; a whole number passes as its digits."""
    value = told.get(name)
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 10**20:
        value = str(value)
    if value is None and not needed:
        return ""
    if not isinstance(value, str) or (needed and not empty and not value.strip()):
        raise BadSubmission(Problem(f"/{name}", _("Give a text here.")))
    return value
