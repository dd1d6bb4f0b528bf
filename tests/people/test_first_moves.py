"""The moves of a tester that no other test makes, and that every test named in the table exists."""

import re
from datetime import timedelta
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from exposure.report.models import Breach
from tests.cast import MONDAY, doing
from tests.people.matrix import client_of
from tests.processes import ROOT
from tests.walk import report

HERE = Path(__file__)
SCRIPT, FORMULA = "<script>alert(1)</script>", '=HYPERLINK("https://elsewhere.test","x")'


def test_every_move_has_a_proof_that_is_there():
    rows = [
        line.strip("| ").split(" | ") for line in (HERE.parent / "first_moves.md").read_text().splitlines()
    ]
    moves = [row for row in rows if row[0] in ("station", "phone", "desk")]
    assert {row[0] for row in moves} == {"station", "phone", "desk"}
    assert len({tuple(row[:2]) for row in moves}) == len(moves)
    for _at, move, proof in moves:
        named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", proof)
        assert named or "note" in proof or "**not met**" in proof, move
        for path, function in named:
            assert not function or f"def {function}(" in (ROOT / path).read_text(), (move, function)
            assert (ROOT / path).exists(), path


def test_no_page_of_a_station_stores_anything():
    """OWASP ASVS 5.0, 14.3.3. What a worker's own phone keeps, and how: tests/browser/test_offline.py."""
    scripts = ROOT / "exposure" / "web" / "static" / "js"
    stored = re.compile(r"localStorage|sessionStorage|indexedDB|caches\.")
    used = {path.name for path in scripts.glob("*.js") if stored.search(path.read_text())}
    templates = (ROOT / "exposure" / "web" / "templates").rglob("*.html")
    shared = "".join(path.read_text() for path in templates if path.parent.name != "worker")
    modules = {word for words in re.findall(r'data-module="([^"{]+)"', shared) for word in words.split()}
    assert "session" in modules
    assert not {f"{module}.js" for module in modules} & used


@pytest.mark.django_db
@pytest.mark.parametrize(
    "sent",
    [
        {"tier": "none"}, {"treated_as": "none"}, {"site": "NG"}, {"reported_at": "2020-01-01T00:00:00Z"},
        {"reported_by": 1}, {"confirmed_at": "2026-03-01T00:00:00Z"}, {"withdrawn_at": "2026-03-01T00:00:00Z"},
        {"reference": "AAAA-AAAA"}, {"flags": []}, {"uid": "0"},
    ],
)  # fmt: skip
def test_what_a_report_sends_along_decides_nothing(cast, sent):
    plain, loaded = report(cast).breach, report(cast, **sent).breach
    for field in ("site_id", "reported_by_id", "reported_at", "confirmed_at", "withdrawn_at"):
        assert getattr(loaded, field) == getattr(plain, field), field
    assert loaded.assessments.last().treated_as == plain.assessments.last().treated_as
    [name] = sent
    assert f"unknown_key:{name}" in loaded.flags
    assert loaded.body[name] == sent[name], "what was sent is kept as sent"


@pytest.mark.django_db
def test_what_somebody_wrote_is_shown_as_text(cast, standing_clock):
    standing_clock(MONDAY)
    breach = report(cast, narrative=SCRIPT + FORMULA).breach
    page = client_of(cast, "nurse").get(reverse("breach", args=[breach.uid])).content.decode()
    assert "alert(1)" in page
    assert SCRIPT not in page
    assert "HYPERLINK" in page
    assert 'href="https://elsewhere.test"' not in page


@pytest.mark.django_db
@pytest.mark.parametrize(
    "query",
    ["site=NG", "site__code=NG", "worker__site=2", "ordering=worker__name", "cause=fever&site=2", "page=-1"],
)
@pytest.mark.parametrize("name", ["needs_action", "monitoring", "reports", "cases", "handovers"])
def test_a_filter_of_another_site_widens_nothing(cast, standing_clock, name, query):
    standing_clock(MONDAY + timedelta(hours=1))
    report(cast)
    client = client_of(cast, "outsider")
    answer = client.get(f"{reverse(name)}?{query}", follow=True)
    assert answer.status_code in (200, 404)
    assert cast.worker.name not in answer.content.decode()


@pytest.mark.django_db
def test_a_role_that_ends_ends_at_the_next_request(cast, standing_clock):
    standing_clock(MONDAY)
    breach = report(cast).breach
    client = Client()
    client.force_login(cast.nurse)
    address = reverse("breach", args=[breach.uid])
    assert client.get(address).status_code == 200
    with doing("command:tests"):
        for role in cast.nurse.roles.all():
            role.until_at = MONDAY
            role.save()
    assert client.get(address).status_code == 404
    assert client.get(reverse("needs_action")).status_code == 403
    assert Breach.objects.filter(uid=breach.uid).exists()
