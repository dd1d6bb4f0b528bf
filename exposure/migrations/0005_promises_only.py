"""What promises have replaced leaves the models. Its columns and tables stay in the database, unused and as they were, so
that nothing is lost and an older release can still read."""

from django.db import migrations


def unbind(apps, schema_editor):
    """The table that is left holds on to no other: rows it points to stay free to be emptied with their own tables."""
    if schema_editor.connection.vendor != "postgresql":
        return
    with schema_editor.connection.cursor() as cursor:
        constraints = schema_editor.connection.introspection.get_constraints(cursor, "exposure_task")
        for name, details in constraints.items():
            if details["foreign_key"]:
                cursor.execute(f"ALTER TABLE exposure_task DROP CONSTRAINT {schema_editor.quote_name(name)}")


class Migration(migrations.Migration):

    dependencies = [
        ('exposure', '0004_promises_from_rows'),
    ]

    operations = [
        migrations.RunPython(unbind, migrations.RunPython.noop, elidable=True),
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.RemoveField(
                    model_name='historicaltask',
                    name='breach',
                ),
                migrations.RemoveField(
                    model_name='historicaltask',
                    name='completed_by',
                ),
                migrations.RemoveField(
                    model_name='historicaltask',
                    name='exposure',
                ),
                migrations.RemoveField(
                    model_name='historicaltask',
                    name='site',
                ),
                migrations.RemoveField(
                    model_name='task',
                    name='breach',
                ),
                migrations.RemoveField(
                    model_name='task',
                    name='completed_by',
                ),
                migrations.RemoveField(
                    model_name='task',
                    name='exposure',
                ),
                migrations.RemoveField(
                    model_name='task',
                    name='site',
                ),
                migrations.RemoveIndex(
                    model_name='breach',
                    name='breach_to_confirm',
                ),
                migrations.RemoveIndex(
                    model_name='exposure',
                    name='exposure_to_tell',
                ),
                migrations.RemoveField(
                    model_name='alert',
                    name='next_look_at',
                ),
                migrations.RemoveField(
                    model_name='breach',
                    name='confirm_due_at',
                ),
                migrations.RemoveField(
                    model_name='breach',
                    name='told_due_at',
                ),
                migrations.RemoveField(
                    model_name='exposure',
                    name='told_due_at',
                ),
                migrations.RemoveField(
                    model_name='historicalalert',
                    name='next_look_at',
                ),
                migrations.RemoveField(
                    model_name='historicalbreach',
                    name='confirm_due_at',
                ),
                migrations.RemoveField(
                    model_name='historicalbreach',
                    name='told_due_at',
                ),
                migrations.RemoveField(
                    model_name='historicalexposure',
                    name='told_due_at',
                ),
                migrations.DeleteModel(
                    name='HistoricalTask',
                ),
                migrations.DeleteModel(
                    name='Task',
                ),
            ],
        ),
    ]
