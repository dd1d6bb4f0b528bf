"""What was written once stays: seen to refuse in the database itself, on PostgreSQL and on SQLite."""

from datetime import timedelta

import pytest
from allauth.account.models import EmailAddress
from allauth.mfa.models import Authenticator
from django.apps import apps
from django.core.management.sql import emit_post_migrate_signal
from django.db import IntegrityError, connection, models, transaction

from exposure.audit import sealing, triggers
from exposure.audit.models import AccessEntry, SealedBytes, SealEntry, SealHead
from exposure.followup.models import Check
from exposure.people.models import PhonePin, PushSubscription, Role, StationPin, User
from exposure.pipeline import report
from exposure.places.models import Site
from exposure.record import InsertOnly, Recorded, insert_many, mark_withdrawn
from exposure.remind.models import Heartbeat, Message, Planned, Rung, SetAside
from exposure.report.models import ReportDraft
from tests.audit import rows
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

ON_POSTGRESQL = connection.vendor == "postgresql"
EVERY = triggers.append_only_models()


def refused(statement, *parameters):
    """Run one statement by itself; the database must refuse it."""
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, parameters)


@pytest.fixture
def follow_up(cast):
    """Wim's follow-up, with planned readings and reminder instants."""
    with doing(cast.observer):
        report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    return cast.worker.follow_ups.get()


@pytest.fixture
def look(cast):
    with doing(cast.nurse):
        return AccessEntry.objects.create(user=cast.nurse, kind=AccessEntry.Kind.PERSON, subject="person:1")


def test_every_history_and_every_insert_only_model_is_on_the_list():
    every = set(apps.get_app_config("exposure").get_models())
    histories = {
        model.history.model
        for model in every
        if issubclass(model, Recorded | User | PhonePin | StationPin | PushSubscription)
    } | {EmailAddress.history.model, Authenticator.history.model}
    written_once = {model for model in every if issubclass(model, InsertOnly)}
    assert set(EVERY) == histories | written_once | {SealEntry, SealHead, SealedBytes}
    assert len(histories) > 20
    assert every - set(EVERY) - {model for model in every if hasattr(model, "history")} == {
        Message,
        Heartbeat,
        SetAside,
        Planned,
        ReportDraft,
    }


def test_a_lifted_guard_is_back_afterwards_and_only_inside_a_transaction(cast):
    """What a purge does, and nothing else: DELETE alone, of the tables named, while its transaction lasts."""
    sealing.seal(at=MONDAY, thorough=True)
    table, other = SealedBytes._meta.db_table, SealEntry._meta.db_table
    before = triggers.standing()
    with triggers.lifted([SealedBytes]):
        refused(f"UPDATE {table} SET content = %s", b"{}")
        refused(f"DELETE FROM {other}")
        with connection.cursor() as cursor:
            cursor.execute(f"DELETE FROM {table} WHERE entry_id = 0")
    assert triggers.standing() == before
    refused(f"DELETE FROM {table}")
    assert SealEntry.objects.filter(sequence=0).exists()


@pytest.mark.django_db(transaction=True)
def test_no_guard_is_lifted_outside_of_a_transaction(cast):
    with pytest.raises(transaction.TransactionManagementError), triggers.lifted([SealedBytes]):
        pass


def test_after_migrate_every_table_on_the_list_has_its_triggers():
    tables = {model._meta.db_table for model in EVERY}
    verbs = ["update", "delete", "truncate"] if ON_POSTGRESQL else ["update", "delete"]
    standing = triggers.standing()
    assert {(table, f"{table}_no_{verb}") for table in tables for verb in verbs} <= standing
    assert standing == triggers.expected()


def test_installing_again_changes_nothing():
    before = triggers.standing()
    triggers.install()
    assert triggers.standing() == before


