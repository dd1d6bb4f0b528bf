"""What promises have replaced leaves the models. Its columns and tables stay in the database, unused and as they were, so
that nothing is lost and an older release can still read."""

from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ('exposure', '0004_promises_from_rows'),
    ]

    operations = [
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
