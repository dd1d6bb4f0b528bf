"""What the link of a reminder opens: the number to ring, "I feel ill", and the short answers. Nobody is signed in, so
it says nothing about anybody, and gives nothing but these."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import translation
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from exposure.pipeline.reply import is_followed
from exposure.pipeline.reply import reply as take_reply
from exposure.remind.links import message_of
from exposure.remind.models import Message, Reply
from exposure.web.language import of_browser

Kind = Reply.Kind
# "I feel ill" and "Call me" are heard as often as they are said, and when the link has run out too.
ALWAYS_HEARD = (Kind.ILL, Kind.CALL_ME)
ANSWERS = (*ALWAYS_HEARD, Kind.DONE, Kind.CANNOT, Kind.STOP)


@csrf_exempt  # the secret in the address is all that counts: no cookie gives this page any power
@require_http_methods(["GET", "HEAD", "POST"])
def reply(request: HttpRequest, secret: str) -> HttpResponse:
    """Looking changes nothing: mail programs open links before people do."""
    message = message_of(secret)
    if message is None or message.worker is None:
        return render(request, "reply/unknown.html", status=404)
    translation.activate(_language(request, message))
    return _answer(request, message, secret)


def _answer(request: HttpRequest, message: Message, secret: str) -> HttpResponse:
    over = request.at >= message.pointless_at or not is_followed(message, at=request.at)
    kind = request.POST.get("answer", "")
    if request.method == "POST" and kind in ANSWERS and (not over or kind in ALWAYS_HEARD):
        take_reply(
            worker=message.worker,
            kind=kind,
            road=Reply.Road.LINK,
            message=message,
            reference=None if kind in ALWAYS_HEARD else f"{message.uid}:{kind}",
            at=request.at,
        )
        return redirect("replied", secret=secret, answer=kind)
    if request.method == "POST" and kind not in ANSWERS:
        return render(request, "reply/link.html", _context(message, over=over, wrong=True), status=400)
    return render(request, "reply/link.html", _context(message, over=over), status=410 if over else 200)


@require_http_methods(["GET", "HEAD"])
def replied(request: HttpRequest, secret: str, answer: str) -> HttpResponse:
    """What was understood, and what happens next. Only what has been said is shown."""
    message = message_of(secret)
    said = message and message.replies.filter(kind=answer, road=Reply.Road.LINK).last()
    if message is None or message.worker is None or not said:
        return render(request, "reply/unknown.html", status=404)
    translation.activate(_language(request, message))
    return render(request, "reply/said.html", {**_context(message), "answer": answer, "said_at": said.at})


def _language(request: HttpRequest, message: Message) -> str:
    """What was chosen in this browser, else the worker's own: nobody is signed in here."""
    own = message.worker.language if message.worker else ""
    if settings.LANGUAGE_COOKIE_NAME in request.COOKIES or own not in dict(settings.LANGUAGES):
        return of_browser(request)
    return own


def _context(message: Message, **more: Any) -> dict[str, Any]:
    """`live_sites`, `nav` and `site_number` of the page's frame: the number of this worker's site and no other."""
    assert message.worker is not None
    site = message.worker.site
    return {"site": site, "live_sites": None, "nav": [], "site_number": "", **more}
