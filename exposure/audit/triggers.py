"""Append-only in the database itself: triggers refuse UPDATE, DELETE and TRUNCATE of whatever was written once.

They stand on every history table, every insert-only table and the seals, on PostgreSQL and SQLite. Installed after each
migrate, because SQLite drops a table's triggers when it rebuilds the table. Only a lawful purge lifts those against
DELETE (`lifted`), as the owner of the tables and within its transaction. Refusals reach Django as IntegrityError.
Whoever owns the database can still drop them; that it was done is what the seals are for.

SQLite's REPLACE takes away the row that stands in its way, and no trigger hears of it unless the connection asks
(https://www.sqlite.org/lang_conflict.html), which other programs do not. So before each insert the rows in its way are
noted, and after it they must stand: an insert that was refused or left out has no after.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.utils import CursorWrapper
from django.db.models import Model, UniqueConstraint

from exposure.audit.belonging import WITHDRAWN, recorded_models, withdrawable, written_once_models
from exposure.audit.models import SealedBytes, SealEntry, SealHead

# 23001 is restrict_violation (PostgreSQL manual, appendix A). Rows are compared whole: a trigger that named columns
# would stand in the way of their migrations.
POSTGRESQL_FUNCTIONS = """
CREATE OR REPLACE FUNCTION exposure_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = '23001';
END $$;
CREATE OR REPLACE FUNCTION exposure_only_withdraw() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.withdrawn_at IS NULL AND NEW.withdrawn_at IS NOT NULL THEN
        OLD.withdrawn_at := NEW.withdrawn_at;
        IF OLD IS NOT DISTINCT FROM NEW THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION '% is append-only: only its withdrawal may be set, once', TG_TABLE_NAME USING ERRCODE = '23001';
