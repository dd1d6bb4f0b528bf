"""What is sealed, and the exact bytes of each leaf.

Every history table of a recorded model and every table of rows written once is a source, read from the models, so
that a new one is sealed on the day it is added. A row that may be withdrawn later is sealed twice: without its
withdrawal when it is written, and the withdrawal by itself.
"""

import json
import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal
from functools import cache
from typing import Any
from uuid import UUID

import rfc8785
from django.db.models import Exists, JSONField, Model, OuterRef, QuerySet

from exposure.audit.belonging import WITHDRAWN, recorded_models, withdrawable, written_once_models

log = logging.getLogger(__name__)

LARGEST_EXACT = 2**53 - 1  # of an integer in RFC 8785
Fields = dict[str, Any]
AS_IT_IS = frozenset({str, bool, type(None)})  # of most columns, so a million times
# Texts, whole numbers, true, false, null under ASCII keys: here the two agree, and this one is 20 times faster.
_write = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode


@dataclass(frozen=True)
class Source:
    """Rows that are sealed: `name` stands in their entries, `columns` in their bytes; `dated` is their own instant.

    `of` is the model that they are rows or versions of, `model` their table's.
    """

    name: str
    model: type[Model]
    of: type[Model]
    columns: tuple[str, ...]
    dated: str
    has_json: bool
    is_withdrawal: bool = False

    def rows(self) -> QuerySet:
        rows = self.model._base_manager.all()
        return rows.exclude(**{WITHDRAWN: None}) if self.is_withdrawal else rows

    def read(self, keys: Iterable[int]) -> dict[int, Fields]:
        """The rows that are there, as the values of their bytes."""
        return read_rows(self.rows(), "pk", keys, self.columns)


def read_rows(rows: QuerySet, key: str, keys: Iterable[int], columns: Sequence[str]) -> dict[int, Fields]:
    """The rows with those keys as plain values. What cannot be read is told in the log, and left out."""
    keys = sorted(keys)
    whole = (
        len(keys) > 1 and keys[-1] - keys[0] == len(keys) - 1
    )  # one stretch, as most are: two numbers to send
    wanted = {f"{key}__range": (keys[0], keys[-1])} if whole else {f"{key}__in": keys}
    try:
        found = rows.filter(**wanted).order_by().values_list(key, *columns)
        return {
            place: {
                column: value if type(value) in AS_IT_IS else plain(value)
                for column, value in zip(columns, values, strict=True)
            }
            for place, *values in found
        }
    except (ValueError, TypeError, ArithmeticError):
        if len(keys) > 1:  # one of them; the others go on
            return {place: row for one in keys for place, row in read_rows(rows, key, [one], columns).items()}
        log.exception("The row %s of %s cannot be read.", keys[0], rows.model.__name__)
        return {}


@cache
def sources() -> tuple[Source, ...]:
    """Everything that is sealed."""
    found = [_source(model.history.model, model, "history_date", frozenset()) for model in recorded_models()]
    for model in written_once_models():
        left_out = frozenset({WITHDRAWN} if withdrawable(model) else ())
        found.append(_source(model, model, "recorded_at", left_out))
        if withdrawable(model):
            name = f"{model._meta.model_name}.withdrawn"
            found.append(Source(name, model, model, (WITHDRAWN,), WITHDRAWN, False, is_withdrawal=True))
    return tuple(found)


def _source(model: type[Model], of: type[Model], dated: str, left_out: frozenset[str]) -> Source:
    fields = [field for field in model._meta.concrete_fields if field.name not in left_out]
    return Source(
        name=str(model._meta.model_name),
        model=model,
        of=of,
        columns=tuple(field.attname for field in fields),
        dated=dated,
        has_json=any(isinstance(field, JSONField) for field in fields),
    )


@cache
def by_name() -> Mapping[str, Source]:
    return {source.name: source for source in sources()}


def leaf_bytes(source: Source, sequence: int, row: int, fields: Fields) -> bytes:
    """The leaf: RFC 8785 JSON of its place, its source and key, and the row's fields.

    The place is in it, so that two entries that were exchanged are each seen to be wrong.
    """
    leaf = {"fields": fields, "model": source.name, "row": row, "sequence": sequence}
    if source.has_json:
        return rfc8785.dumps(leaf)
    return _write(leaf).encode()


def plain(value: Any) -> Any:
    """A stored value as RFC 8785 can hold it: instants in UTC as RFC 3339 with microseconds, decimals as text without
    needless zeros (a column made wider later changes nothing), whole numbers that a double cannot hold as text."""
    if type(value) is int and -LARGEST_EXACT <= value <= LARGEST_EXACT:  # most of what is not AS_IT_IS
        return value
    match value:
        case None | str() | bool():
            return value
        case int():
            return value if abs(value) <= LARGEST_EXACT else str(value)
        case datetime():
            return instant(value)
        case Decimal():
            return format(value.normalize(), "f")
        case UUID():
            return str(value)
        case date() | time():
            return value.isoformat()
        case dict():
            return {key: plain(item) for key, item in value.items()}
        case list():
            return [plain(item) for item in value]
        case float():
            return value
        case bytes() | memoryview():
            return bytes(value).hex()
    raise TypeError(f"A {type(value).__name__} has no form that could be sealed.")


def instant(value: datetime) -> str:
    """RFC 3339, in UTC, with microseconds."""
    return value.astimezone(UTC).isoformat(timespec="microseconds")[: -len("+00:00")] + "Z"


def unsealed(source: Source, entries: QuerySet) -> QuerySet:
    """The rows of a source without one of those entries."""
    return source.rows().filter(~Exists(entries.filter(model=source.name, row=OuterRef("pk"))))
