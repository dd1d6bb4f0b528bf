"""How little and how much a criteria file may say: both sides of every limit, each refusal at the place it concerns."""

import re

import pytest

from exposure.classify.criteria import Criteria, CriteriaError
from exposure.classify.diagram import UNKNOWN
from exposure.classify.table import MOST_ANSWERS
from tests.classify.test_criteria_file import FILE


@pytest.mark.parametrize(
    ("name", "least"),
    [("min_hours", 0), ("reducer_hours", 0), ("symptom_count", 1), ("silence_hours", 1), ("next_look_hours", 1)],
)  # fmt: skip
def test_the_least_whole_number_of_a_profile_is_taken_and_one_less_is_not(name, least):
    def with_value(value):
        changed, count = re.subn(rf"(?m)^  {name}: \d+$", f"  {name}: {value}", FILE)
        assert count == 1
        return changed

    assert getattr(Criteria.parse(with_value(least)).profile, name) == least
    with pytest.raises(CriteriaError) as refused:
        Criteria.parse(with_value(least - 1))
    assert refused.value.path == f"profile.{name}"


def with_answers(count):
    answers = "".join(f"      - {{code: a{number}, label: A}}\n" for number in range(count - 2))
    return FILE.replace("    answers:\n", "    answers:\n" + answers)


def with_facts(count):
    facts = "".join(
        f"  - {{name: f{number}, ask: F, answers: [{{code: 'n', label: N}}, {{code: 'y', label: Y}}]}}\n"
        for number in range(count - 2)
    )
    return FILE.replace("facts:\n", "facts:\n" + facts)


def with_rules(count):
    rules = "".join(
        f"  - {{id: X{number}, tier: high, when: {{contact: [12:30]}}, because: B, source: guide}}\n"
        for number in range(count - 1)
    )
    return FILE.replace("rules:\n", "rules:\n" + rules)


def with_cuts(count):
    """The two that the file has, and more above them."""
    more = "".join(f", {minutes}" for minutes in range(61, 59 + count))
    return FILE.replace("cuts: [15, 60.5]", f"cuts: [15, 60.5{more}]")


@pytest.mark.parametrize(
    ("made", "most", "at", "held"),
    [
        (with_answers, 254, "facts", lambda criteria: len(criteria.facts[0].answers)),
        (with_cuts, 253, "facts[1].cuts", lambda criteria: len(criteria.facts[1].cuts)),
        (with_facts, 60, "facts", lambda criteria: len(criteria.facts)),
        (with_rules, 400, "rules", lambda criteria: len(criteria.rules)),
    ],
    ids=["answers", "cuts", "facts", "rules"],
)
def test_the_most_of_it_is_taken_and_one_more_is_not(made, most, at, held):
    assert held(Criteria.parse(made(most))) == most
    with pytest.raises(CriteriaError) as refused:
        Criteria.parse(made(most + 1))
    assert refused.value.path.startswith(at)
    assert str(most) in str(refused.value)


def test_the_position_of_an_answer_is_never_that_of_one_that_is_not_known():
    """Positions count from 0 and fit a byte, as does the mark for unknown."""
    assert MOST_ANSWERS - 1 < UNKNOWN <= 255
