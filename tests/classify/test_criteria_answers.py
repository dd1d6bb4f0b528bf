"""What the engine gives back, and what it refuses, one behaviour at a time."""

import hashlib
import json
import subprocess
import sys
from decimal import Decimal
from fractions import Fraction
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from exposure.classify.criteria import Criteria, CriteriaError

FILE = """\
pathogen: example
version: 1
title: {en: Example, fr: Exemple}
tiers: [{code: none, label: None}, {code: some, label: Some}, {code: high, label: {en: High, fr: Haut}}]
facts:
  - {name: contact, ask: Q, answers: [{code: none, label: N}, {code: splash, label: S}, {code: needle, label: P}]}
  - {name: minutes, ask: Q, unit: min, cuts: [15, 60.5]}
  - {name: eyes, ask: Q, answers: [{code: covered, label: C}, {code: bare, label: B}]}
rules:
  - {id: R1, tier: some, when: {contact: [splash], minutes: {at_least: 15}}}
  - {id: R2, tier: high, when: {contact: [needle]}}
  - {id: R3, tier: high, when: {contact: [splash], eyes: [bare]}}
  - {id: R4, tier: some, when: {contact: [splash, needle]}}
otherwise: none
"""
NO_SPLASH_ON_BARE_EYES = "impossible: [{contact: [splash], eyes: [bare]}]\n"


@pytest.fixture
def criteria():
    return Criteria.parse(FILE)


def test_what_is_unknown_is_never_no(criteria):
    """Left out, None, or as a whole empty set: the same, and the ceiling stays."""
    for facts in ({}, {"contact": None}, {"contact": None, "minutes": None, "eyes": None}):
        verdict = criteria.classify(facts)
        assert (verdict.floor, verdict.ceiling, verdict.tier) == ("none", "high", None)
        assert verdict.rules == ()
        assert verdict.covered


def test_a_rule_whose_unknown_facts_cannot_matter_any_more_holds(criteria):
    verdict = criteria.classify({"contact": "needle"})
    assert (verdict.tier, verdict.rules, verdict.open_questions) == ("high", ("R2",), ())


def test_several_rules_of_the_floor_are_named_in_file_order(criteria):
    verdict = criteria.classify({"contact": "splash", "minutes": 20, "eyes": "covered"})
    assert (verdict.tier, verdict.rules) == ("some", ("R1", "R4"))


def test_an_impossible_combination_settles_what_is_left(criteria):
    assert criteria.classify({"contact": "splash"}).tier is None
    verdict = Criteria.parse(FILE + NO_SPLASH_ON_BARE_EYES).classify({"contact": "splash"})
    assert (verdict.tier, verdict.rules, verdict.open_questions) == ("some", ("R4",), ())


def test_only_the_questions_that_still_matter_are_open_most_decisive_first(criteria):
    assert criteria.classify({}).open_questions == ("contact", "eyes")
    assert criteria.classify({"contact": "splash"}).open_questions == ("eyes",)


def test_an_uncovered_answer_set_counts_as_the_highest_tier_and_says_so():
    criteria = Criteria.parse(FILE.replace("otherwise: none\n", ""))
    verdict = criteria.classify({"contact": "none"})
    assert (verdict.floor, verdict.ceiling, verdict.covered, verdict.rules) == ("high", "high", False, ())
    assert criteria.classify({"contact": "needle"}).covered


def test_an_accessor_of_a_measured_fact_is_its_cuts_and_unit(criteria):
    minutes = criteria.facts[1]
    assert (minutes.unit, minutes.cuts, minutes.answers) == ("min", (Decimal(15), Decimal("60.5")), ())
    assert criteria.rules[0].when["minutes"].at_least == 15
    assert criteria.rules[0].when["minutes"].below is None


def test_versions_with_other_tiers_are_not_compared(criteria):
    other = Criteria.parse(
        FILE.replace("code: none, label: None", "code: low, label: L").replace("otherwise: none", "")
    )
    with pytest.raises(CriteriaError, match="tiers differ"):
        criteria.compare(other)


def test_a_fact_that_only_one_version_knows_is_asked_of_that_one_alone(criteria):
    eyes = "  - {name: eyes, ask: Q, answers: [{code: covered, label: C}, {code: bare, label: B}]}\n"
    rule = "  - {id: R3, tier: high, when: {contact: [splash], eyes: [bare]}}\n"
    without = Criteria.parse(FILE.replace(eyes, "").replace(rule, ""))
    (change,) = criteria.compare(without)
    assert (change.before, change.after) == ("high", "some")
    assert change.share == Fraction(1, 6)  # a splash, one contact in three, on bare eyes, one in two
    assert change.witness["eyes"] == "bare"
    (back,) = without.compare(criteria)
    assert (back.before, back.after, back.share) == ("some", "high", change.share)


def test_a_version_compared_with_itself_changes_nothing(criteria):
    assert criteria.compare(criteria) == []


def test_columns_may_be_codes_numbers_or_byte_positions_and_a_missing_one_is_unknown(criteria):
    floors, ceilings = criteria.classify_many(
        {
            "contact": ["splash", "needle", None, "none"],
            "minutes": np.array([0, 1, 2, 255], np.uint8),
        }
    )
    assert floors.tolist() == [1, 2, 0, 0]
    assert ceilings.tolist() == [2, 2, 2, 0]
    assert np.issubdtype(floors.dtype, np.integer)


