"""Whoever owns the database can switch the triggers off and rewrite it. Each way to do so, in every table that is
sealed, is found by `verify` and named. The tables come from the models.
"""

import json
import re
from datetime import timedelta
from io import StringIO

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.test import override_settings

from config.seal_key import new_seal_key
from exposure import clock
from exposure.audit import heads, sealing, triggers
from exposure.audit.heads import Head
from exposure.audit.leaves import by_name, leaf_bytes, sources
from exposure.audit.merkle import leaf_hash
from exposure.audit.models import SealedBytes, SealEntry, SealHead
from exposure.audit.verification import Verification
from exposure.management.commands.verify import read_heads
from exposure.places.models import Site
from tests.audit.rows import add, fill
from tests.cast import MONDAY, assemble, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

ENTRIES, BYTES, HEADS = (model._meta.db_table for model in (SealEntry, SealedBytes, SealHead))
LATER = MONDAY + timedelta(days=1)
EVERY = {source.name for source in sources()}


@pytest.fixture(scope="module")
def whole(django_db_setup, django_db_blocker, tmp_path_factory):
    """Two rows or more in every table, sealed and signed over twice; then no trigger stands in the way."""
    folder = tmp_path_factory.mktemp("heads")
    with (
        django_db_blocker.unblock(),
        override_settings(SEAL_KEY=new_seal_key(), SEAL_HEADS_DIR=folder),
        transaction.atomic(),
    ):
        cast = assemble()
        fill()
        sealing.seal(at=MONDAY, thorough=True)
        rename(cast.site, "Saltmarsh General")
        sealing.seal(at=MONDAY + timedelta(hours=1), thorough=True)
        assert SealHead.objects.count() == 2
        assert found() == []
        triggers.remove()
        yield folder / heads.FILE
        transaction.set_rollback(True)


@pytest.fixture
def _django_db_helper(whole, django_db_blocker):
    """In place of pytest-django's: a test has a savepoint inside `whole`, not a transaction of its own."""
    lines = whole.read_bytes()
    with django_db_blocker.unblock(), transaction.atomic():
        yield
        transaction.set_rollback(True)
    whole.write_bytes(lines)


@pytest.fixture
def record(whole):
    """The file of heads; what a test does to it and to the database is undone."""
    return whole


def rename(site, name):
    with doing("command:tests"):
        site.name = name
        site.save()


def found(at=LATER, **more):
    """What is found where PostgreSQL compares, and where nothing but Python does: the same, in the same order."""
    findings = list(Verification(at=at, **more).findings())
    assert findings == list(Verification(at=at, thorough=True, **more).findings())
    return findings


def sql(statement, *parameters):
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)


def named(findings):
    """The tables and rows that are named: (table, row)."""
    every = [re.match(r"(?:Entry \d+ \()?([\w.]+) (\d+)", finding) for finding in findings]
    return {(match[1], int(match[2])) for match in every if match}


def last_rows():
    """The newest row of each source: name -> key."""
    return {
        source.name: source.rows().order_by("-pk").values_list("pk", flat=True)[0] for source in sources()
    }


def key_column(source):
    return source.model._meta.pk.column


def verify(monkeypatch, *options, at=LATER):
    monkeypatch.setattr(clock, "now", lambda: at)
    out = StringIO()
    call_command("verify", *options, stdout=out)
    return out.getvalue()


def kept(file):
    return list(read_heads(file))


# Rows.


def test_a_changed_row_is_named_in_every_table_with_the_field(record):
    for source in sources():
        column = "withdrawn_at" if source.is_withdrawal else "origin"
        value = MONDAY + timedelta(minutes=1) if source.is_withdrawal else "elsewhere"
        sql(
            f'UPDATE "{source.model._meta.db_table}" SET "{column}" = %s WHERE "{key_column(source)}" = %s',
            value,
            last_rows()[source.name],
        )
    findings = found()
    assert {name for name, _row in named(findings)} == EVERY
    for finding in findings:
        assert "the row's field " in finding
        assert re.search(r"field (origin|withdrawn_at) was changed", finding)


def test_every_column_of_every_table_is_sealed(record):
    """So a change of any of them is found: all that a table has stands in the bytes of its entries."""
    for source in sources():
        entry = SealEntry.objects.filter(model=source.name).first()
        fields = json.loads(bytes(entry.sealed.content))["fields"]
        columns = {field.attname for field in source.model._meta.concrete_fields}
        if source.is_withdrawal:
            assert set(fields) == {"withdrawn_at"}
        elif f"{source.name}.withdrawn" in by_name():
            assert set(fields) == columns - {"withdrawn_at"}
        else:
            assert set(fields) == columns


