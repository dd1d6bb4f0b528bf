"""An exported record, checked by the one file that needs no service: run by itself, without Django in reach."""

import json
import subprocess
import sys
from io import StringIO
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.core.management import CommandError, call_command

from config.seal_key import new_seal_key
from exposure.audit import heads, sealing, verify_record
from exposure.audit.models import AccessEntry, SealEntry
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = [pytest.mark.database, pytest.mark.django_db]

SCRIPT = Path(verify_record.__file__)


@pytest.fixture
def exported(cast, settings, tmp_path, standing_clock):
    """Wim's record, exported by the auditor. Returns (record as JSON, the public key, the file)."""
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR = new_seal_key(), tmp_path / "heads"
    follow_up_told_and_confirmed(cast)
    log(cast, at=MONDAY + hours(1), temperature="38.9")
    sealing.seal(at=MONDAY + hours(1), thorough=True)
    standing_clock(MONDAY + hours(2))
    file = tmp_path / "record.json"
    call_command("export_record", "SG-1042", str(file), by="auditor", stdout=StringIO())
    return json.loads(file.read_text()), heads.public(heads.own_key()), file


def check(record, key, **more):
    return verify_record.check(record, trusted=key, **more)


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-I", str(SCRIPT), *map(str, arguments)], capture_output=True, text=True, check=False
    )


def test_the_script_alone_says_that_the_record_holds(exported, settings):
    record, key, file = exported
    for trust in (("--key", key), ("--heads", settings.SEAL_HEADS_DIR / heads.FILE)):
        done = run(file, *trust)
        assert done.returncode == 0, done.stderr
        assert done.stdout == (
            f"All {len(record['entries'])} entries were in the record of {record['head']['size']} "
            "that was signed at 2026-03-02T10:00:00.000000Z.\n"
        )


def test_it_needs_the_standard_library_and_one_package():
    imported = {line.split()[1].split(".")[0] for line in SCRIPT.read_text().splitlines()
                if line.startswith(("import ", "from "))}  # fmt: skip
    assert imported - sys.stdlib_module_names == {"cryptography"}


def test_what_belongs_to_the_worker_is_in_it_and_what_auditors_are_not_shown_is_not(exported, cast):
    contents = [json.loads(entry["content"]) for entry in exported[0]["entries"]]
    kinds = {content["model"] for content in contents}
    assert {"historicalworker", "historicalbreach", "reading", "historicalfollowup", "check"} <= kinds
    assert "historicalprivatenote" not in kinds
    assert {row["row"] for row in contents if row["model"] == "historicalworker"} == set(
        cast.worker.history.values_list("pk", flat=True)
    )
    look = AccessEntry.objects.get(subject=f"export:{cast.worker.uid}")
    assert (look.user, look.about) == (cast.auditor, cast.worker.uid)


def test_the_file_is_its_owner_s_and_is_never_written_over(exported):
    file = exported[2]
    assert file.stat().st_mode & 0o777 == 0o600
    with pytest.raises(CommandError, match="cannot be written: File exists"):
        call_command("export_record", "SG-1042", str(file), by="auditor")


@pytest.mark.parametrize(("worker", "by"), [
    ("SG-1042", "nurse"), ("SG-1042", "observer"), ("SG-1042", "worker"), ("SG-1042", "administrator"),
    ("SG-1042", "nobody"), ("SG-9", "auditor"), ("x" * 300, "auditor"),
])  # fmt: skip
def test_only_an_auditor_exports_and_only_who_is_there(exported, tmp_path, worker, by):
    with pytest.raises(CommandError):
        call_command("export_record", worker, str(tmp_path / "other.json"), by=by)
    assert not (tmp_path / "other.json").exists()


def test_without_a_head_there_is_nothing_to_prove(cast, tmp_path, standing_clock):
    standing_clock(MONDAY)
    with pytest.raises(CommandError, match="No head is signed yet"):
        call_command("export_record", "SG-1042", str(tmp_path / "other.json"), by="auditor")


# What must be refused.


def refused(record, key, **more):
    with pytest.raises(verify_record.Refused) as refusal:
        check(record, key, **more)
    return str(refusal.value)


