import django.db.models.deletion
import simple_history.models
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('exposure', '0023_household_advice'),
    ]

    operations = [
        migrations.AddField(
            model_name='breach',
            name='observed_by',
            field=models.ForeignKey(blank=True, db_constraint=False, db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='observed_breaches', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='breach',
            name='observed_how',
            field=models.CharField(blank=True, choices=[('stated', 'said to be, not proved'), ('proved', 'proved by badge and digits')], max_length=10, null=True),
        ),
        migrations.AddField(
            model_name='historicalbreach',
            name='observed_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalbreach',
            name='observed_how',
            field=models.CharField(blank=True, choices=[('stated', 'said to be, not proved'), ('proved', 'proved by badge and digits')], max_length=10, null=True),
        ),
        migrations.CreateModel(
            name='StationPin',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('uid', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('code', models.CharField(max_length=128)),
                ('created_at', models.DateTimeField()),
                ('wrong', models.JSONField(default=dict)),
                ('user', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='station_pin', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['user'],
            },
        ),
        migrations.CreateModel(
            name='HistoricalStationPin',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('origin', models.CharField(max_length=200)),
                ('uid', models.UUIDField(db_index=True, default=uuid.uuid4, editable=False)),
                ('created_at', models.DateTimeField()),
                ('wrong', models.JSONField(default=dict)),
                ('history_change_reason', models.TextField(blank=True, default='')),
                ('history_user_id', models.CharField(db_index=True, max_length=100)),
                ('history_id', models.BigAutoField(editable=False, primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField()),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
                ('user', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'historical station pin',
                'verbose_name_plural': 'historical station pins',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
                'indexes': [models.Index(fields=['history_date', 'id'], name='exposure_hi_history_047a68_idx')],
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
    ]
