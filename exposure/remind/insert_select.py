"""Rows made of rows inside the database: INSERT ... SELECT, which Django's ORM has no word for.

Two hundred thousand reminders that are due at once are as many objects each way otherwise. What is selected is an
ordinary queryset, compiled by Django for either database with its parameters apart; only the words before and after it
stand here. Both databases take ON CONFLICT DO NOTHING (PostgreSQL manual, INSERT; SQLite, "UPSERT").
"""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import connections
from django.db.models import Expression, Model, QuerySet, Value

from exposure.record import InsertOnly, Recorded, current

# A new random UUID (RFC 9562, version 4) for each row; in SQLite 32 hexadecimal digits, as Django stores it there.
UID = {
    "postgresql": "gen_random_uuid()",
    "sqlite": "lower(hex(randomblob(6)) || '4' || substr(hex(randomblob(2)), 2)"
    " || substr('89AB', 1 + (random() & 3), 1) || substr(hex(randomblob(2)), 2) || hex(randomblob(6)))",
}


def insert_select(model: type[Model], rows: QuerySet, values: Mapping[str, Any]) -> list[int]:
    """Insert a row of `model` for each of `rows`, in their order, and return the keys of those that were taken: one
    that would break a constraint of uniqueness is left out. `values`: field -> expression over `rows`; a field without
    one takes its default. An insert-only row names the operation under way as its writer."""
    chosen = {**_constants(model), **values}
    selected, parameters = _selected(rows, chosen)
    return _insert(model, list(chosen), f"({selected}) AS made WHERE true", parameters, rows.db)


def insert_pairs(
    model: type[Model],
    rows: QuerySet,
    values: Mapping[str, Any],
    others: QuerySet,
    their_values: Mapping[str, Any],
    *,
    on: str,
    order: str,
) -> list[int]:
    """As `insert_select`, for each pair of `rows` and `others` for which `on` holds, where no key leads from one to the
    other. `on` and `order` are SQL of the code's own, never data; a value is called there by its name and an
    underscore, and one that is no field is there for them only."""
    chosen = {name: made for name, made in _constants(model).items() if name not in their_values} | {**values}
    left, parameters = _selected(rows.order_by(), chosen)
    right, more = _selected(others.order_by(), their_values)
    source = f"({left}) AS made JOIN ({right}) AS others ON {on} ORDER BY {order}"
    fields = {field.name for field in model._meta.concrete_fields}
    names = [name for name in (*chosen, *their_values) if name in fields]
    return _insert(model, names, source, (*parameters, *more), rows.db)


def _selected(rows: QuerySet, values: Mapping[str, Any]) -> Any:
    named = {f"{name}_": value for name, value in values.items()}
    return rows.values(**named).query.sql_with_params()


def _insert(
    model: type[Model], names: Sequence[str], source: str, parameters: Sequence[Any], using: str
) -> list[int]:
    connection = connections[using]
    quoted = connection.ops.quote_name
    fields: list[Any] = [model._meta.get_field(name) for name in names]
    columns = ", ".join(quoted(str(field.column)) for field in fields)
    taken = ", ".join(quoted(f"{name}_") for name in names)
    # In `source` a WHERE or ORDER BY is the last word: SQLite's parser would take ON for a join's.
    statement = (
        f"INSERT INTO {quoted(model._meta.db_table)} (uid, {columns}) SELECT {UID[connection.vendor]}, {taken}"
        f" FROM {source} ON CONFLICT DO NOTHING RETURNING {quoted(str(model._meta.pk.column))}"
    )
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)
        return [key for (key,) in cursor.fetchall()]


def _constants(model: type[Model]) -> dict[str, Expression]:
    """The defaults of its fields and, of an insert-only row, its writer."""
    if issubclass(model, Recorded):
        raise TypeError(f"{model.__name__} is recorded: this would leave no version. Use create_many.")
    fields: dict[str, Any] = {field.name: field for field in model._meta.concrete_fields}
    constants = {
        name: field.get_default()
        for name, field in fields.items()
        if not field.primary_key and not field.null and name != "uid"
    }
    if issubclass(model, InsertOnly):
        context = current()
        constants |= {"recorded_at": context.at, "recorded_by": context.actor, "origin": context.origin}
    return {name: Value(value, output_field=fields[name]) for name, value in constants.items()}