def test_any_changed_byte_proof_or_number_of_any_entry_is_refused(exported):
    record, key, _file = exported
    for entry in record["entries"][::7]:
        for name, value in (
            ("content", entry["content"].replace("tests", "texts", 1)),
            ("content", entry["content"] + " "),
            ("sequence", entry["sequence"] + 1),
            ("sequence", -1),
            ("sequence", record["head"]["size"]),
            ("proof", entry["proof"][:-1]),
            ("proof", [*entry["proof"], "00" * 32]),
            ("proof", entry["proof"][::-1]),
            ("proof", []),
        ):
            if entry[name] != value:
                said = refused({**record, "entries": [{**entry, name: value}]}, key)
                assert said.startswith(f"entry {value if name == 'sequence' else entry['sequence']}: ")


@pytest.mark.parametrize(("name", "value"), [
    ("size", 3), ("size", 10**6), ("root", "00" * 32), ("at", "2026-03-02T09:00:00.000000Z"), ("key", "00" * 32),
    ("key", "none"), ("next_key", "11" * 32), ("signature", "00" * 64), ("signature", ""), ("signature", "x"),
])  # fmt: skip
def test_any_change_of_the_head_is_refused(exported, name, value):
    record, key, _file = exported
    assert "not signed" in refused({**record, "head": {**record["head"], name: value}}, key)


def test_another_s_key_is_refused(exported):
    record, _key, _file = exported
    assert "not handed over" in refused(record, heads.public(Ed25519PrivateKey.generate()))
    assert "not handed over" in refused(record, "")


def test_an_entry_twice_is_refused(exported):
    record, key, _file = exported
    assert "twice" in refused({**record, "entries": record["entries"][:1] * 2}, key)


def test_a_head_that_others_have_kept_otherwise_is_refused(exported):
    record, key, _file = exported
    head = record["head"]
    assert check(record, key, kept=[head])
    signer = heads.own_key()
    for changes, words in (({"root": "00" * 32}, "another root"), ({"size": 10**6}, "not among those")):
        other = {**head, **changes}
        statement = json.dumps(
            {name: other[name] for name in verify_record.SIGNED}, separators=(",", ":")
        ).encode()
        other["signature"] = signer.sign(statement).hex()
        assert words in refused(record, key, kept=[other])
    assert "not signed" in refused(record, key, kept=[{**head, "signature": "00" * 64}])


def test_a_key_that_was_handed_over_to_is_trusted_and_a_forged_hand_over_is_not(
    cast, settings, tmp_path, exported, standing_clock
):
    _record, key, _file = exported
    new = tmp_path / "new.pem"
    new.write_text(new_seal_key())
    call_command("seal", "--rotate", "--to", str(new), stdout=StringIO())
    settings.SEAL_KEY = new.read_text()
    with doing(cast.administrator, at=MONDAY + hours(3)):
        cast.worker.name = "Wim Alder-Rowan"
        cast.worker.save()
    sealing.seal(at=MONDAY + hours(3), thorough=True)
    file = tmp_path / "second.json"
    call_command("export_record", "SG-1042", str(file), by="auditor", stdout=StringIO())
    record = json.loads(file.read_text())
    assert record["head"]["key"] == heads.public(heads.read_key(new.read_text()))
    assert run(file, "--key", key).returncode == 0
    assert "not handed over" in refused({**record, "hand_overs": []}, key)
    [hand_over] = record["hand_overs"]
    forged = {**hand_over, "signature": "00" * 64}
    assert "not signed" in refused({**record, "hand_overs": [forged]}, key)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"head": 3}', "\x00", '{"head": {}, "entries": []}'])
def test_a_file_that_is_no_record_is_refused_with_one_line(tmp_path, text):
    file = tmp_path / "record.json"
    file.write_text(text)
    done = run(file, "--key", "00" * 32)
    assert done.returncode == 2
    assert done.stderr.startswith("REFUSED: ")
    assert len(done.stderr.splitlines()) == 1


def test_the_script_exits_with_one_line_where_something_does_not_hold(exported, tmp_path):
    record, key, _file = exported
    record["entries"][0]["content"] += " "
    file = tmp_path / "changed.json"
    file.write_text(json.dumps(record))
    done = run(file, "--key", key)
    assert done.returncode == 1
    assert (
        done.stderr
        == f"REFUSED: entry {record['entries'][0]['sequence']}: its bytes are not those that were sealed.\n"
    )
    assert SealEntry.objects.exists()
    assert run(tmp_path / "none.json", "--key", key).returncode == 2
    assert run(file).returncode == 2, "what is trusted must be named"