def test_a_table_that_lost_its_triggers_gets_them_back_with_the_next_migrate():
    triggers.remove()
    assert not triggers.standing() & triggers.expected()
    emit_post_migrate_signal(verbosity=0, interactive=False, db="default")
    assert triggers.standing() == triggers.expected()


@pytest.mark.skipif(ON_POSTGRESQL, reason="only SQLite rebuilds tables")
def test_sqlite_drops_the_triggers_of_a_table_it_rebuilds_and_installing_restores_them():
    # The trap that a migration alone would fall into: https://www.sqlite.org/lang_altertable.html, section 7.
    table = Site.history.model._meta.db_table
    with connection.cursor() as cursor:
        cursor.execute(f'CREATE TABLE rebuilt AS SELECT * FROM "{table}"')
        cursor.execute(f'DROP TABLE "{table}"')
        cursor.execute(f'ALTER TABLE rebuilt RENAME TO "{table}"')
    assert len(triggers.expected() - triggers.standing()) == 4
    triggers.install()
    assert triggers.standing() == triggers.expected()


def test_each_table_with_rows_refuses_change_and_removal(cast, follow_up, look):
    sealing.seal(at=MONDAY, thorough=True)
    # SQLite's triggers work row by row: an empty table has nothing to refuse.
    filled = [model for model in EVERY if model._base_manager.exists()]
    assert len(filled) > 20
    for model in filled:
        table, key = model._meta.db_table, model._meta.pk.column
        refused(f'UPDATE "{table}" SET "{key}" = "{key}" + 1000000')
        refused(f'DELETE FROM "{table}"')


@pytest.mark.skipif(ON_POSTGRESQL, reason="only SQLite has REPLACE")
def test_no_connection_replaces_a_row_of_any_table_on_the_list(cast):
    """Not even one that does not ask for recursive triggers, as other programs do: SQLite's default is off."""
    rows.fill()
    sealing.seal(at=MONDAY, thorough=True)
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA recursive_triggers = OFF")
        try:
            for model in triggers.append_only_models():
                table, key = model._meta.db_table, model._meta.pk.column
                for columns in triggers._unique(model):
                    replace_all_but(cursor, table, key, columns)
        finally:
            cursor.execute("PRAGMA recursive_triggers = ON")


def replace_all_but(cursor, table, key, columns):
    """REPLACE the first row with values in these columns by one with another key: refused, and the row stands."""
    cursor.execute(f'SELECT name FROM pragma_table_info("{table}")')
    names = [name for (name,) in cursor.fetchall()]
    if key in columns:
        taken = [f'"{name}"' for name in names]
    else:
        taken = [f'"{name}" + 1000000' if name == key else f'"{name}"' for name in names]
    filled = " AND ".join(f'"{name}" IS NOT NULL' for name in columns)
    one = f'FROM "{table}" WHERE {filled} ORDER BY "{key}" LIMIT 1'
    cursor.execute(f'SELECT "{key}" {one}')
    for (standing,) in cursor.fetchall():
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            cursor.execute(f'REPLACE INTO "{table}" SELECT {", ".join(taken)} {one}')
        cursor.execute(f'SELECT count(*) FROM "{table}" WHERE "{key}" = %s', [standing])
        assert cursor.fetchone() == (1,)


def test_what_stands_in_the_way_of_an_insert_that_is_left_out_keeps_nothing_back(cast, look):
    with doing(cast.nurse):
        again = AccessEntry(uid=look.uid, user=cast.nurse, kind=look.kind, subject="again")
        insert_many(AccessEntry, [again], ignore_conflicts=True)
        AccessEntry.objects.create(user=cast.nurse, kind=look.kind, subject="another")
        with pytest.raises(IntegrityError), transaction.atomic():
            AccessEntry.objects.create(uid=look.uid, user=cast.nurse, kind=look.kind, subject="again")
    assert list(AccessEntry.objects.values_list("subject", flat=True)) == ["person:1", "another"]


