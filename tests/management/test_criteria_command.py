"""`manage.py criteria check FILE` says what is wrong with a file, in words that name the questions."""

from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

PUBLISHED = sorted((Path(__file__).parents[2] / "fixtures" / "criteria").glob("*.yaml"))

FILE = """\
pathogen: example
version: 1
title: Example
tiers: [{code: none, label: No risk}, {code: high, label: High risk}]
facts:
  - {name: contact, ask: "What touched the worker?", worse: up, answers: [
      {code: none, label: Nothing}, {code: splash, label: A splash}, {code: needle, label: A needle}]}
  - {name: minutes, ask: "How long?", unit: min, cuts: [15, 60]}
rules:
  - {id: R1, tier: high, when: {contact: [splash], minutes: {at_least: 15, below: 60}}}
  - {id: R2, tier: none, when: {contact: [needle]}}
  - {id: R3, tier: none, when: {contact: [none, splash]}}
"""


def check(tmp_path, content):
    path = tmp_path / "criteria.yaml"
    path.write_text(content, encoding="utf-8")
    out = StringIO()
    call_command("criteria", "check", str(path), stdout=out, skip_checks=False)
    return out.getvalue()


def test_a_finding_is_printed_with_an_example_of_questions_and_answers(tmp_path):
    said = check(tmp_path, FILE)
    assert "example 1: 2 tiers, 2 facts, 3 rules" in said
    assert "not_monotone: fact 'contact'" in said
    assert "What touched the worker? A splash; How long? 15 to below 60 min: High risk" in said
    assert "What touched the worker? A needle; How long? 15 to below 60 min: No risk" in said


def test_a_gap_is_shown_by_answers_that_nothing_covers(tmp_path):
    said = check(tmp_path, FILE.replace("contact: [none, splash]", "contact: [none]"))
    assert "gap: no rule holds" in said
    assert "What touched the worker? A splash; How long? below 15 min\n" in said


def test_a_file_without_findings_says_so_and_what_approval_still_needs(tmp_path):
    said = check(tmp_path, FILE.replace("worse: up, ", ""))
    assert "Nothing found" in said
    assert "Approval still needs: sources" in said


@pytest.mark.parametrize(
    "content", [FILE.replace("contact: [needle]", "contact: [nedle]"), "", "a: [", "\x00"]
)
def test_a_malformed_file_ends_in_one_clear_line_with_its_line_number(tmp_path, content):
    with pytest.raises(CommandError) as error:
        check(tmp_path, content)
    assert "line " in str(error.value)
    assert "\n" not in str(error.value)


def test_a_file_that_is_not_there_or_not_text_ends_in_one_clear_line(tmp_path):
    with pytest.raises(CommandError, match="nowhere"):
        call_command("criteria", "check", str(tmp_path / "nowhere.yaml"))
    (tmp_path / "bytes.yaml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CommandError, match="bytes"):
        call_command("criteria", "check", str(tmp_path / "bytes.yaml"))


@pytest.mark.parametrize("path", PUBLISHED, ids=lambda path: path.stem)
def test_the_published_criteria_have_no_finding_that_forbids_approval(path):
    out = StringIO()
    call_command("criteria", "check", str(path), stdout=out, skip_checks=False)
    assert "gap:" not in out.getvalue()
    assert "Approval still needs" not in out.getvalue()


@pytest.mark.parametrize(
    ("answer", "warned"),
    [
        ("{code: stick, label: A needle went through the glove}", True),
        ("{code: sharp, label: An accident}", True),
        ("{code: a, label: Splash in the eyes}", True),
        ("{code: a, label: It met a mucous membrane}", True),
        ("{code: broken_skin, label: On damaged skin}", True),
        ("{code: a, label: A cut}", True),
        ("{code: a, label: No eye protection and a splash in the mouth}", True),
        ("{code: eyes, label: Eye protection}", False),  # what was missing, not what was reached
        ("{code: a, label: Whole skin}", False),
        ('{code: a, label: "No, neither eyes nor mouth"}', False),
        ("{code: a, label: Executed as planned}", False),
    ],
)
def test_an_answer_that_names_a_way_into_the_blood_and_is_not_marked_is_warned_of(tmp_path, answer, warned):
    said = check(
        tmp_path, FILE.replace("{code: needle, label: A needle}", answer).replace("[needle]", "[splash]")
    )
    assert ("names a way into the blood" in said) == warned
    for mark in ("bloodborne", "through_skin"):
        marked = answer[:-1] + f", {mark}: true}}"
        assert "Warning" not in check(
            tmp_path, FILE.replace("{code: needle, label: A needle}", marked).replace("[needle]", "[splash]")
        )


def test_a_question_that_names_a_way_in_is_warned_of_unless_an_answer_of_it_is_marked(tmp_path):
    old = "cuts: [15, 60]}"
    asked = f'{old}\n  - {{name: stuck, ask: "Did a sharp pierce the skin?", answers: [{{code: no, label: No}}, YES]}}'
    plain, marked = "{code: yes, label: Yes}", "{code: yes, label: Yes, bloodborne: true}"
    said = check(tmp_path, FILE.replace(old, asked.replace("YES", plain)))
    assert "“Did a sharp pierce the skin?” names a way into the blood, and no answer is marked" in said
    assert "no answer is marked" not in check(tmp_path, FILE.replace(old, asked.replace("YES", marked)))


@pytest.mark.parametrize("path", PUBLISHED, ids=lambda path: path.stem)
def test_the_published_criteria_mark_every_way_into_the_blood(path):
    out = StringIO()
    call_command("criteria", "check", str(path), stdout=out, skip_checks=False)
    replaced = path.stem == "bloodborne-2025.1"  # immutable; 2025.2 marks broken skin and mucosa too
    assert ("Warning" in out.getvalue()) == replaced
