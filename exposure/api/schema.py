"""How an operation is described in the OpenAPI document: its answers, and every problem that it may give."""

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from drf_spectacular.renderers import OpenApiJsonRenderer, OpenApiJsonRenderer2
from drf_spectacular.utils import OpenApiResponse, extend_schema, inline_serializer
from drf_spectacular.views import SpectacularAPIView
from rest_framework import serializers

from exposure.api.problems import MEDIA_TYPE, ProblemSerializer

Shape = type[serializers.Serializer]

EVERYWHERE = {
    401: "No token or session, or one that does not work.",
    403: "Seen, but not to be done by this account; or a session without its CSRF token.",
    406: "Only JSON is sent.",
    503: "The database is locked, full or away; `Retry-After` says when to send it again. Nothing was stored.",
}
WITH_BODY = {
    400: "Not JSON, or fields that cannot be taken.",
    413: "The body is too large.",
    415: "Only JSON is read.",
}
TEXTS = {
    400: "Parameters that cannot be read.",
    404: "Not there, or not to be seen by this account.",
    409: "It stands otherwise; see `detail` and `reasons`.",
    429: "Too many calls; `Retry-After` says when to go on.",
}


class SchemaView(SpectacularAPIView):
    """The OpenAPI 3.1 document."""

    renderer_classes = [OpenApiJsonRenderer2, OpenApiJsonRenderer]


@lru_cache
def page_of(shape: Shape) -> serializers.Serializer:
    """A page of that shape."""
    return inline_serializer(
        name=shape.__name__.removesuffix("Serializer") + "Page",
        fields={
            "results": shape(many=True),
            "next": serializers.URLField(allow_null=True),
            "previous": serializers.URLField(allow_null=True),
        },
    )


def described(
    operation: str,
    summary: str,
    answers: dict[int, Any],
    *problems: int,
    body: Shape | None = None,
    filters: Shape | None = None,
    throttled: bool = True,
    problem: Shape = ProblemSerializer,
) -> Callable[..., Any]:
    """Describe one method of a view. `problems` are those beyond what every call may meet."""
    texts = EVERYWHERE | (WITH_BODY if body else {})
    texts |= {status: TEXTS[status] for status in problems if status not in texts}
    if filters:
        texts |= {400: TEXTS[400]}
    if throttled:
        texts |= {429: TEXTS[429]}
    return extend_schema(
        operation_id=operation,
        summary=summary,
        request=body,
        parameters=[filters] if filters else None,
        responses={
            **answers,
            **{
                (status, MEDIA_TYPE): OpenApiResponse(problem, description=text)
                for status, text in sorted(texts.items())
            },
        },
    )
