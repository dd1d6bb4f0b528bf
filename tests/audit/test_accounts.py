"""The application's own database account, signed in for real: what it may not do, and that the whole story runs."""

import os
from io import StringIO

import psycopg
import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import ProgrammingError, connection, transaction
from django.db.migrations.recorder import MigrationRecorder
from psycopg.errors import InsufficientPrivilege

from exposure import checks
from exposure.audit import accounts, sealing, triggers
from exposure.audit.models import SealEntry
from exposure.audit.rights import LIBRARY, Rights, differences, rights
from exposure.people.models import Worker
from exposure.record import REMOVABLE
from tests import test_story
from tests.cast import MONDAY

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has no accounts"),
]

APPLICATION, READER = f"application_{os.getpid()}", f"reader's {os.getpid()}"
PASSWORD = "for these tests: ' \" % {}"


@pytest.fixture(scope="module")
def granted(django_db_setup, django_db_blocker):
    """Both accounts with their rights, committed; gone afterwards."""
    with django_db_blocker.unblock():
        account = accounts.Account
        recorder = MigrationRecorder(connection)
        recorder.ensure_schema()  # the tests' tables come straight from the models
        accounts.grant(account(APPLICATION, PASSWORD), account(READER, PASSWORD))
        yield
        with connection.cursor() as cursor:
            cursor.execute("DROP TABLE django_migrations")
            for name in (APPLICATION, READER):
                cursor.execute(f'DROP OWNED BY "{name}"')
                cursor.execute(f'DROP ROLE "{name}"')


def signed_in(name):
    wanted = connection.get_connection_params()
    given = {key: wanted[key] for key in ("host", "port", "dbname") if key in wanted}
    return psycopg.connect(**given, user=name, password=PASSWORD, autocommit=True)


GUARDED = {model._meta.db_table: model._meta.pk.column for model in triggers.append_only_models()}
WORKER, HISTORY = Worker._meta.db_table, Worker.history.model._meta.db_table
REFUSED = [
    *(f"UPDATE {table} SET {key} = {key}" for table, key in GUARDED.items()),
    *(f"{verb} {table}" for table in GUARDED for verb in ("DELETE FROM", "TRUNCATE")),
    f"TRUNCATE {WORKER} CASCADE",
    f"DELETE FROM {WORKER}",
    f"UPDATE {WORKER} SET id = 1",
    *(
        statement.format(table)
        for table in (HISTORY, WORKER, SealEntry._meta.db_table)
        for statement in (
            "ALTER TABLE {} DISABLE TRIGGER ALL",
            "ALTER TABLE {} DROP COLUMN id",
            "ALTER TABLE {} ENABLE ROW LEVEL SECURITY",
            "ALTER TABLE {} OWNER TO CURRENT_USER",
            "DROP TABLE {} CASCADE",
            "CREATE TRIGGER mine BEFORE INSERT ON {} EXECUTE FUNCTION exposure_refuse()",
            "CREATE RULE mine AS ON INSERT TO {} DO INSTEAD NOTHING",
            "LOCK TABLE {} IN ACCESS EXCLUSIVE MODE",
            "COPY {} TO '/dev/null'",
            "COPY {} FROM '/dev/null'",
            "COPY {} FROM PROGRAM 'true'",
        )
    ),
    f"DROP TRIGGER {HISTORY}_no_update ON {HISTORY}",
    "DROP FUNCTION exposure_refuse() CASCADE",
    "ALTER FUNCTION exposure_refuse() OWNER TO CURRENT_USER",
    "CREATE OR REPLACE FUNCTION exposure_refuse() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'",
    "CREATE FUNCTION mine() RETURNS int LANGUAGE sql AS 'SELECT 1'",
    "CREATE FUNCTION pg_temp.mine() RETURNS int LANGUAGE sql AS 'SELECT 1'",
    "CREATE TABLE mine (id int)",
    "CREATE TEMPORARY TABLE mine (id int)",
    "CREATE SCHEMA mine",
    "COPY django_migrations FROM STDIN",
    "SET session_replication_role = replica",
    "SELECT set_config('session_replication_role', 'replica', false)",
    "DO $$ BEGIN SET session_replication_role = replica; END $$",
    f"DO $$ BEGIN EXECUTE 'ALTER TABLE {HISTORY} DISABLE TRIGGER ALL'; END $$",
    "SELECT pg_read_file('PG_VERSION')",
    "SELECT lo_import('/etc/hostname')",
    f"UPDATE pg_trigger SET tgenabled = 'D' WHERE tgrelid = '{HISTORY}'::regclass",
    "INSERT INTO django_migrations (app, name, applied) VALUES ('exposure', '9999', now())",
    "CREATE ROLE mine",
    "ALTER SYSTEM SET session_replication_role = replica",
]


@pytest.mark.usefixtures("granted")
def test_the_applications_account_switches_nothing_off_and_rewrites_nothing():
    done = []
    with signed_in(APPLICATION) as server:
        for statement in REFUSED:
            try:
                alone = statement.startswith("ALTER SYSTEM")  # no transaction takes it
                server.execute(statement if alone else f"BEGIN; {statement}")
                done.append(statement)
            except InsufficientPrivilege:
                pass
            except psycopg.Error as error:
                done.append(f"{statement}: {error}")
            server.execute("ROLLBACK")
    assert not done


