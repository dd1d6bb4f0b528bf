"""The comparison in PostgreSQL: it doubts nothing that is whole, and nobody who owns the database talks it round."""

from datetime import timedelta

import pytest
from django.db import connection

from exposure.audit import comparing, sealing, triggers
from exposure.audit.comparing import Lateness
from exposure.audit.models import SealEntry
from exposure.audit.verification import Verification
from exposure.people.models import Worker
from tests.audit.rows import fill
from tests.cast import MONDAY, assemble, doing

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "postgresql", reason="on SQLite all is compared in Python"),
]
LATER = MONDAY + timedelta(days=1)


@pytest.fixture
def cast(db):
    """Rows in every table, sealed; then no trigger stands in the way."""
    cast = assemble()
    fill()
    with doing(cast.nurse):
        cast.worker.name = "Ash \"\\ \t\x01\x7f/ é \u2028 𝄞 '; --"
        cast.worker.save()
    sealing.seal(at=MONDAY, thorough=True)
    triggers.remove()
    return cast


def sql(statement, *parameters):
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)


def doubtful(*, late_until=0):
    return comparing.doubtful(sealing.size(), Lateness([], [], late_until))


def found():
    findings = list(Verification(at=LATER).findings())
    assert findings == list(Verification(at=LATER, thorough=True).findings())
    return findings


def entries_of(name):
    return set(SealEntry.objects.filter(model=name).values_list("sequence", flat=True))


def test_what_is_whole_is_in_no_doubt_in_any_table(cast):
    assert sealing.size() > 130
    assert doubtful() == set()


def test_nobody_s_own_operators_and_functions_answer(cast):
    """Found first by whoever asks without a schema: each of them says that all is alike."""
    sql("""
        CREATE SCHEMA planted;
        CREATE FUNCTION planted.alike(bytea, bytea) RETURNS boolean LANGUAGE sql IMMUTABLE AS 'SELECT true';
        CREATE FUNCTION planted.alike(jsonb, jsonb) RETURNS boolean LANGUAGE sql IMMUTABLE AS 'SELECT true';
        CREATE OPERATOR planted.= (FUNCTION = planted.alike, LEFTARG = bytea, RIGHTARG = bytea);
        CREATE OPERATOR planted.= (FUNCTION = planted.alike, LEFTARG = jsonb, RIGHTARG = jsonb);
        CREATE FUNCTION planted.to_json(varchar) RETURNS json LANGUAGE sql IMMUTABLE AS 'SELECT ''"user:3"''::json';
        SET LOCAL search_path = planted, pg_catalog, public;
    """)
    with connection.cursor() as cursor:
        cursor.execute("SELECT 'a'::bytea = 'b'::bytea")
        assert cursor.fetchone() == (True,), "planted well"
    assert doubtful() == set()
    sql("UPDATE exposure_historicalworker SET origin = 'elsewhere' WHERE id = %s", cast.worker.pk)
    rows = Worker.history.filter(id=cast.worker.pk).values_list("history_id", flat=True)
    assert len(found()) == len(rows) >= 2
    with connection.cursor() as cursor:
        cursor.execute("SHOW search_path")
        assert cursor.fetchone() == ("planted, pg_catalog, public",), "as it was found"


def test_a_column_of_somebody_s_own_type_is_left_to_python(cast):
    sql("CREATE DOMAIN own_words AS varchar(200)")
    sql("ALTER TABLE exposure_historicalsite ALTER COLUMN origin TYPE own_words")
    assert doubtful() == entries_of("historicalsite")
    assert found() == []


@pytest.mark.parametrize("instant", ["{} BC", "infinity", "-infinity", "12026-03-02 09:00+00"])
def test_an_instant_that_only_the_database_knows_is_no_leaf_s(cast, instant):
    """The same digits before the year 1; what has no digits; more digits than a leaf has."""
    sql(
        "UPDATE exposure_historicalworker SET history_date ="
        " replace(%s, '{}', to_char(history_date AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI:SS.US+00'))::timestamptz",
        instant,
    )
    assert doubtful() == entries_of("historicalworker")


@pytest.mark.parametrize("instant", ["infinity", "-infinity"])
def test_an_instant_where_none_was_sealed_is_seen(cast, instant):
    entries = entries_of("historicalhold")
    sql("UPDATE exposure_historicalhold SET lifted_at = %s", instant)
    assert entries
    assert doubtful() == entries


def test_columns_added_and_dropped_since_leave_no_doubt(cast):
    sql("ALTER TABLE exposure_historicalsite ADD COLUMN added_since integer NOT NULL DEFAULT 3")
    sql("ALTER TABLE exposure_historicalworker ALTER COLUMN phone TYPE text")
    assert doubtful() == set()
    for model, other in (("historicalsite", '"gone_since":1,'), ("historicalworker", "")):
        sql(
            "UPDATE exposure_sealedbytes b SET content = convert_to(regexp_replace(replace(convert_from("
            "content, 'UTF8'), '{\"fields\":{', '{\"fields\":{' || %s), '\"history_type\":\"[^\"]\",', ''),"
            " 'UTF8') FROM exposure_sealentry e WHERE e.sequence = b.entry_id AND e.model = %s",
            other,
            model,
        )
    assert doubtful() == set(), "over the fields that both name"
    sql("UPDATE exposure_historicalsite SET origin = 'elsewhere'")
    assert doubtful() == entries_of("historicalsite")


def test_bytes_that_are_no_json_leave_their_table_to_python(cast):
    one = min(entries_of("historicalsite"))
    sql("UPDATE exposure_sealedbytes SET content = %s WHERE entry_id = %s", b'{"fields": "\xff', one)
    assert doubtful() == entries_of("historicalsite")
    assert [finding.split(" (")[0] for finding in found()] == [f"Entry {one}"]
