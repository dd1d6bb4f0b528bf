"""Pages by cursor: what is added meanwhile neither repeats nor skips a row."""

from collections.abc import Callable
from typing import Any

from django.db.models import Model, QuerySet
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.pagination import Cursor, CursorPagination
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.problems import BadParameters

MOST_DIGITS = 18  # of a row's number in both databases


class Pages(CursorPagination):
    """Newest first."""

    ordering = "-pk"
    page_size = 50
    max_page_size = 200
    page_size_query_param = "page_size"

    def decode_cursor(self, request: Request) -> Cursor | None:
        try:
            cursor = super().decode_cursor(request)
        except NotFound:
            raise _unreadable() from None
        place = cursor.position if cursor else None
        if place is not None and not (place.isdecimal() and len(place) <= MOST_DIGITS):
            raise _unreadable()
        return cursor

    def get_paginated_response(self, data: Any) -> Response:
        return Response({"results": data, "next": self.get_next_link(), "previous": self.get_previous_link()})


class Sifted:
    """Rows of which `keep` says which are asked for, as a page takes them: read batch by batch until it is full."""

    BATCH = 200

    def __init__(self, rows: QuerySet, keep: Callable[[list[Model]], list[Model]]) -> None:
        self.rows, self.keep = rows, keep

    def order_by(self, *fields: str) -> "Sifted":
        return Sifted(self.rows.order_by(*fields), self.keep)

    def filter(self, **lookup: Any) -> "Sifted":
        return Sifted(self.rows.filter(**lookup), self.keep)

    def __getitem__(self, part: slice) -> list[Model]:
        found: list[Model] = []
        start, batch = 0, list(self.rows[: self.BATCH])
        while batch and len(found) < part.stop:
            found += self.keep(batch)
            start += self.BATCH
            batch = list(self.rows[start : start + self.BATCH]) if len(batch) == self.BATCH else []
        return found[part]


class PageParameters(serializers.Serializer):
    cursor = serializers.CharField(required=False, allow_blank=True, help_text="From another page.")
    page_size = serializers.IntegerField(required=False, min_value=1, max_value=Pages.max_page_size)


def _unreadable() -> BadParameters:
    return BadParameters({"cursor": _("Take the cursor from “next” or “previous” of a page.")})
