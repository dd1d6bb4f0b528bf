"""A database laid out at once has the schema that the migrations make."""

import sqlite3
from pathlib import Path

import pytest
from django.db import connection

from exposure.management import new_database
from tests.processes import environment, manage

LAY_OUT = "from exposure.management.new_database import lay_out_tables; print('laid out:', lay_out_tables())"

pytestmark = [
    pytest.mark.database,
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "sqlite", reason="about SQLite; runs in the second process"),
]


def described(cursor) -> dict[str, object]:
    """Every table with all that it states, in no order; every trigger and index; what is recorded."""

    def rows(query: str) -> list[tuple]:
        return cursor.execute(query).fetchall()

    tables = dict(
        rows("SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    )
    found: dict[str, object] = {}
    for table, statement in tables.items():
        indexes = []
        for _, name, unique, origin, partial in rows(f'PRAGMA index_list("{table}")'):
            columns = [(row[2], row[3]) for row in rows(f'PRAGMA index_xinfo("{name}")')]
            indexes.append(repr(("" if origin == "u" else name, unique, origin, partial, columns)))
        found[table] = {
            "columns": sorted(repr(row[1:]) for row in rows(f'PRAGMA table_info("{table}")')),
            "references": sorted(repr(row[2:]) for row in rows(f'PRAGMA foreign_key_list("{table}")')),
            "indexes": sorted(indexes),
            "as stated": sorted(statement.split("(", 1)[1].removesuffix(")").split(", ")),
        }
    stated = "SELECT name, sql FROM sqlite_master WHERE type IN ('trigger', 'index') AND sql IS NOT NULL"
    found["triggers and indexes as stated"] = sorted(rows(stated))
    found["migrations"] = sorted(rows("SELECT app, name FROM django_migrations"))
    found["permissions"] = sorted(rows("SELECT codename FROM auth_permission"))
    return found


# What promises have replaced stays in a database of an earlier release, and in one that the migrations have made.
LEFT_TABLES = {"exposure_task", "exposure_historicaltask"}
LEFT_COLUMNS = {
    "exposure_alert": ("next_look_at",),
    "exposure_historicalalert": ("next_look_at",),
    "exposure_breach": ("confirm_due_at", "told_due_at"),
    "exposure_historicalbreach": ("confirm_due_at", "told_due_at"),
    "exposure_exposure": ("told_due_at",),
    "exposure_historicalexposure": ("told_due_at",),
}
LEFT_INDEXES = ("breach_to_confirm", "exposure_to_tell")


def without_what_is_left(found: dict[str, object]) -> dict[str, object]:
    kept = {name: value for name, value in found.items() if name not in LEFT_TABLES}
    for table, columns in LEFT_COLUMNS.items():
        left = (*(f"'{column}'" for column in columns), *(f'"{column}"' for column in columns), *LEFT_INDEXES)
        kept[table] = {
            name: [row for row in rows if not any(word in row for word in left)]
            for name, rows in kept[table].items()
        }
    kept["triggers and indexes as stated"] = [
        row
        for row in kept["triggers and indexes as stated"]
        if not any(f'"{table}"' in row[1] for table in LEFT_TABLES) and row[0] not in LEFT_INDEXES
    ]
    return kept


def test_both_ways_make_the_same_tables_indexes_checks_triggers_and_rows(tmp_path: Path):
    env = environment(VAR_DIR=str(tmp_path))
    assert "laid out: True" in manage("shell", "-v0", "-c", LAY_OUT, env=env).stdout
    manage("migrate", "-v0", env=env)
    with sqlite3.connect(tmp_path / "exposure.sqlite3") as database:
        at_once = described(database.cursor())
    with connection.cursor() as cursor:
        migrated = without_what_is_left(described(cursor.connection.cursor()))
    assert len(migrated) > 60
    assert set(at_once) == set(migrated)
    for name, expected in migrated.items():
        assert at_once[name] == expected, name


def test_a_database_that_holds_tables_is_left_to_the_migrations():
    assert not new_database.lay_out_tables()


@pytest.mark.parametrize(("elidable", "laid_out"), [(True, True), (False, False)])
def test_a_migration_of_ours_that_brings_rows_is_run(tmp_path: Path, elidable: bool, laid_out: bool):
    bringing = f"""
from django.db.migrations import RunPython
from django.db.migrations.loader import MigrationLoader
from exposure.management import new_database
read = MigrationLoader.load_disk
def load_disk(self):
    read(self)
    self.disk_migrations["exposure", "0001_initial"].operations += [
        RunPython(RunPython.noop, elidable={elidable})]
MigrationLoader.load_disk = load_disk
print("laid out:", new_database.lay_out_tables())
"""
    told = manage("shell", "-v0", "-c", bringing, env=environment(VAR_DIR=str(tmp_path)))
    assert f"laid out: {laid_out}" in told.stdout
