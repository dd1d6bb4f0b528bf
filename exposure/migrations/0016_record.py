"""Addresses and second factors of accounts have versions, the first of which says how they stood at the upgrade."""

import django.db.models.deletion
import django.utils.timezone
import simple_history.models
from django.conf import settings
from django.db import migrations, models
from django.utils import timezone

BATCH = 1000
BY, ORIGIN = "command:migrate", "upgrade"


def first_versions(apps, schema_editor):
    now = timezone.now()
    for app, name in (("account", "EmailAddress"), ("mfa", "Authenticator")):
        history = apps.get_model("exposure", f"Historical{name}")
        own = {field.attname for field in apps.get_model(app, name)._meta.concrete_fields}
        columns = [field.attname for field in history._meta.concrete_fields if field.attname in own]
        rows = apps.get_model(app, name).objects.order_by("pk").values(*columns)
        history.objects.bulk_create(
            (
                history(**row, history_user_id=BY, origin=ORIGIN, history_date=now, history_type="+")
                for row in rows.iterator(chunk_size=BATCH)
            ),
            batch_size=BATCH,
        )


class Migration(migrations.Migration):

    dependencies = [
        ('account', '0009_emailaddress_unique_primary_email'),
        ('exposure', '0015_device'),
        ('mfa', '0003_authenticator_type_uniq'),
    ]

    operations = [
        migrations.CreateModel(
            name='HistoricalAuthenticator',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('origin', models.CharField(max_length=200)),
                ('type', models.CharField(choices=[('recovery_codes', 'Recovery codes'), ('totp', 'TOTP Authenticator'), ('webauthn', 'WebAuthn')], max_length=20)),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('history_change_reason', models.TextField(blank=True, default='')),
                ('history_user_id', models.CharField(db_index=True, max_length=100)),
                ('history_id', models.BigAutoField(editable=False, primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField()),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
                ('user', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'historical authenticator',
                'verbose_name_plural': 'historical authenticators',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
                'indexes': [models.Index(fields=['history_date', 'id'], name='exposure_hi_history_9e559e_idx')],
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalEmailAddress',
            fields=[
                ('id', models.IntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('origin', models.CharField(max_length=200)),
                ('email', models.EmailField(db_index=True, max_length=254, verbose_name='email address')),
                ('verified', models.BooleanField(default=False, verbose_name='verified')),
                ('primary', models.BooleanField(default=False, verbose_name='primary')),
                ('history_change_reason', models.TextField(blank=True, default='')),
                ('history_user_id', models.CharField(db_index=True, max_length=100)),
                ('history_id', models.BigAutoField(editable=False, primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField()),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
                ('user', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to=settings.AUTH_USER_MODEL, verbose_name='user')),
            ],
            options={
                'verbose_name': 'historical email address',
                'verbose_name_plural': 'historical email addresses',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
                'indexes': [models.Index(fields=['history_date', 'id'], name='exposure_hi_history_446355_idx')],
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.RunPython(first_versions, migrations.RunPython.noop, elidable=True),
    ]
