"""The tables of a database that nobody has used yet, laid out at once.

Migrating an empty database renders every model anew at each of some three hundred steps, which takes most of a first
start. Here the tables come straight from the models and every migration is recorded as done: the same schema, as a
test over all tables says. Any database that holds something is migrated as always, and so is PostgreSQL.
"""

from django.apps import apps
from django.db import connection
from django.db.migrations import RunPython, RunSQL
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder

OURS = "exposure"


def lay_out_tables() -> bool:
    """Make every table, if this is an empty SQLite database; says whether it did. `migrate` must follow.

    It is left to the migrations as soon as one of ours brings rows or statements of its own that are not marked as
    elidable (needed by old rows only).
    """
    if connection.vendor != "sqlite" or connection.introspection.table_names():
        return False
    migrations = MigrationLoader(connection).disk_migrations
    if any(_does_more(migration) for (app, _), migration in migrations.items() if app == OURS):
        return False
    with connection.schema_editor(atomic=True) as editor:
        for model in apps.get_models():
            if model._meta.can_migrate(connection):
                editor.create_model(model)
        recorder = MigrationRecorder(connection)
        recorder.ensure_schema()
        recorder.migration_qs.bulk_create(
            recorder.Migration(app=app, name=name) for app, name in sorted(migrations)
        )
    return True


def _does_more(migration) -> bool:
    return any(
        isinstance(operation, (RunPython, RunSQL)) and not operation.elidable
        for operation in migration.operations
    )