def test_a_deleted_row_is_named_in_every_table(record):
    gone = last_rows()
    for source in sources():
        sql(
            f'DELETE FROM "{source.model._meta.db_table}" WHERE "{key_column(source)}" = %s',
            gone[source.name],
        )
    findings = found()
    assert {(name, row) for name, row in gone.items()} <= named(findings)
    # A purge whose order has lost a signature is none, which is said beside.
    assert all("the row is gone" in one for one in findings if not one.startswith("The purge"))


def test_a_table_whose_tail_was_cut_off_is_named_from_its_first_missing_row(record):
    firsts = {source: source.rows().order_by("pk").values_list("pk", flat=True)[0] for source in sources()}
    for source, first in firsts.items():
        sql(f'DELETE FROM "{source.model._meta.db_table}" WHERE "{key_column(source)}" > %s', first)
    assert {name for name, _row in named(found())} == EVERY


def test_an_inserted_row_with_an_old_date_is_named_in_every_table_before_and_after_it_is_sealed(record):
    long_ago = MONDAY - timedelta(days=300)
    inserted = {(source.name, add(source, long_ago)) for source in sources()}
    before = found(at=MONDAY + timedelta(hours=1))
    assert inserted <= named(before)
    assert all("has no entry" in finding for finding in before)
    sealing.seal(at=LATER, thorough=True)
    after = found()
    assert inserted <= named(after)
    assert all("long after its own date" in finding for finding in after)
    assert found(late_until=sealing.size()) == []


def test_two_rows_that_were_exchanged_are_named_in_every_table(record):
    exchanged = set()
    for source in (source for source in sources() if not source.is_withdrawal):
        one, other = source.rows().order_by("-pk").values_list("pk", flat=True)[:2]
        table, key = source.model._meta.db_table, key_column(source)
        for before, after in ((one, -1), (other, one), (-1, other)):
            sql(f'UPDATE "{table}" SET "{key}" = %s WHERE "{key}" = %s', after, before)
        exchanged |= {(source.name, one), (source.name, other)}
    assert exchanged <= named(found())


def test_rows_put_back_in_another_order_are_named_in_every_table(record):
    """All of a table's keys turned round: the first becomes the last."""
    for source in (source for source in sources() if not source.is_withdrawal):
        table, key = source.model._meta.db_table, key_column(source)
        keys = list(source.rows().order_by("pk").values_list("pk", flat=True))
        sql(f'UPDATE "{table}" SET "{key}" = -"{key}"')
        for before, after in zip(keys, reversed(keys), strict=True):
            sql(f'UPDATE "{table}" SET "{key}" = %s WHERE "{key}" = %s', after, -before)
    assert {name for name, _row in named(found())} == EVERY


def test_a_clinician_s_signature_under_another_name_is_named(record):
    sql("UPDATE exposure_signature SET recorded_by = 'user:77'")
    assert all("signature" in finding and "recorded_by" in finding for finding in found())
    assert found()


def test_a_withdrawal_that_was_undone_is_named(record):
    sql("UPDATE exposure_check SET withdrawn_at = NULL")
    assert {name for name, _row in named(found())} == {"check.withdrawn"}


# Seals.


def seal_again(entry, **changes):
    """Bytes and hash of an entry made anew, so that they fit each other and the row."""
    fields = {**json.loads(bytes(entry.sealed.content))["fields"], **changes}
    content = leaf_bytes(by_name()[entry.model], entry.sequence, entry.row, fields)
    sql(f"UPDATE {BYTES} SET content = %s WHERE entry_id = %s", content, entry.sequence)
    sql(f"UPDATE {ENTRIES} SET leaf_hash = %s WHERE sequence = %s", leaf_hash(content), entry.sequence)


def test_a_row_rewritten_with_its_seal_breaks_the_signed_root(record):
    entry = SealEntry.objects.filter(model="historicalsite").first()
    sql("UPDATE exposure_historicalsite SET origin = 'elsewhere' WHERE history_id = %s", entry.row)
    seal_again(entry, origin="elsewhere")
    last = SealHead.objects.first().size - 1
    assert found() == [
        f"Entries 0 to {last} are not those that the head of {Head.of(SealHead.objects.first()).at} was signed over."
    ]


