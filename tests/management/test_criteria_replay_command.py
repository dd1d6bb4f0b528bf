"""`manage.py criteria replay FILE` says whom a file would move, and moves nobody."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from exposure.classify.models import Assessment, Replay
from tests.classify.milder import MILDER, confirm, report

pytestmark = pytest.mark.database


def replay(tmp_path, *options, content=MILDER):
    path = tmp_path / "milder.yaml"
    path.write_text(content, encoding="utf-8")
    out = StringIO()
    call_command("criteria", "replay", str(path), *options, stdout=out)
    return out.getvalue()


def test_it_names_the_reports_that_would_move_and_stores_nothing(cast, tmp_path):
    breach = report(cast)
    confirm(cast, breach)
    before = Assessment.objects.count()
    said = replay(tmp_path)
    assert "ebola 2026.1: 1 past reports, 1 would move." in said
    assert "1 from “High-risk exposure” to “No identified high-risk exposure”: no rule holds" in said
    assert breach.reference in said
    assert (Assessment.objects.count(), Replay.objects.count()) == (before, 0)


def test_it_looks_at_the_named_site_only(cast, tmp_path):
    report(cast)
    assert "0 past reports, 0 would move." in replay(tmp_path, "--site", "fenwick")


def test_an_unknown_site_ends_in_one_clear_line(cast, tmp_path):
    with pytest.raises(CommandError, match="nowhere"):
        replay(tmp_path, "--site", "nowhere")


def test_a_malformed_file_ends_in_one_clear_line_with_its_line_number(cast, tmp_path):
    with pytest.raises(CommandError, match="line 1"):
        replay(tmp_path, content="a: [")
