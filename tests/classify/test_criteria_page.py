"""The page's own classification (JavaScript, run by node) against the server's, on random partial answers."""

import json
import os
import random
import shutil
import subprocess
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exposure.classify.criteria import Criteria, CriteriaError
from tests.classify.documents import documents, written

ROOT = Path(__file__).parents[2]
PUBLISHED = sorted((ROOT / "fixtures" / "criteria").glob("*.yaml"))


def node(lines):
    """What the page's module says, per line of {compiled, cases}."""
    return node_running("tests/classify/classify_with_node.mjs", lines)


def node_running(script, lines):
    """What a script of ours writes, a line of JSON for each line that it is given."""
    program = shutil.which("node")
    if program is None:
        message = "node is not installed, so the page's own modules were NOT compared with the server's"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    ran = subprocess.run(
        [program, ROOT / script],
        input="\n".join(map(json.dumps, lines)),
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    return [json.loads(line) for line in ran.stdout.splitlines()]


def server(criteria, facts):
    try:
        verdict = criteria.classify(facts)
    except CriteriaError:
        return "refused"
    return {
        "floor": verdict.floor,
        "ceiling": verdict.ceiling,
        "tier": verdict.tier,
        "covered": verdict.covered,
        "open_questions": list(verdict.open_questions),
    }


def page(verdict):
    return "refused" if "refused" in verdict else verdict


def partial(criteria, chance):
    """Random answers: a fact is left out or None as often as it is answered. One in twenty begins with what the file
    calls impossible, so that both are asked what cannot occur."""
    facts = _impossible(criteria, chance) if criteria.table.impossible and chance.random() < 0.05 else {}
    for fact in criteria.facts:
        kind = chance.random()
        if kind < 0.4 and fact.name not in facts:
            facts[fact.name] = (
                None if kind < 0.1 else _number(fact, chance) if fact.cuts else _code(fact, chance)
            )
    return facts


def _impossible(criteria, chance):
    """An answer to each fact that one of the impossible combinations names."""
    named = [(criteria.facts[place], sets) for place, sets in chance.choice(criteria.table.impossible)]
    return {
        fact.name: _as_sent(fact.value(chance.choice([at for at in range(fact.size) if sets >> at & 1])))
        for fact, sets in named
    }


def _as_sent(value):
    return float(value) if isinstance(value, Decimal) else value


def _code(fact, chance):
    return chance.choice(fact.answers).code


def _number(fact, chance):
    cut = float(chance.choice(fact.cuts))
    return chance.choice((cut, cut - 1e-9, cut + 0.1, round(cut * 2 * chance.random(), 2), int(cut)))


def assert_same(criteria, cases):
    (verdicts,) = node([{"compiled": criteria.compiled(), "cases": cases}])
    for facts, said in zip(cases, verdicts, strict=True):
        assert page(said) == server(criteria, facts), facts


def test_the_page_says_what_the_server_says_of_100_000_random_answer_sets_of_the_published_criteria():
    """Floor, ceiling, tier, cover and the open questions in their order; one process of node for all of them."""
    asked = []
    for path in PUBLISHED:
        criteria, chance = Criteria.parse(path.read_text(encoding="utf-8")), random.Random(path.stem)
        asked.append((criteria, [partial(criteria, chance) for _ in range(-(-100_000 // len(PUBLISHED)))]))
    said = node([{"compiled": criteria.compiled(), "cases": cases} for criteria, cases in asked])
    measured, refused, compared = 0, 0, 0
    for (criteria, cases), verdicts in zip(asked, said, strict=True):
        for facts, verdict in zip(cases, verdicts, strict=True):
            assert page(verdict) == server(criteria, facts), (criteria.pathogen, criteria.version, facts)
            measured += any(isinstance(answer, int | float) for answer in facts.values())
            refused += "refused" in verdict
            compared += 1
    assert compared >= 100_000
    assert measured > 1_000
    assert refused > 1_000


@settings(max_examples=30, deadline=None)
@given(documents(), st.integers(0, 2**32))
def test_the_page_classifies_any_criteria_as_the_server_does(document, seed):
    criteria, chance = Criteria.parse(written(document)), random.Random(seed)
    assert_same(criteria, [partial(criteria, chance) for _ in range(1_000)])


def test_the_page_refuses_what_the_server_refuses():
    criteria = Criteria.parse(PUBLISHED[0].read_text(encoding="utf-8"))
    first = criteria.facts[0].name
    cases = [{"stranger": "x"}, {first: "no such answer"}, {first: True}, {first: [1]}]
    (verdicts,) = node([{"compiled": criteria.compiled(), "cases": cases}])
    assert all("refused" in verdict for verdict in verdicts)
    assert [server(criteria, facts) for facts in cases] == ["refused"] * 4
