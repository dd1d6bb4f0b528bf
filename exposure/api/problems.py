"""What went wrong, as RFC 9457 `application/problem+json`: every bad field named by a pointer.

`errors` holds an entry per field: `pointer` as in the RFC's own example, a JSON pointer in its fragment form
(#/facts/skin), for a field of the body, `parameter` for one of the address; `detail` says what to do about it.
"""

from collections.abc import Iterable, Iterator
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.db import DatabaseError, InterfaceError
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.exceptions import APIException, ValidationError
from rest_framework.response import Response
from rest_framework.views import exception_handler

from exposure.attend.standing import describe
from exposure.classify.criteria import CriteriaError
from exposure.outage import RETRY_AFTER_SECONDS, is_outage
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem
from exposure.report.submission import storable

MEDIA_TYPE = "application/problem+json"
MOST_ERRORS = 200  # named one by one; the rest are counted


class BadParameters(APIException):
    """Query parameters that cannot be read: parameter -> what is wrong with it."""

    status_code = HTTPStatus.BAD_REQUEST

    def __init__(self, wrong: dict[str, str]) -> None:
        super().__init__(_("Some parameters cannot be read."))
        self.errors = [{"parameter": name, "detail": message} for name, message in wrong.items()]


class FieldErrorSerializer(serializers.Serializer):
    detail = serializers.CharField()
    pointer = serializers.CharField(required=False)
    parameter = serializers.CharField(required=False)


class StandingSerializer(serializers.Serializer):
    """The decision that stands, in a 409; of the type alertentry, what has happened since."""

    type = serializers.CharField()
    id = serializers.CharField()
    by = serializers.CharField()
    at = serializers.DateTimeField(allow_null=True)
    decision = serializers.CharField()


class ProblemSerializer(serializers.Serializer):
    """The members that any problem may have."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    errors = FieldErrorSerializer(many=True, required=False)
    reasons = serializers.ListField(child=serializers.CharField(), required=False)
    standing = StandingSerializer(required=False)


def problem(status: int, detail: str, headers: dict[str, str] | None = None, **members: Any) -> Response:
    """The answer. What callers typed may be quoted in it, so it is made fit to be sent."""
    body = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": int(status),
        "detail": str(detail),
        **members,
    }
    return Response(storable(body), status=int(status), headers=headers, content_type=MEDIA_TYPE)


def field_errors(problems: Iterable[Problem]) -> list[dict[str, str]]:
    """One entry per field, as `errors` holds them; beyond MOST_ERRORS a last one that counts the rest."""
    problems = list(problems)
    errors = [
        {"detail": str(problem.message), "pointer": "#" + quote(storable(problem.pointer), safe="/~")}
        for problem in problems[:MOST_ERRORS]
    ]
    if len(problems) > MOST_ERRORS:
        errors.append({"detail": _("And %(count)s more.") % {"count": len(problems) - MOST_ERRORS}})
    return errors


def refused(problems: Iterable[Problem], **members: Any) -> Response:
    """400 with a pointer per bad field."""
    return problem(
        HTTPStatus.BAD_REQUEST, _("Some fields cannot be taken."), errors=field_errors(problems), **members
    )


def handle(exception: Exception, context: dict[str, Any]) -> Response | None:
    """DRF's exception handler. None, for what is our own fault, ends as a 500."""
    match exception:
        case BadSubmission():
            return refused(exception.problems)
        case Conflict(standing=None):
            return problem(HTTPStatus.CONFLICT, _("This submission_id is taken. Send a new one."))
        case Conflict():
            return _another_stands(exception)
        case NotYet():
            detail = _("This cannot be done yet.")
            return problem(HTTPStatus.CONFLICT, detail, reasons=list(exception.reasons))
        case CriteriaError():
            return problem(
                HTTPStatus.CONFLICT, _("These criteria cannot be used: %(why)s") % {"why": exception}
            )
        case RequestDataTooBig():
            detail = _("The body is too large; at most %(most)s bytes are read.")
            most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
            return problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, detail % {"most": most})
        case ValidationError():
            return refused(_flat(exception.detail))
        case DatabaseError() | InterfaceError() if is_outage(exception):
            detail = _("The database does not answer. Send it again.")
            headers = {"Retry-After": str(RETRY_AFTER_SECONDS)}
            return problem(HTTPStatus.SERVICE_UNAVAILABLE, detail, headers)
    answer = exception_handler(exception, context)
    if answer is None:
        return None
    members = {"errors": exception.errors} if isinstance(exception, BadParameters) else {}
    headers = {name: answer[name] for name in ("WWW-Authenticate", "Retry-After", "Allow") if name in answer}
    return problem(answer.status_code, answer.data["detail"], headers, **members)


def _another_stands(conflict: Conflict) -> Response:
    """409 with the decision that stands, or what has happened since."""
    stands = describe(conflict.standing)
    detail = (
        _("Another decision stands already. What you sent is kept beside it.")
        if stands.is_decision
        else _("It has happened again since you read it. Nothing was decided; what you sent is kept.")
    )
    standing = {
        "type": stands.kind,
        "id": stands.uid,
        "by": stands.by,
        "at": stands.at.isoformat() if stands.at else None,
        "decision": stands.what,
    }
    return problem(HTTPStatus.CONFLICT, detail, standing=standing)


def _flat(detail: Any, pointer: str = "") -> Iterator[Problem]:
    """A serializer's errors, nested as its fields are, each with its pointer."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            own = name == "non_field_errors"
            escaped = str(name).replace("~", "~0").replace("/", "~1")
            yield from _flat(inner, pointer if own else f"{pointer}/{escaped}")
    elif isinstance(detail, list):
        for inner in detail:
            yield from _flat(inner, pointer)
    else:
        yield Problem(pointer, str(detail))
