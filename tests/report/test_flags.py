"""Oddities are named up to a number and counted beyond it; what was sent is kept whole."""

import pytest

from exposure.attend.models import Alert
from exposure.classify.table import Fact
from exposure.report import flags
from tests.walk import report

MANY = 22_000  # more than any station has questions; one body of 1 MB


@pytest.mark.parametrize(
    ("names", "named", "more"), [(199, 199, None), (200, 200, None), (201, 200, 1), (5_000, 200, 4_800)]
)
def test_the_first_200_are_named_and_the_rest_is_one_number(names, named, more):
    found = flags.with_unknown_answers(["time_missing"], (f"n{at}" for at in range(names)))
    assert found[: named + 1] == ["time_missing", *(f"unknown_answer:n{at}" for at in range(named))]
    assert found[named + 1 :] == ([f"unknown_answer_more:{more}"] if more else [])


def test_counts_add_up_when_more_is_noticed_later_and_nothing_is_named_twice():
    first = flags.with_unknown_answers([], (f"a{at}" for at in range(250)))
    again = flags.with_unknown_answers(first, ("a0", "b0", "b1"))
    assert again[-1] == "unknown_answer_more:52"
    assert len(again) == flags.MOST_NAMED + 1


def test_a_count_is_put_into_words():
    assert flags.in_words("unknown_answer_more:52") == (
        "52 further answers are not known ones; they are kept as sent."
    )
    assert "52 further entries" in flags.in_words("unknown_key_more:52")
    assert "ebola 2023.1" in flags.in_words("criteria_failed:ebola 2023.1")


@pytest.mark.database
def test_a_report_of_thousands_of_unknown_answers_is_kept_whole_and_looked_at_once_each(cast, monkeypatch):
    looked = []
    position = Fact.position
    monkeypatch.setattr(
        Fact, "position", lambda fact, answer: looked.append(answer) or position(fact, answer)
    )
    facts = {f"stranger{at}": "x" for at in range(MANY)} | {"contact": "splash"}
    reported = report(cast, facts=facts, **{f"key{at}": 1 for at in range(300)})
    breach = reported.breach
    breach.refresh_from_db()
    assert breach.facts == facts
    assert breach.body["facts"] == facts
    assert len(breach.flags) == 2 * flags.MOST_NAMED + 2
    assert f"unknown_answer_more:{MANY - flags.MOST_NAMED}" in breach.flags
    assert "unknown_key_more:100" in breach.flags
    assert len(looked) < 1_000, "only what the criteria ask is read as an answer"
    [alert] = Alert.objects.filter(cause=Alert.Cause.TO_LOOK_AT)
    assert len(alert.because) < 50_000
