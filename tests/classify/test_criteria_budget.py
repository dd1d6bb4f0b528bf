"""Work on entangled files is bounded in steps, which are the same on every machine, and the answer says what to do."""

import random

import pytest

from exposure.classify.budget import Budget, TooIntricate
from exposure.classify.criteria import Criteria, CriteriaError
from tests.classify.documents import large_document, written


@pytest.fixture
def budgets(monkeypatch):
    """Every budget that is opened, in order."""
    opened = []
    begin = Budget.__init__

    def noted(self, most):
        begin(self, most)
        opened.append(self)

    monkeypatch.setattr(Budget, "__init__", noted)
    return opened


def entangled(seed=1):
    """Many facts that many rules tie to one another."""
    return large_document(random.Random(seed), facts=60, answers=(5, 5), rules=120, conditions=(4, 4))


def within(budgets):
    """No budget was passed by more than the step that broke it."""
    return all(one.spent <= one.most + 1_000 for one in budgets)


def test_a_file_too_entangled_to_classify_says_so_at_its_rules_within_the_budget(budgets):
    text = written(entangled()) + "# budget\n"
    criteria = Criteria.parse(text)  # it can be read, shown and corrected
    assert criteria.too_entangled
    assert criteria.title == "Example"
    line = text[: text.index("\nrules:")].count("\n") + 3
    for ask in (
        lambda: criteria.classify({}),
        lambda: criteria.classify_many({}),
        criteria.findings,
        criteria.compiled,
        lambda: criteria.compare(criteria),
    ):
        with pytest.raises(TooIntricate, match=r"too entangled.*split the facts") as error:
            ask()
        assert (error.value.line, error.value.path) == (line, "rules")
    assert [one.spent > one.most for one in budgets].count(True) >= 1
    assert within(budgets)


def test_what_was_found_too_entangled_is_not_tried_again(budgets, monkeypatch):
    monkeypatch.setattr("exposure.classify.builder.MOST_STATES", 5_000)
    text = written(entangled(seed=2)) + "# once\n"
    with pytest.raises(TooIntricate):
        Criteria.parse(text).findings()
    tried = len(budgets)
    for _ in range(3):
        with pytest.raises(TooIntricate):
            Criteria.parse(text).findings()
    assert len(budgets) == tried


def test_a_comparison_is_bounded_and_not_tried_again(budgets, monkeypatch):
    monkeypatch.setattr("exposure.classify.compare.MOST_PAIRS", 5)
    one, other = (
        Criteria.parse(written(large_document(random.Random(seed), facts=5, rules=8)) + "# compare\n")
        for seed in (1, 2)
    )
    for _ in range(2):
        with pytest.raises(CriteriaError):
            one.compare(other)
        tried, budgets[:] = len(budgets), []
    assert tried == 0


def test_findings_share_one_budget_and_are_found_once_per_text(budgets, monkeypatch):
    monkeypatch.setattr("exposure.classify.criteria.MOST_WORK", 300)
    criteria = Criteria.parse(written(large_document(random.Random(4))) + "# small budget\n")
    budgets.clear()
    for _ in range(3):
        with pytest.raises(TooIntricate, match="too entangled"):
            criteria.findings()
    assert [one.most for one in budgets] == [300]
    assert 300 < budgets[0].spent <= 300 + len(criteria.rules) + 2
    assert criteria.classify({}).floor == "tier0", "it classifies all the same"


def test_a_question_too_hard_to_rule_out_is_asked(monkeypatch):
    document = large_document(random.Random(6), facts=5, answers=(2, 3), rules=8, conditions=(1, 3))
    exact = Criteria.parse(written(document) + "# exact\n").classify({}).open_questions
    monkeypatch.setattr("exposure.classify.questions.MOST_PAIRS", 0)
    asked = Criteria.parse(written(document) + "# none\n").classify({}).open_questions
    assert set(exact) <= set(asked)


def test_a_file_with_accepted_findings_is_refused_where_they_cannot_be_proved(monkeypatch):
    monkeypatch.setattr("exposure.classify.criteria.MOST_WORK", 10)
    document = large_document(random.Random(7), facts=4, rules=5)
    document["accepted"] = [{"finding": "unused", "about": "fact0", "because": "It is asked for the record."}]
    with pytest.raises(TooIntricate) as error:
        Criteria.parse(written(document))
    assert error.value.path == "rules"
