"""An upgrade keeps every row, append-only ones too, and leaves the tables as they are guarded."""

import pytest
from django.core.management import call_command
from django.db import DatabaseError, connection, transaction

from exposure.audit import triggers
from exposure.followup.models import UnplacedReading
from tests.cast import MONDAY
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = [pytest.mark.database, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def first_release(cast):
    """A database of the first release, with a story in it: reports, exposures, readings, one of them unplaced."""
    follow_up_told_and_confirmed(cast)
    log(cast, at=MONDAY + hours(10))
    log(cast, at=MONDAY + hours(11), temperature="101.5")
    assert UnplacedReading.objects.exists()
    call_command("migrate", "exposure", "0001", verbosity=0)
    yield
    call_command(
        "migrate", "exposure", verbosity=0
    )  # also where the test has failed: others go on with this database


def columns():
    """Table -> its columns."""
    with connection.cursor() as cursor:
        tables = [
            name for name in connection.introspection.table_names(cursor) if name.startswith("exposure_")
        ]
        return {
            table: [column.name for column in connection.introspection.get_table_description(cursor, table)]
            for table in tables
        }


def rows(of):
    """Table -> its rows in those columns, by primary key."""
    with connection.cursor() as cursor:
        found = {}
        for table, names in of.items():
            cursor.execute(
                f"SELECT {', '.join(map(connection.ops.quote_name, names))} FROM {table} ORDER BY 1"
            )
            found[table] = cursor.fetchall()
        return found


def refused(statement):
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    except DatabaseError as error:
        return "append-only" in str(error)
    return False


APPEND_ONLY = ("exposure_historicalexposure", "exposure_historicalfollowupstate", "exposure_unplacedreading")


def test_from_the_first_release_on_every_row_is_kept_and_what_was_append_only_stays_so(first_release):
    before = columns()
    kept = rows(before)
    assert all(kept[table] for table in ("exposure_exposure", "exposure_fill", *APPEND_ONLY))
    assert all(refused(f"DELETE FROM {table}") for table in APPEND_ONLY)
    call_command("migrate", "exposure", verbosity=0)
    after = rows(before)
    assert all(row in after[table] for table, standing in kept.items() for row in standing)
    assert "told_due_at" not in before["exposure_exposure"]
    assert "told_due_at" in columns()["exposure_exposure"]
    assert triggers.standing() >= triggers.expected()
    for table in APPEND_ONLY:
        assert refused(f"DELETE FROM {table}")
        assert refused(f"UPDATE {table} SET origin = ''")