def test_only_the_stretch_between_two_heads_is_in_doubt(record):
    first, second = SealHead.objects.all()
    entry = SealEntry.objects.get(sequence=second.size - 1)
    sql("UPDATE exposure_historicalsite SET origin = 'elsewhere' WHERE history_id = %s", entry.row)
    seal_again(entry, origin="elsewhere")
    assert len(found()) == 1
    assert found()[0].startswith(f"Entries {first.size} to {second.size - 1} are not those")


def test_changed_bytes_are_named(record):
    sql(f"UPDATE {BYTES} SET content = %s WHERE entry_id = 3", b"{}")
    assert len(found()) == 1
    assert found()[0].startswith("Entry 3 (")
    assert "not those that were sealed" in found()[0]


def test_bytes_that_are_no_json_under_a_hash_that_fits_are_named(record):
    sql(f"UPDATE {BYTES} SET content = %s WHERE entry_id = 3", b"\xff")
    sql(f"UPDATE {ENTRIES} SET leaf_hash = %s WHERE sequence = 3", leaf_hash(b"\xff"))
    assert found()[0].startswith("Entry 3 (")
    assert len(found()) == 2


def test_lost_bytes_are_named(record):
    sql(f"DELETE FROM {BYTES} WHERE entry_id = 5")
    assert found()[0].startswith("Entry 5 (")
    assert "its bytes are gone" in found()[0]


def test_two_entries_that_were_exchanged_are_named(record):
    for table, column in ((BYTES, "entry_id"), (ENTRIES, "sequence")):
        for before, after in ((4, 10**9), (9, 4), (10**9, 9)):
            sql(f"UPDATE {table} SET {column} = %s WHERE {column} = %s", after, before)
    findings = found()
    assert findings[0].startswith("Entry 4 (")
    assert "sealed as entry 9" in findings[0]
    assert findings[1].startswith("Entry 9 (")
    assert "sealed as entry 4" in findings[1]


def test_an_entry_that_says_another_row_is_named(record):
    sql(f"UPDATE {ENTRIES} SET row = 10000000 WHERE sequence = 6")
    assert found()[0].startswith("Entry 6 (")
    assert "sealed as entry 6" in found()[0]


@pytest.mark.parametrize("sequence", [0, 7])
def test_a_missing_entry_is_named(record, sequence):
    sql(f"DELETE FROM {BYTES} WHERE entry_id = %s", sequence)
    sql(f"DELETE FROM {ENTRIES} WHERE sequence = %s", sequence)
    assert f"Entry {sequence} is missing: {sequence + 1} stands in its place." in found()


@pytest.mark.parametrize("sequence", [-5, 10**12])
def test_an_entry_outside_the_tree_is_named_and_ends_the_reading(record, sequence):
    sql(f"INSERT INTO {ENTRIES} VALUES (%s, 'told', 999999, %s)", sequence, bytes(32))
    assert any(f"{sequence} stands in its place." in finding for finding in found())


def test_a_tail_cut_off_all_seals_is_named_by_the_head_that_covers_it(record):
    size = sealing.size()
    for table, column in ((BYTES, "entry_id"), (ENTRIES, "sequence")):
        sql(f"DELETE FROM {table} WHERE {column} >= %s", size - 10)
    last = SealHead.objects.first().size - 1  # of the first head that covers what is gone
    assert any(one.startswith(f"Entry {size - 10} is missing, and so is all up to {last}") for one in found())


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("signature", bytes(64)), ("signature", b""), ("root", bytes(32)), ("size", 3), ("key", "00" * 32),
        ("key", "none"), ("at", MONDAY - timedelta(days=9)), ("next_key", "ab" * 32),
    ],
)  # fmt: skip
def test_a_changed_head_is_named(record, column, value):
    first = SealHead.objects.first()
    sql(f'UPDATE {HEADS} SET "{column}" = %s WHERE id = %s', value, first.pk)
    assert "is not signed by its key" in found()[0]


def test_heads_signed_anew_with_a_key_of_one_s_own_are_named(record):
    """The whole record rewritten and signed over, by somebody who has everything but the key."""
    entry = SealEntry.objects.filter(model="historicalsite").first()
    sql("UPDATE exposure_historicalsite SET origin = 'elsewhere' WHERE history_id = %s", entry.row)
    seal_again(entry, origin="elsewhere")
    sql(f"DELETE FROM {HEADS}")
    assert heads.sign(Ed25519PrivateKey.generate(), sealing.size(), at=MONDAY)
    assert found() == ["The newest head is signed by another key than the one in use here."]
    elsewhere = found(kept=kept(record))
    assert any("signed by a key that no head of the database has" in finding for finding in elsewhere)
    assert any(re.match(r"Entries 0 to \d+ are not those", finding) for finding in elsewhere)


