"""The engine against plain enumeration of every answer set (tests/classify/oracle.py), on random small files."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from exposure.classify.criteria import Criteria, CriteriaError
from tests.classify import oracle
from tests.classify.documents import answers, documents, values, written

cases = documents().flatmap(lambda document: st.tuples(st.just(document), answers(document)))


@given(cases)
def test_floor_ceiling_tier_and_cover_are_those_of_every_completion(case):
    document, (facts, known) = case
    criteria, expected = Criteria.parse(written(document)), oracle.bounds(document, known)
    if expected is None:
        with pytest.raises(CriteriaError) as refused:
            criteria.classify(facts)
        assert refused.value.line is None
        assert refused.value.path in known
        return
    verdict, codes = criteria.classify(facts), oracle.tiers(document)
    assert (verdict.floor, verdict.ceiling) == (codes[expected[0]], codes[expected[1]])
    assert verdict.tier == (verdict.floor if verdict.floor == verdict.ceiling else None)
    assert verdict.covered == oracle.covered(document, known)


@given(cases)
def test_the_rules_of_a_verdict_hold_in_every_completion_and_carry_the_floor(case):
    document, (facts, known) = case
    if oracle.bounds(document, known):
        verdict = Criteria.parse(written(document)).classify(facts)
        assert list(verdict.rules) == oracle.holding(document, known)


@given(cases)
def test_open_questions_are_the_facts_that_still_matter_most_decisive_first(case):
    document, (facts, known) = case
    if oracle.bounds(document, known):
        verdict = Criteria.parse(written(document)).classify(facts)
        assert list(verdict.open_questions) == oracle.open_questions(document, known)


@given(documents())
def test_findings_are_exactly_those_of_enumeration(document):
    found = Criteria.parse(written(document)).findings()
    assert {(one.kind, one.about) for one in found} == oracle.findings(document)
    assert len(found) == len({(one.kind, one.about) for one in found})


@given(documents())
def test_every_witness_shows_what_its_finding_says(document):
    criteria = Criteria.parse(written(document))
    rules = {rule["id"]: rule for rule in document["rules"]}
    codes = oracle.tiers(document)

    def completion(facts):
        assert criteria.classify(facts).tier is not None
        return tuple(oracle.position(fact, facts[fact["name"]]) for fact in document["facts"])

    for finding in criteria.findings():
        assert not finding.accepted
        if finding.kind != "gap":
            assert f"'{finding.about}'" in finding.message
        if finding.kind == "gap":
            assert oracle.outcome(document, completion(finding.witness)) == (len(codes) - 1, False)
        elif finding.kind == "redundant":
            rule, at = rules[finding.about], completion(finding.witness)
            assert oracle.matches(document, rule["when"], at)
            assert codes[oracle.outcome(document, at)[0]] == rule["tier"]
        elif finding.kind == "not_monotone":
            earlier, later = map(completion, finding.witness)
            differing = [place for place, (a, b) in enumerate(zip(earlier, later, strict=True)) if a != b]
            assert [document["facts"][place]["name"] for place in differing] == [finding.about]
            assert earlier < later
            assert oracle.outcome(document, earlier)[0] > oracle.outcome(document, later)[0]
        else:
            assert finding.witness is None


@given(st.integers(1, 4).flatmap(lambda n: st.tuples(*[documents(3, ("a", "b", "c", "d")[:n])] * 2)))
def test_compare_counts_every_change_with_its_exact_share_and_a_witness(pair):
    one, other = pair
    kinds = [{fact["name"]: fact for fact in document["facts"]} for document in pair]
    shared = kinds[0].keys() & kinds[1].keys()
    before, after = (Criteria.parse(written(document)) for document in pair)
    if any(not _answered_alike(kinds[0][name], kinds[1][name]) for name in shared):
        with pytest.raises(CriteriaError):
            before.compare(after)
        return
    found = before.compare(after)
    assert {(change.before, change.after): change.share for change in found} == oracle.changes(one, other)
    for change in found:
        for document, criteria, tier in ((one, before, change.before), (other, after, change.after)):
            facts = {fact["name"]: change.witness[fact["name"]] for fact in document["facts"]}
            assert criteria.classify(facts).tier == tier


def _answered_alike(one, other):
    if "cuts" in one or "cuts" in other:
        return "cuts" in one and "cuts" in other
    return bool(
        {answer["code"] for answer in one["answers"]} & {answer["code"] for answer in other["answers"]}
    )


tables = documents().flatmap(
    lambda document: st.tuples(st.just(document), st.lists(answers(document), max_size=8))
)


@given(tables, st.booleans())
def test_classify_many_gives_row_by_row_what_classify_gives(table, as_positions):
    document, rows = table
    criteria = Criteria.parse(written(document))
    rows = [facts for facts, known in rows if oracle.bounds(document, known)]
    columns = {}
    for fact in document["facts"]:
        column = [facts.get(fact["name"]) for facts in rows]
        if any(value is not None for value in column):
            columns[fact["name"]] = _positions(fact, column) if as_positions else column
    floors, ceilings = criteria.classify_many(columns)
    verdicts = [criteria.classify(facts) for facts in rows] if columns else []
    codes = oracle.tiers(document)
    assert [codes[at] for at in floors] == [verdict.floor for verdict in verdicts]
    assert [codes[at] for at in ceilings] == [verdict.ceiling for verdict in verdicts]


def _positions(fact, column):
    return np.array([255 if value is None else oracle.position(fact, value) for value in column], np.uint8)


@given(tables)
def test_classify_many_names_the_first_row_that_classify_refuses(table):
    document, rows = table
    criteria = Criteria.parse(written(document))
    refused = [at for at, (_, known) in enumerate(rows) if not oracle.bounds(document, known)]
    if refused:
        names = [fact["name"] for fact in document["facts"]]
        columns = {name: [facts.get(name) for facts, _ in rows] for name in names}
        with pytest.raises(CriteriaError, match=rf"row {refused[0]}: .* cannot occur together"):
            criteria.classify_many(columns)


@given(documents().flatmap(lambda d: st.tuples(st.just(d), st.tuples(*[values(f) for f in d["facts"]]))))
def test_an_answer_set_that_is_complete_is_settled_or_refused(case):
    document, chosen = case
    facts = {fact["name"]: value for fact, value in zip(document["facts"], chosen, strict=True)}
    at = tuple(oracle.position(fact, facts[fact["name"]]) for fact in document["facts"])
    criteria = Criteria.parse(written(document))
    if oracle.possible(document, at):
        assert criteria.classify(facts).tier == oracle.tiers(document)[oracle.outcome(document, at)[0]]
    else:
        with pytest.raises(CriteriaError, match="cannot occur together"):
            criteria.classify(facts)