def test_every_key_of_the_tables_on_the_list_is_one_of_columns():
    """A key of expressions would need a line in what refuses SQLite's REPLACE."""
    for model in triggers.append_only_models():
        rules = [rule for rule in model._meta.constraints if isinstance(rule, models.UniqueConstraint)]
        assert all(rule.fields for rule in rules), model


@pytest.mark.skipif(not ON_POSTGRESQL, reason="SQLite has no TRUNCATE")
def test_each_table_refuses_truncate():
    for model in triggers.append_only_models():
        refused(f'TRUNCATE "{model._meta.db_table}" CASCADE')


def test_django_itself_cannot_rewrite_a_version(cast):
    version = cast.site.history.get()
    version.name = "Somewhere else"
    with pytest.raises(IntegrityError), transaction.atomic():
        version.save()
    with pytest.raises(IntegrityError), transaction.atomic():
        cast.site.history.update(name="Somewhere else")
    assert cast.site.history.get().name == "Saltmarsh General Hospital"


def test_django_itself_cannot_delete_a_version(cast):
    with pytest.raises(IntegrityError), transaction.atomic():
        cast.site.history.get().delete()
    with pytest.raises(IntegrityError), transaction.atomic():
        Site.history.all().delete()
    assert cast.site.history.count() == 1


def test_django_itself_cannot_rewrite_or_delete_a_row_that_is_written_once(look):
    with pytest.raises(IntegrityError), transaction.atomic():
        models.QuerySet.update(AccessEntry.objects.filter(pk=look.pk), subject="nothing")
    with pytest.raises(IntegrityError), transaction.atomic():
        models.Model.delete(look)
    assert AccessEntry.objects.get().subject == "person:1"


@pytest.mark.parametrize("model", [Check, Rung])
def test_a_planned_reading_and_its_reminders_may_be_withdrawn_once(model, follow_up):
    row = model.objects.first()
    with doing("task:tests"):
        assert mark_withdrawn(model.objects.filter(pk=row.pk), at=MONDAY) == 1
    table = model._meta.db_table
    refused(f'UPDATE "{table}" SET withdrawn_at = %s WHERE id = %s', MONDAY + timedelta(hours=1), row.pk)
    refused(f'UPDATE "{table}" SET withdrawn_at = NULL WHERE id = %s', row.pk)
    row.refresh_from_db()
    assert row.withdrawn_at == MONDAY


@pytest.mark.parametrize(("model", "column"), [(Check, "due_at"), (Rung, "at")])
def test_nothing_else_of_them_changes_under_cover_of_a_withdrawal(model, column, follow_up):
    row = model.objects.first()
    refused(
        f'UPDATE "{model._meta.db_table}" SET withdrawn_at = %s, "{column}" = %s WHERE id = %s',
        MONDAY,
        MONDAY,
        row.pk,
    )
    refused(f'UPDATE "{model._meta.db_table}" SET withdrawn_at = NULL WHERE id = %s', row.pk)


def test_an_account_with_a_history_can_be_deleted_and_its_history_stays(cast):
    with doing(cast.administrator, reason="made by mistake"):
        user = User.objects.create_user("short-lived", full_name="Nobody Yet")
        key = user.pk
        user.delete()
    kinds = User.history.filter(id=key).order_by("history_id").values_list("history_type", flat=True)
    assert list(kinds) == ["+", "-"]


def test_a_role_may_still_change_and_each_change_adds_a_version(cast):
    role = Role.objects.get(user=cast.nurse)
    role.until_at = MONDAY
    with doing(cast.administrator):
        role.save()
    assert role.history.count() == 2


@pytest.mark.django_db(transaction=True)
def test_a_transactional_test_leaves_rows_for_the_flush_to_take(look):
    assert triggers.standing() == triggers.expected()


@pytest.mark.django_db(transaction=True)
def test_after_a_flush_the_tables_are_empty_and_the_triggers_stand():
    assert not AccessEntry.objects.exists()
    assert triggers.standing() == triggers.expected()