def test_a_key_that_nobody_handed_over_to_is_named(record):
    intruder = Ed25519PrivateKey.generate()
    head = SealHead.objects.last()
    made = Head(head.size, bytes(head.root), Head.of(head).at, heads.public(intruder), "", b"")
    signature = intruder.sign(json.dumps(made.statement(), sort_keys=True, separators=(",", ":")).encode())
    sql(f"UPDATE {HEADS} SET key = %s, signature = %s WHERE id = %s", made.key, signature, head.pk)
    assert any("a key that nobody handed over to" in finding for finding in found())


# The database as it was before, and heads kept outside.


def put_back(size):
    """The seals and what they cover as they were at an earlier size."""
    for entry in list(SealEntry.objects.filter(sequence__gte=size)):
        source = by_name()[entry.model]
        sql(f'DELETE FROM "{source.model._meta.db_table}" WHERE "{key_column(source)}" = %s', entry.row)
        sql(f"DELETE FROM {BYTES} WHERE entry_id = %s", entry.sequence)
        sql(f"DELETE FROM {ENTRIES} WHERE sequence = %s", entry.sequence)
    sql(f"DELETE FROM {HEADS} WHERE size > %s", size)


def test_an_older_database_fits_itself_and_is_named_by_the_heads_kept_outside(record):
    first, second = SealHead.objects.all()
    put_back(first.size)
    assert found() == []
    findings = found(kept=kept(record))
    assert (
        findings[0]
        == f"heads.jsonl:2: the database has not the head of {Head.of(second).at} over {second.size} entries."
    )
    assert findings[1].startswith(f"Entry {first.size} is missing, and so is all up to {second.size - 1}")


def test_an_older_database_that_went_on_is_named_too(record):
    first, second = SealHead.objects.all()
    put_back(first.size)
    rename(Site.objects.first(), "Another history")
    sealing.seal(at=MONDAY + timedelta(hours=2), thorough=True)
    findings = found(kept=kept(record))
    assert any(f"Entries {first.size} to {second.size - 1} are not those" in finding for finding in findings)


def test_verify_reads_the_file_of_heads_by_itself_and_exits_with_one_clear_line(record, monkeypatch):
    put_back(SealHead.objects.first().size)
    with pytest.raises(
        CommandError, match=r"things do not fit\. First: heads\.jsonl:2: the database has not"
    ):
        verify(monkeypatch)


def test_a_head_of_another_record_is_named(record, monkeypatch, tmp_path):
    stranger, file = Ed25519PrivateKey.generate(), tmp_path / "other.jsonl"
    made = Head(1, bytes(32), "2026-01-01T00:00:00.000000Z", heads.public(stranger), "", b"")
    signature = stranger.sign(json.dumps(made.statement(), sort_keys=True, separators=(",", ":")).encode())
    file.write_text(json.dumps({**made.as_json(), "signature": signature.hex()}) + "\n")
    with pytest.raises(
        CommandError, match=r"other\.jsonl:1: signed by a key that no head of the database has"
    ):
        verify(monkeypatch, "--head", str(file))


def test_a_kept_head_that_was_changed_is_named(record, monkeypatch, tmp_path):
    line = json.loads(record.read_text().splitlines()[0])
    file = tmp_path / "kept.jsonl"
    file.write_text(json.dumps({**line, "size": line["size"] - 1}) + "\n")
    with pytest.raises(CommandError, match=r"First: kept\.jsonl:1: this head is not signed by its key"):
        verify(monkeypatch, "--head", str(file))


@pytest.mark.parametrize("text", ["nonsense", "[]", "{}", '{"size": "1"}', '{"size": true}', "\n"])
def test_a_file_without_heads_is_refused_by_line(record, monkeypatch, tmp_path, text):
    file = tmp_path / "kept.jsonl"
    file.write_text(text)
    with pytest.raises(CommandError, match=r"kept\.jsonl:1: This is no head of a seal"):
        verify(monkeypatch, "--head", str(file))


def test_a_file_that_is_not_there_is_refused(record, monkeypatch):
    with pytest.raises(CommandError, match="No such file"):
        verify(monkeypatch, "--head", "nowhere.jsonl")
