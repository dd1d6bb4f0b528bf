"""Whatever is recorded, written on any way: a version, a refusal, or verify names the row. Read from the models."""

import pytest
from allauth.account.models import EmailAddress
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import TOTP
from django.db import IntegrityError, connection, models, transaction
from django.test import Client
from django.urls import reverse

from config.celery import app as celery
from config.seal_key import new_seal_key
from exposure import tasks  # noqa: F401  so that they are registered
from exposure.attend.models import Alert
from exposure.audit.belonging import recorded_models
from exposure.audit.live import unlike_their_versions
from exposure.people.models import User, Worker
from exposure.record import BulkWriteRefused, NotActing
from tests.audit.rows import made, stored
from tests.cast import MONDAY, PASSWORD, doing
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = [pytest.mark.database, pytest.mark.django_db]

RECORDED = recorded_models()
LIBRARY = {EmailAddress, Authenticator}


def row_of(model):
    """A row with its first version."""
    row = model._base_manager.first() or stored(made(model, MONDAY))
    if not row.history.exists():
        with doing("command:tests"):
            row.save()
    return row


def test_the_libraries_rows_are_of_the_table():
    assert set(RECORDED) >= LIBRARY | {User, Worker}
    assert len(RECORDED) > 25


@pytest.mark.parametrize("model", RECORDED, ids=lambda model: model.__name__)
def test_each_way_of_writing_leaves_a_version_is_refused_or_is_found(cast, model):
    row = row_of(model)
    versions = row.history.count()
    with pytest.raises(NotActing), transaction.atomic():
        row.save()
    with doing("task:tests", at=MONDAY):
        row.save()
    newest = row.history.order_by("-history_id").first()
    assert row.history.count() == versions + 1
    assert (newest.history_user_id, newest.origin, newest.history_date) == ("task:tests", "tests", MONDAY)

    key = model._meta.pk.name
    for write in (
        lambda: model.objects.filter(pk=row.pk).update(**{key: row.pk}),
        lambda: model.objects.bulk_update([row], [model._meta.concrete_fields[1].name]),
        lambda: model.objects.bulk_create([row]),
    ):
        with pytest.raises(BulkWriteRefused):
            write()

    assert not list(unlike_their_versions(only=[model]))
    changed = written_past_the_history(row)
    assert list(unlike_their_versions(only=[model])) == [
        f"{model.__name__} {row.pk}: not as its newest version has it: {changed}."
    ]


OURS = sorted(name for name in celery.tasks if name.startswith("exposure."))


def test_whatever_the_queues_run_leaves_a_version_of_what_it_wrote(cast, standing_clock, settings, tmp_path):
    """Every task that is registered, over a follow-up with a fever, a late task and days without a reading."""
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR, settings.LOCAL_SEAL_KEY = new_seal_key(), tmp_path, None
    settings.HANDOVER_FOLDER = tmp_path
    follow_up_told_and_confirmed(cast)
    log(cast, at=MONDAY + hours(8), temperature="38.4")
    assert {"exposure.tasks.tick", "exposure.tasks.send", "exposure.tasks.seal"} <= set(OURS)
    for at in (MONDAY + hours(9), MONDAY + hours(60)):
        standing_clock(at)
        for name in OURS:
            celery.tasks[name].apply(throw=True)
    written = Alert.history.filter(history_user_id__startswith="task:")
    assert written.exists(), "the tasks had something to write"
    assert list(unlike_their_versions()) == []


def written_past_the_history(row):
    """One recorded column changed by raw SQL, the first whose constraints let it; returns its name."""
    table, key = row._meta.db_table, row._meta.pk.column
    fields = row.history.model.tracked_fields
    for field in sorted(fields, key=lambda field: isinstance(field, models.ForeignKey)):
        match field:
            case models.AutoField():
                continue
            case models.ForeignKey():
                value = stored(made(field.related_model, MONDAY)).pk
            case models.BooleanField():
                value = not getattr(row, field.attname)
            case models.DateTimeField():
                value = MONDAY.replace(year=2001)
            case models.CharField() | models.TextField():
                value = "x"
            case models.IntegerField():
                value = 77
            case _:
                continue
        try:
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute(
                    f'UPDATE "{table}" SET "{field.column}" = %s WHERE "{key}" = %s', [value, row.pk]
                )
        except IntegrityError:
            continue
        return field.attname
    raise AssertionError(f"{row} has no column that could be changed")


def test_a_second_factor_leaves_versions_without_its_secret_and_none_for_being_used(cast):
    with doing(cast.nurse):
        factor = TOTP.activate(cast.nurse, "JBSWY3DPEHPK3PXP").instance
        factor.record_usage()
        factor.data = {"secret": "another"}
        factor.save(update_fields=["data"])
    with doing("command:tests", at=MONDAY):
        Authenticator.objects.filter(user=cast.nurse).delete()
    versions = Authenticator.history.filter(id=factor.pk).order_by("history_id")
    assert list(versions.values_list("history_type", "history_user_id")) == [
        ("+", cast.nurse.actor),
        ("~", cast.nurse.actor),
        ("-", "command:tests"),
    ]
    assert not {"data", "last_used_at"} & {field.name for field in Authenticator.history.model._meta.fields}


def test_an_address_changed_on_the_page_leaves_a_version_by_its_holder(cast):
    client = Client()
    client.force_login(cast.nurse)
    client.get(reverse("account_email"))
    [version] = EmailAddress.history.all()
    assert (version.email, version.history_user_id, version.verified) == (
        cast.nurse.email,
        cast.nurse.actor,
        True,
    )


def test_a_password_set_anew_leaves_a_version_without_it(cast):
    before = cast.nurse.history.count()
    with doing(cast.nurse):
        cast.nurse.set_password(PASSWORD + "2")
        cast.nurse.save()
    assert cast.nurse.history.count() == before + 1
    assert "password" not in {field.name for field in User.history.model._meta.fields}