@pytest.mark.parametrize(
    ("columns", "path", "says"),
    [
        ({"contact": ["none"], "eyes": ["bare", "bare"]}, "contact", "1 rows where another has 2"),
        ({"contact": ["none", "spalsh"]}, "contact", "row 1: unknown answer 'spalsh'; did you mean 'splash'"),
        ({"contact": ["none", ["none"]]}, "contact", "row 1: unknown answer"),
        ({"minutes": [1, None, float("nan")]}, "minutes", "row 2: 'nan' must be a finite number"),
        ({"contact": np.array([0, 255, 3], np.uint8)}, "contact", "row 2: 3 is no position"),
        ({"hand": ["none"]}, "hand", "unknown fact 'hand'"),
    ],
)
def test_columns_that_cannot_be_classified_are_refused_with_the_row(criteria, columns, path, says):
    with pytest.raises(CriteriaError) as error:
        criteria.classify_many(columns)
    assert (error.value.line, error.value.path) == (None, path)
    assert says in error.value.message


def test_a_row_of_many_that_cannot_occur_is_refused_with_its_number_among_all_of_them():
    criteria = Criteria.parse(FILE + NO_SPLASH_ON_BARE_EYES)
    contact, eyes = np.zeros(200_000, np.uint8), np.full(200_000, 255, np.uint8)
    contact[150_001] = eyes[150_001] = 1
    with pytest.raises(CriteriaError, match=r"row 150001: .*contact, eyes cannot occur together"):
        criteria.classify_many({"contact": contact, "eyes": eyes})


def test_what_is_given_for_many_cases_cannot_be_written_over(criteria):
    for tiers in criteria.classify_many({"contact": ["splash", "none"]}):
        with pytest.raises(ValueError, match="read-only"):
            tiers[0] = 0


def test_a_verdict_says_itself(criteria):
    verdict = criteria.classify({"contact": "splash"})
    assert repr(verdict) == (
        f"Verdict({verdict.floor!r} to {verdict.ceiling!r}, covered={verdict.covered}, rules={verdict.rules})"
    )


def test_no_columns_and_no_rows_give_no_tiers(criteria):
    for columns in ({}, {"contact": []}, {"contact": np.array([], np.uint8)}):
        floors, ceilings = criteria.classify_many(columns)
        assert (len(floors), len(ceilings)) == (0, 0)


def test_compiled_is_plain_json_with_the_sha256_of_the_text(criteria):
    compiled = criteria.compiled()
    assert json.loads(json.dumps(compiled)) == compiled
    assert compiled["sha256"] == hashlib.sha256(FILE.encode()).hexdigest()
    assert compiled["bands"] == {"minutes": ["15", "60.5"]}
    assert [tier["code"] for tier in compiled["tiers"]] == ["none", "some", "high"]
    assert [fact["name"] for fact in compiled["facts"]] == ["contact", "minutes", "eyes"]
    for number, (level, *children) in enumerate(compiled["nodes"]):
        asked = compiled["facts"][compiled["order"][level]]
        cuts = compiled["bands"].get(asked["name"])
        assert len(children) == (len(cuts) + 1 if cuts else len(asked["answers"]))
        assert all(child < number for child in children)


def test_the_engine_needs_neither_django_nor_a_clock():
    code = (
        "import sys; sys.modules['django'] = None; import exposure.classify.criteria as c; "
        "assert not any(name.startswith('django.') for name in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[2])


FOUR = "".join(
    f"  - {{name: {name}, ask: Q, answers: [{{code: a, label: A}}, {{code: b, label: B}}]}}\n"
    for name in "pqrs"
)
ODD = [f"{{p: [{p}], q: [{q}], r: [{r}], s: [{s}]}}" for p, q, r, s in product("ab", repeat=4)
       if (p + q + r + s).count("b") % 2]  # fmt: skip
NO_ANSWER_ALONE_DECIDES = f"""\
pathogen: example
version: 1
title: Example
tiers: [{{code: none, label: None}}, {{code: high, label: High}}]
facts:
{FOUR}  - {{name: fixed, ask: Q, answers: [{{code: a, label: A}}, {{code: b, label: B}}]}}
rules:
  - {{id: R1, tier: high, when: {{p: [a], q: [a], r: [a], s: [a]}}}}
  - {{id: R2, tier: high, when: {{p: [b], q: [b], r: [b], s: [b]}}}}
otherwise: none
impossible: [{", ".join([*ODD, "{fixed: [b]}"])}]
"""


def test_where_no_single_answer_decides_all_questions_with_two_possible_answers_are_open():
    """Of four facts an even number is "b": two completions differ in two facts at least, and after any one answer both
    tiers are left. Nothing is asked whose answer is known already, be it given or the only possible one."""
    criteria = Criteria.parse(NO_ANSWER_ALONE_DECIDES)
    verdict = criteria.classify({})
    assert (verdict.floor, verdict.ceiling) == ("none", "high")
    assert verdict.open_questions == ("p", "q", "r", "s")
    assert criteria.classify({"p": "a", "q": "b"}).open_questions == ()


def test_a_plan_may_be_one_day_long_counted_from_both_ends():
    plan = "plan: {monitoring: self, window: {from_first: 5, to_last: 5}}"
    criteria = Criteria.parse(
        FILE.replace("{code: some, label: Some}", f"{{code: some, label: Some, {plan}}}")
    )
    window = criteria.tiers[1].plan.window
    assert (window.from_first, window.to_last) == (5, 5)