@pytest.mark.usefixtures("granted")
def test_it_becomes_no_other_role():
    with signed_in(APPLICATION) as server:
        owner = connection.get_connection_params().get("user", "postgres")
        for other in (owner, READER, "pg_write_all_data", "pg_execute_server_program"):
            with pytest.raises(psycopg.Error):
                server.execute(f'SET ROLE "{other}"')
        server.execute("RESET ROLE")
        assert server.execute("SELECT current_user, session_user").fetchone() == (APPLICATION, APPLICATION)


@pytest.mark.usefixtures("granted")
def test_the_reader_reads_everything_and_writes_nothing():
    with signed_in(READER) as server:
        for table in rights():
            server.execute(f'SELECT count(*) FROM "{table}"')
        server.execute("SET default_transaction_read_only = off")
        for statement in (
            f"INSERT INTO {HISTORY} DEFAULT VALUES",
            f"UPDATE {WORKER} SET name = ''",
            *REFUSED[:4],
        ):
            with pytest.raises(InsufficientPrivilege):
                server.execute(statement)


@pytest.fixture
def as_application(granted, cast):
    """The test's own connection goes on as the application's account."""
    with connection.cursor() as cursor:
        cursor.execute(f'SET SESSION AUTHORIZATION "{APPLICATION}"')
        yield cast
        cursor.execute("RESET SESSION AUTHORIZATION")


def test_the_whole_story_runs_under_it(as_application):
    test_story.test_a_breach_walks_from_the_station_to_a_signed_clearance(as_application)
    assert sealing.seal(at=MONDAY, thorough=True).entries == sealing.size() > 500


def test_its_rights_are_the_table_neither_more_nor_less(as_application):
    assert differences(accounts.held(), rights()) == ([], [])
    assert accounts.power() == ""
    assert checks.database_account(None, databases=["default"]) == []
    with pytest.raises(ProgrammingError), transaction.atomic():
        triggers.install()


def test_w005_says_when_the_owner_or_a_superuser_runs_the_service(granted):
    [warning] = checks.database_account(None, databases=["default"])
    assert warning.id == "exposure.W005"
    assert "superuser" in warning.msg
    assert checks.database_account(None) == [], "without a database nothing is asked of it"


def test_w006_says_what_was_not_granted_after_a_migrate(granted, as_application):
    with connection.cursor() as cursor:
        cursor.execute("RESET SESSION AUTHORIZATION")
        cursor.execute(f'REVOKE INSERT ON {HISTORY} FROM "{APPLICATION}"')
        cursor.execute(f'GRANT UPDATE (name) ON {HISTORY} TO "{APPLICATION}"')
        cursor.execute(f'SET SESSION AUTHORIZATION "{APPLICATION}"')
    messages = {message.id: message.msg for message in checks.database_account(None, databases=["default"])}
    assert f"add to {HISTORY}" in messages["exposure.W006"]
    assert f"change {HISTORY}.name" in messages["exposure.W005"]


@pytest.mark.usefixtures("granted")
def test_granting_again_takes_back_whatever_was_given_beside_the_table():
    with connection.cursor() as cursor:
        cursor.execute(f'GRANT ALL ON {HISTORY} TO "{APPLICATION}"')
        cursor.execute(f"GRANT UPDATE ON {HISTORY} TO PUBLIC")
        call_command("grant", application=APPLICATION, reader=READER, stdout=StringIO())
        cursor.execute(f'SET LOCAL ROLE "{APPLICATION}"')
    assert differences(accounts.held(), rights()) == ([], [])


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        ("ALTER ROLE {} SUPERUSER", "superuser"),
        ("ALTER ROLE {} CREATEROLE", "may make roles"),
        ("GRANT pg_write_all_data TO {}", "is a member"),
        ("ALTER TABLE exposure_heartbeat OWNER TO {}", "owns"),
    ],
)
def test_an_account_that_could_do_more_is_refused(granted, spoil, words):
    with connection.cursor() as cursor:
        cursor.execute(spoil.format(f'"{APPLICATION}"'))
    with pytest.raises(CommandError, match=words):
        call_command("grant", application=APPLICATION)


def test_an_account_that_is_missing_is_made_only_with_a_password(settings):
    settings.APPLICATION_PASSWORD = ""
    with pytest.raises(CommandError, match="no account nobody_yet"):
        call_command("grant", application="nobody_yet")
    with pytest.raises(CommandError, match="two accounts"):
        call_command("grant", application="same", reader="same")


def test_the_table_lets_nothing_that_was_written_once_change():
    table = rights()
    for model in triggers.append_only_models():
        allowed = table[model._meta.db_table]
        assert not allowed.delete
        assert allowed.insert is (model.__name__ != "Purge"), "what went says its owner alone"
        assert allowed.update <= {"withdrawn_at"}
    taken = {name for name, allowed in table.items() if allowed.delete}
    ours = {model._meta.db_table: model.__name__ for model in apps.get_app_config("exposure").get_models()}
    assert {ours[name] for name in taken if name in ours} == REMOVABLE | {"Planned", "ReportDraft"}


def test_a_table_that_nobody_has_decided_about_gets_no_rights(monkeypatch):
    monkeypatch.delitem(LIBRARY, "sessions.Session")
    with pytest.raises(LookupError, match=r"sessions\.Session has no line"):
        rights()


def test_differences_are_named():
    held = {"a": Rights(insert=True, update=frozenset({"x"}))}
    assert differences(held, {"a": Rights(delete=True), "b": Rights()}) == (
        ["add to a", "change a.x"],
        ["delete from a", "read b"],
    )
