"""Rows of many models, each kind of question one statement over all of them."""

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from django.db.models import (
    BigIntegerField,
    BooleanField,
    DateTimeField,
    DecimalField,
    F,
    Field,
    ForeignKey,
    IntegerField,
    JSONField,
    Model,
    QuerySet,
    TextField,
    UUIDField,
    Value,
)
from django.db.models.functions import Cast, Coalesce, JSONObject, NullIf
from django.utils.dateparse import parse_datetime

Keys = tuple[int, Any]  # which of the querysets, and the primary key


def newest(querysets: list[QuerySet], instants: list[str], most: int) -> list[tuple[int, Any, datetime]]:
    """(which queryset, primary key, instant) of the `most` newest of each, the newest first."""
    parts = []
    for rows, instant in zip(querysets, instants, strict=True):
        keys = rows.order_by(f"-{instant}", "-pk").values("pk")[:most]
        found = rows.model._base_manager.filter(pk__in=keys).order_by().annotate(at_=F(instant))
        parts.append(_numbered(found, len(parts)).values_list("place_", "pk", "at_"))
    return sorted(_together(parts), key=lambda row: row[2], reverse=True)


def read(querysets: Mapping[int, QuerySet]) -> list[tuple[int, Any, int | None]]:
    """(which queryset, row, `before_id` where it is annotated); rows are instances, as `objects.all()` gives them."""
    parts = []
    for place, rows in querysets.items():
        columns = rows.model._meta.concrete_fields
        body = JSONObject(**{field.attname: Cast(F(field.attname), TextField()) for field in columns})
        if "before_id" not in rows.query.annotations:
            rows = rows.annotate(before_id=Cast(Value(None), BigIntegerField()))
        rows = _numbered(rows.order_by(), place).annotate(body_=body)
        parts.append(rows.values_list("place_", "before_id", "body_"))
    return [(place, _row(querysets[place].model, body), before) for place, before, body in _together(parts)]


def names(
    wanted: Mapping[type[Model], Iterable[int]], columns: Iterable[str]
) -> dict[tuple[type[Model], int], Any]:
    """(model, primary key) -> (uid or None, the first of the columns that says something, or "")."""
    models = [model for model, keys in wanted.items() if keys]
    parts = []
    for place, model in enumerate(models):
        own = {field.name for field in model._meta.concrete_fields}
        said = [NullIf(Cast(F(name), TextField()), Value("")) for name in columns if name in own]
        uid = F("uid") if "uid" in own else Cast(Value(None), UUIDField())
        rows = model._base_manager.filter(pk__in=wanted[model]).order_by()
        rows = rows.annotate(uid_=uid, name_=Coalesce(*said, Value(""), Value(""), output_field=TextField()))
        parts.append(_numbered(rows, place).values_list("place_", "pk", "uid_", "name_"))
    return {(models[place], key): (uid, name) for place, key, uid, name in _together(parts)}


def _numbered(rows: QuerySet, place: int) -> QuerySet:
    return rows.annotate(place_=Value(place, IntegerField()))


def _together(parts: list[QuerySet]) -> list[Any]:
    if not parts:
        return []
    return list(parts[0].union(*parts[1:], all=True) if len(parts) > 1 else parts[0])


def _row(model: type[Model], body: Mapping[str, str | None]) -> Model:
    fields = model._meta.concrete_fields
    return model(**{field.attname: _value(field, body[field.attname]) for field in fields})


def _value(field: Field, text: str | None) -> Any:
    """A column as text, as the model has it: dates and times of SQLite are UTC, a truth value is 1 or true."""
    if text is None:
        return None
    match field:
        case ForeignKey():
            return _value(field.target_field, text)
        case BooleanField():
            return text in ("1", "true", "t")
        case DateTimeField():
            read_at = parse_datetime(text)
            return read_at if read_at is None or read_at.tzinfo else read_at.replace(tzinfo=UTC)
        case JSONField():
            return json.loads(text)
        case DecimalField():
            return Decimal(text).quantize(Decimal(1).scaleb(-field.decimal_places))
    return field.to_python(text)
