"""The seals over the API: heads and proofs, for auditors alone."""

from datetime import timedelta

import pytest

from config.seal_key import new_seal_key
from exposure.audit import merkle, sealing
from exposure.audit.heads import Head
from exposure.audit.models import AccessEntry, SealEntry, SealHead
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

OTHERS = ("observer", "worker", "nurse", "physician", "lead", "administrator", "outsider")


@pytest.fixture
def sealed(cast, settings, tmp_path):
    """Two heads; returns their sizes."""
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR = new_seal_key(), tmp_path
    sealing.seal(at=MONDAY - timedelta(hours=1), thorough=True)
    with doing(cast.administrator):
        cast.site.name = "Saltmarsh General"
        cast.site.save()
    sealing.seal(at=MONDAY, thorough=True)
    return list(SealHead.objects.values_list("size", flat=True))


def hashes(proof):
    return [bytes.fromhex(step) for step in proof]


def test_heads_come_newest_first_as_they_were_signed_in_pages(sealed, calls):
    first = calls("auditor").get("seals/", page_size=1).json()
    [newest] = first["results"]
    assert newest == Head.of(SealHead.objects.last()).as_json()
    [oldest] = calls("auditor").get(first["next"]).json()["results"]
    assert Head.read(str(oldest).replace("'", '"')).is_signed()
    assert oldest["size"] == sealed[0]


def test_a_look_at_the_heads_is_noted(sealed, calls, cast):
    calls("auditor").get("seals/")
    assert AccessEntry.objects.get(user=cast.auditor, kind="list").subject == "API /api/v1/seals/?"


def test_the_newer_head_is_proved_to_continue_the_older(sealed, calls):
    got = calls("auditor").get("seals/consistency/", old_size=sealed[0], size=sealed[1]).json()
    roots = [bytes(head.root) for head in SealHead.objects.order_by("pk")]
    assert hashes([got["old_root"], got["root"]]) == roots
    assert merkle.verify_consistency(*sealed, *roots, hashes(got["proof"]))


@pytest.mark.parametrize("sequence", [0, 1, 17])
def test_an_entry_is_proved_to_be_under_either_head(sealed, calls, sequence):
    leaf = bytes(SealEntry.objects.get(sequence=sequence).leaf_hash)
    for size, parameters in ((sealed[1], {}), (sealed[0], {"size": sealed[0]})):
        got = calls("auditor").get(f"seals/entries/{sequence}/", **parameters).json()
        root = bytes(SealHead.objects.get(size=size).root)
        assert (got["size"], hashes([got["leaf_hash"], got["root"]])) == (size, [leaf, root])
        assert merkle.verify_inclusion(leaf, sequence, size, hashes(got["proof"]), root)


@pytest.mark.parametrize("who", OTHERS)
@pytest.mark.parametrize(
    "path", ["seals/", "seals/consistency/", "seals/entries/0/", "seals/entries/999999/"]
)
def test_to_everybody_else_there_is_nothing_whatever_they_send(sealed, calls, who, path):
    answer = calls(who).get(path, size="nonsense")
    assert answer.status_code == 404
    assert "nonsense" not in answer.content.decode()


@pytest.mark.parametrize(("path", "parameters", "status"), [
    ("seals/consistency/", {}, 400),
    ("seals/consistency/", {"old_size": 5, "size": 4}, 400),
    ("seals/consistency/", {"old_size": -1, "size": 4}, 400),
    ("seals/consistency/", {"old_size": 1, "size": 10**9}, 400),
    ("seals/consistency/", {"old_size": 1, "size": "x"}, 400),
    ("seals/consistency/", {"old_size": 1, "size": 10**40}, 400),
    ("seals/entries/3/", {"size": 3}, 400),
    ("seals/entries/3/", {"size": 0}, 400),
    ("seals/entries/3/", {"size": 10**9}, 400),
    ("seals/entries/999999/", {}, 404),
    (f"seals/entries/{10**40}/", {}, 404),
    ("seals/", {"cursor": "x"}, 400),
])  # fmt: skip
def test_what_cannot_be_proved_is_refused(sealed, calls, path, parameters, status):
    answer = calls("auditor").get(path, **parameters)
    assert answer.status_code == status
    if status == 400:
        assert answer.json()["errors"][0]["parameter"] in {"old_size", "size", "cursor"}


def test_before_the_first_head_there_is_nothing_to_prove(calls):
    assert calls("auditor").get("seals/").json()["results"] == []
    assert calls("auditor").get("seals/entries/0/").status_code == 404
    assert calls("auditor").get("seals/consistency/", old_size=0, size=0).json()["proof"] == []