END $$;
"""

AGAINST_REPLACE = ("_note", "_no_replace")
NOTED = "exposure_noted"  # SQLite: rows in the way of an insert, by table and key; emptied after the insert


def append_only_models() -> list[type[Model]]:
    """Every insert-only model, the history of every recorded one, and the seals."""
    histories = [model.history.model for model in recorded_models()]
    return [*written_once_models(), *histories, SealEntry, SealHead, SealedBytes]


def expected(using: str = DEFAULT_DB_ALIAS) -> set[tuple[str, str]]:
    """The triggers that must stand, as (table, trigger)."""
    return {
        (model._meta.db_table, name)
        for model in append_only_models()
        for name in _definitions(model, connections[using].vendor)
    }


def standing(using: str = DEFAULT_DB_ALIAS) -> set[tuple[str, str]]:
    """The triggers that stand in the database and are switched on, as (table, trigger)."""
    connection = connections[using]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT relname, tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid"
                " WHERE NOT tgisinternal AND tgenabled IN ('O', 'A')"
            )
        else:
            cursor.execute("SELECT tbl_name, name FROM sqlite_master WHERE type = 'trigger'")
        return set(cursor.fetchall())


def install(using: str = DEFAULT_DB_ALIAS) -> None:
    """Put every trigger in place as it should be, on the tables that exist; again changes nothing."""
    connection = connections[using]
    with transaction.atomic(using=using):
        remove(using)
        with connection.cursor() as cursor:
            tables = set(connection.introspection.table_names(cursor))
            if connection.vendor == "postgresql":
                cursor.execute(POSTGRESQL_FUNCTIONS)
            else:
                cursor.execute(
                    f'CREATE TABLE IF NOT EXISTS "{NOTED}" (of_table text NOT NULL, noted NOT NULL)'
                )
                cursor.execute(f'DELETE FROM "{NOTED}"')
            for model in append_only_models():
                if model._meta.db_table in tables:
                    for name, definition in _definitions(model, connection.vendor).items():
                        if not name.endswith(AGAINST_REPLACE) or _is_whole(model, connection, cursor):
                            cursor.execute(f'CREATE TRIGGER "{name}" {definition}')


def remove(using: str = DEFAULT_DB_ALIAS) -> None:
    """Take every trigger away. Only `install` and tests that empty the database between each other need it."""
    connection = connections[using]
    ours = standing(using) & expected(using)
    with transaction.atomic(using=using), connection.cursor() as cursor:
        for table, name in sorted(ours):
            place = f' ON "{table}"' if connection.vendor == "postgresql" else ""
            cursor.execute(f'DROP TRIGGER "{name}"{place}')


def lock(models: Iterable[type[Model]], *, timeout: str, using: str = DEFAULT_DB_ALIAS) -> None:
    """PostgreSQL: nobody else writes to these tables until the transaction ends. Raises OperationalError where others
    hold them for longer than `timeout`, ProgrammingError where the account may not."""
    tables = ", ".join(sorted({f'"{model._meta.db_table}"' for model in models}))
    with connections[using].cursor() as cursor:
        cursor.execute("SELECT current_setting('lock_timeout')")
        [usual] = cursor.fetchone()
        cursor.execute("SELECT set_config('lock_timeout', %s, true)", [timeout])
        cursor.execute(f"LOCK TABLE {tables} IN SHARE ROW EXCLUSIVE MODE")
        cursor.execute("SELECT set_config('lock_timeout', %s, true)", [usual])


@contextmanager
def lifted(models: Iterable[type[Model]], using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """Inside, and inside the transaction that is open, rows of these tables may be deleted. Where it fails the
    transaction must end with it, which puts everything back."""
    connection = connections[using]
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("Triggers are lifted inside a transaction only.")
    standing_now = standing(using)
    guards = [
        (model._meta.db_table, f"{model._meta.db_table}_no_delete", model)
        for model in models
        if (model._meta.db_table, f"{model._meta.db_table}_no_delete") in standing_now
    ]
    on_postgresql = connection.vendor == "postgresql"
    with connection.cursor() as cursor:
        if on_postgresql:  # what waits for the end of the transaction would be in the way of both
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED")
        for table, name, _model in guards:
            cursor.execute(
                f'ALTER TABLE "{table}" DISABLE TRIGGER "{name}"'
                if on_postgresql
                else f'DROP TRIGGER "{name}"'
            )
        yield
        if on_postgresql:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED")
        for table, name, model in guards:
            cursor.execute(
                f'ALTER TABLE "{table}" ENABLE TRIGGER "{name}"'
                if on_postgresql
                else f'CREATE TRIGGER "{name}" {_definitions(model, connection.vendor)[name]}'
            )


def lift_before_migrate(sender: Any, using: str, **_: Any) -> None:
    """Receiver of pre_migrate: what refuses SQLite's REPLACE names columns, and would stand in the way of their
    migrations. Everything else stays; after the migrations, also after the next start, it is put back."""
    connection = connections[using]
    if connection.vendor != "sqlite":
        return
    ours = {(table, name) for table, name in expected(using) if name.endswith(AGAINST_REPLACE)}
    with transaction.atomic(using=using), connection.cursor() as cursor:
        for _table, name in sorted(standing(using) & ours):
            cursor.execute(f'DROP TRIGGER "{name}"')


def install_after_migrate(sender: Any, using: str, **_: Any) -> None:
    """Receiver of post_migrate."""
    install(using)


def _is_whole(model: type[Model], connection: BaseDatabaseWrapper, cursor: CursorWrapper) -> bool:
    """Whether the table has all its columns: not where it was migrated back to an earlier release."""
    described = connection.introspection.get_table_description(cursor, model._meta.db_table)
    return {field.column for field in model._meta.concrete_fields} <= {column.name for column in described}


def _definitions(model: type[Model], vendor: str) -> dict[str, str]:
    """The triggers of one table: name -> what follows it in CREATE TRIGGER."""
    table = model._meta.db_table
    columns = [field.column for field in model._meta.concrete_fields]
    if vendor == "postgresql":
        triggers = _for_postgresql(table, withdrawable(model))
    else:
        triggers = {**_for_sqlite(table, columns, withdrawable(model)), **_against_replace(model)}
    return {f"{table}_{name}": rest for name, rest in triggers.items()}


def _for_postgresql(table: str, may_withdraw: bool) -> dict[str, str]:
    refuse = f'ON "{table}" FOR EACH STATEMENT EXECUTE FUNCTION exposure_refuse()'
    only_withdraw = f'ON "{table}" FOR EACH ROW EXECUTE FUNCTION exposure_only_withdraw()'
    return {
        "no_update": f"BEFORE UPDATE {only_withdraw if may_withdraw else refuse}",
        "no_delete": f"BEFORE DELETE {refuse}",
        "no_truncate": f"BEFORE TRUNCATE {refuse}",
    }


def _for_sqlite(table: str, columns: list[str], may_withdraw: bool) -> dict[str, str]:
    refuse = f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
    no_delete = {"no_delete": f'BEFORE DELETE ON "{table}" {refuse}'}
    if not may_withdraw:
        return {"no_update": f'BEFORE UPDATE ON "{table}" {refuse}', **no_delete}
    # UPDATE OF does not keep a later migration from dropping one of the columns; NEW.column would.
    others = ", ".join(f'"{column}"' for column in columns if column != WITHDRAWN)
    once = f'WHEN OLD."{WITHDRAWN}" IS NOT NULL OR NEW."{WITHDRAWN}" IS NULL'
    return {
        "no_update": f'BEFORE UPDATE OF {others} ON "{table}" {refuse}',
        "withdrawn_once": f'BEFORE UPDATE OF "{WITHDRAWN}" ON "{table}" {once} {refuse}',
        **no_delete,
    }


def _against_replace(model: type[Model]) -> dict[str, str]:
    table, key = model._meta.db_table, model._meta.pk.column
    same = [" AND ".join(f'"{name}" = NEW."{name}"' for name in columns) for columns in _unique(model)]
    in_the_way = f'FROM "{table}" WHERE ({") OR (".join(same)})'
    noted = f"FROM \"{NOTED}\" WHERE of_table = '{table}'"
    gone = f'(noted = NEW."{key}" OR NOT EXISTS (SELECT 1 FROM "{table}" WHERE "{key}" = noted))'
    return {
        "note": f'BEFORE INSERT ON "{table}" WHEN EXISTS (SELECT 1 {in_the_way})'
        f' BEGIN INSERT INTO "{NOTED}" SELECT \'{table}\', "{key}" {in_the_way}; END',
        "no_replace": f'AFTER INSERT ON "{table}" WHEN EXISTS (SELECT 1 {noted})'
        f" BEGIN SELECT RAISE(ABORT, '{table} is append-only') WHERE EXISTS (SELECT 1 {noted} AND {gone});"
        f" DELETE {noted}; END",
    }


def _unique(model: type[Model]) -> list[list[str]]:
    """The columns of each key. A condition of a constraint is left out: a row too many is noted, and still stands."""
    options = model._meta
    found = [[field.column] for field in options.concrete_fields if field.unique or field.primary_key]
    together = [rule.fields for rule in options.constraints if isinstance(rule, UniqueConstraint)]
    for fields in (*together, *options.unique_together):
        found.append([options.get_field(name).column for name in fields])
    return [columns for columns in found if columns]
