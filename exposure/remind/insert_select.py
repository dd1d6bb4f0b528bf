"""Rows made of rows inside the database: INSERT ... SELECT, which Django's ORM has no word for.

Two hundred thousand reminders that are due at once are as many objects each way otherwise. What is selected is an
ordinary queryset, compiled by Django for either database with its parameters apart; only the words before and after it
stand here. Both databases take ON CONFLICT DO NOTHING (PostgreSQL manual, INSERT; SQLite, "UPSERT").
"""

from collections.abc import Mapping
from typing import Any

from django.db import connections
from django.db.models import Expression, Func, Model, QuerySet, UUIDField, Value

from exposure.record import InsertOnly, Recorded, current


class RandomUid(Func):
    """A new random UUID (RFC 9562, version 4) for each row, made by the database."""

    function = "gen_random_uuid"
    output_field = UUIDField()

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        """As Django stores it there: 32 hexadecimal digits."""
        template = (
            "lower(hex(randomblob(6)) || '4' || substr(hex(randomblob(2)), 2)"
            " || substr('89AB', 1 + (random() & 3), 1) || substr(hex(randomblob(2)), 2) || hex(randomblob(6)))"
        )
        return super().as_sql(compiler, connection, template=template, **context)


def insert_select(model: type[Model], rows: QuerySet, values: Mapping[str, Any]) -> list[int]:
    """Insert a row of `model` for each of `rows`, in their order, and return the keys of those that were taken: one
    that would break a constraint of uniqueness is left out. `values`: field -> expression over `rows`; a field without
    one takes its default. An insert-only row names the operation under way as its writer."""
    if issubclass(model, Recorded):
        raise TypeError(f"{model.__name__} is recorded: this would leave no version. Use create_many.")
    chosen = {**_defaults(model), **_writer(model), **values}
    fields: dict[str, Any] = {name: model._meta.get_field(name) for name in chosen}
    connection = connections[rows.db]
    quoted = connection.ops.quote_name
    columns = ", ".join(quoted(str(field.column)) for field in fields.values())
    key = quoted(str(model._meta.pk.column))
    selected, parameters = rows.values_list(*chosen.values()).query.sql_with_params()
    # The outer WHERE is for SQLite, whose parser takes ON for a join's otherwise.
    statement = (
        f"INSERT INTO {quoted(model._meta.db_table)} ({columns})"
        f" SELECT * FROM ({selected}) AS made WHERE true ON CONFLICT DO NOTHING RETURNING {key}"
    )
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)
        return [key for (key,) in cursor.fetchall()]


def _defaults(model: type[Model]) -> dict[str, Expression]:
    fields = [field for field in model._meta.concrete_fields if not field.primary_key and not field.null]
    return {field.name: RandomUid() if field.name == "uid" else _constant(field) for field in fields}


def _constant(field: Any, value: Any = None) -> Expression:
    return Value(field.get_default() if value is None else value, output_field=field)


def _writer(model: type[Model]) -> dict[str, Expression]:
    if not issubclass(model, InsertOnly):
        return {}
    context = current()
    written = {"recorded_at": context.at, "recorded_by": context.actor, "origin": context.origin}
    return {name: _constant(model._meta.get_field(name), value) for name, value in written.items()}
