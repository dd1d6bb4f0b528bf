"""Every criteria file shipped in fixtures/criteria, run against its file of published cases.

A case gives facts and the tier (or floor and ceiling, where an answer is unknown) that the guidance puts them in,
with the reason and the id of the source in the criteria file. Whether a row was seen or is from memory stands there.
"""

from functools import cache
from pathlib import Path

import pytest
import yaml

from exposure.classify.criteria import Criteria

FOLDER = Path(__file__).parents[2] / "fixtures" / "criteria"
NAMES = sorted(path.stem for path in FOLDER.glob("*.yaml"))

every_file = pytest.mark.parametrize("name", NAMES)


@cache
def criteria_of(name):
    return Criteria.parse((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))


@cache
def cases_of(name):
    return yaml.safe_load((FOLDER / "cases" / f"{name}.yaml").read_text(encoding="utf-8"))


def every_case():
    for name in NAMES:
        for case in cases_of(name):
            facts = ", ".join(f"{fact} {answer}" for fact, answer in case["facts"].items())
            yield pytest.param(name, case, id=f"{name}: {facts or 'nothing known'}")


@pytest.mark.parametrize(("name", "case"), every_case())
def test_a_published_case_falls_where_the_guidance_puts_it(name, case):
    verdict = criteria_of(name).classify(case["facts"])
    expected = (case.get("floor", case.get("tier")), case.get("ceiling", case.get("tier")))
    assert (verdict.floor, verdict.ceiling) == expected, case["because"]


@every_file
def test_a_case_gives_its_reason_and_a_source_of_the_file(name):
    sources = {source.id for source in criteria_of(name).sources}
    assert [case for case in cases_of(name) if not case["because"] or case["source"] not in sources] == []


@every_file
def test_every_rule_decides_a_case(name):
    criteria = criteria_of(name)
    deciding = {rule for case in cases_of(name) for rule in criteria.classify(case["facts"]).rules}
    assert {rule.id for rule in criteria.rules} <= deciding


@every_file
def test_every_tier_is_the_answer_to_a_case(name):
    settled = {case.get("tier") for case in cases_of(name)}
    assert {tier.code for tier in criteria_of(name).tiers} <= settled


@every_file
def test_a_report_that_says_nothing_leaves_the_highest_tier_open(name):
    criteria = criteria_of(name)
    assert criteria.classify({}).ceiling == criteria.tiers[-1].code


@every_file
def test_the_file_is_named_after_pathogen_and_version(name):
    criteria = criteria_of(name)
    assert name == f"{criteria.pathogen}-{criteria.version}"


@every_file
def test_nothing_that_approval_needs_is_missing(name):
    assert criteria_of(name).lacking() == ()


@every_file
def test_a_file_has_no_finding_but_those_it_accepts(name):
    assert [finding for finding in criteria_of(name).findings() if not finding.accepted] == []


@every_file
def test_a_rule_from_memory_says_so_in_its_words(name):
    """A physician ticks these one by one; the words must not look more certain than the mark."""
    unmarked = [rule for rule in criteria_of(name).rules if rule.seen == ("from memory" in rule.because)]
    assert [rule.id for rule in unmarked] == []


def test_the_worked_exchange_of_the_interface_leaves_one_question():
    verdict = criteria_of("ebola-2023.1").classify({"contact": "splash"})
    assert (verdict.floor, verdict.ceiling, verdict.tier) == ("none", "high", None)
    assert (verdict.rules, verdict.open_questions) == ((), ("skin",))


@pytest.mark.parametrize(
    ("pathogen", "days"), [("ebola", 21), ("marburg", 21), ("lassa", 21), ("sahf", 21), ("cchf", 14)]
)
def test_a_haemorrhagic_fever_is_followed_for_its_published_days(pathogen, days):
    # Interim guidance, Ebola or Marburg virus exposure, CDC, 2023: 21 days; Crimean-Congo 14 (seen).
    plan = criteria_of(f"{pathogen}-2023.1").tiers[-1].plan
    assert plan.days == days
    assert {restriction.days for restriction in plan.restrictions} == {days}
