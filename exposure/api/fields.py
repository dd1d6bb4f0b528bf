"""Fields that several steps share: instants, worker ids, answers, codes of related rows."""

from datetime import UTC, datetime
from typing import Any

from django.utils.translation import gettext_lazy as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from exposure.people.models import Worker
from exposure.report.submission import read_instant, storable

FACTS_SCHEMA = {
    "type": "object",
    "description": "Fact and answer: a code, a number for a measured fact, null for unknown.",
    "additionalProperties": {"type": ["string", "number", "null"]},
}


@extend_schema_field(OpenApiTypes.DATETIME)
class Instant(serializers.Field):
    """An instant with its time zone, RFC 3339, as it comes in."""

    default_error_messages = {
        "invalid": _("Give date and time with the time zone, as in 2026-11-25T07:40:00+01:00.")
    }

    def to_internal_value(self, data: Any) -> datetime:
        moment = read_instant(data)
        if moment is None or moment.tzinfo is None:
            self.fail("invalid")
        return moment.astimezone(UTC)


@extend_schema_field(FACTS_SCHEMA)
class Facts(serializers.Field):
    """Answers by the fact's name; wrong JSON types are refused, fact by fact."""

    default_error_messages = {
        "object": _("Send an object of fact and answer."),
        "answer": _("An answer is a text, a number or null."),
    }

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        if not isinstance(data, dict):
            self.fail("object")
        wrong = {
            name: [self.error_messages["answer"]]
            for name, answer in data.items()
            if isinstance(answer, bool) or not isinstance(answer, str | int | float | None)
        }
        if wrong:
            raise serializers.ValidationError(wrong)
        return storable(data)

    def to_representation(self, value: dict[str, Any]) -> dict[str, Any]:
        return value


@extend_schema_field(OpenApiTypes.STR)
class WorkerId(serializers.Field):
    """A worker by number, else by uid."""

    def to_representation(self, worker: Worker) -> str:
        return worker.number or str(worker.uid)


class CodeOrNull(serializers.CharField):
    """A code that is stored empty where there is none."""

    def __init__(self, **options: Any) -> None:
        super().__init__(allow_null=True, **options)

    def to_representation(self, value: str) -> str | None:
        return value or None


def code(source: str, name: str = "code") -> serializers.CharField:
    """The code of a related row, null where there is none."""
    return serializers.CharField(source=f"{source}.{name}", allow_null=True)


def uid(source: str) -> serializers.UUIDField:
    """The uid of a related row, null where there is none."""
    return serializers.UUIDField(source=f"{source}.uid", allow_null=True)


def own_uid() -> serializers.UUIDField:
    """A row's own id."""
    return serializers.UUIDField(source="uid")
