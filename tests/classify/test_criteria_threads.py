"""Server threads that meet the same criteria for the first time at the same moment get the answers of one alone."""

import copy
import random
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from exposure.classify.criteria import Criteria, CriteriaError
from exposure.classify.frozen import Kept
from tests.classify.documents import large_document, written

THREADS, ROWS = 4, 40


@pytest.fixture(autouse=True)
def _threads_take_turns_often():
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    yield
    sys.setswitchinterval(usual)


def rows_of(document, chance):
    rows = []
    for at in range(ROWS):
        chosen = {fact["name"]: chance.choice(fact["answers"])["code"] for fact in document["facts"]}
        rows.append({name: code for name, code in chosen.items() if chance.random() < at % 5 / 4})
    return rows


def answers_of(criteria, rows):
    verdicts = [criteria.classify(facts) for facts in rows]
    return [
        (one.floor, one.ceiling, one.covered, one.rules, one.open_questions if at % 8 == 0 else None)
        for at, one in enumerate(verdicts)
    ]


def at_once(*works):
    """Each work in a thread of its own, begun together; raises what any of them raises."""
    gate = threading.Barrier(len(works))

    def begun(work):
        gate.wait()
        return work()

    with ThreadPoolExecutor(len(works)) as pool:
        return [future.result() for future in [pool.submit(begun, work) for work in works]]


@pytest.mark.parametrize("seed", range(4))
def test_a_cold_start_of_four_threads_answers_as_one_thread_alone(seed):
    chance = random.Random(seed)
    document = large_document(chance)
    rows = rows_of(document, chance)
    text = written(document)
    alone = Criteria.parse(text + "# alone\n")  # another text, so an object of its own
    expected = answers_of(alone, rows)
    columns = {fact["name"]: [facts.get(fact["name"]) for facts in rows] for fact in document["facts"]}
    text += "# together\n"
    changed = copy.deepcopy(document)
    changed["rules"][0]["tier"] = changed["tiers"][-1]["code"]
    other = written(changed)

    def classify():
        return answers_of(Criteria.parse(text), chance.sample(rows, ROWS)) and answers_of(
            Criteria.parse(text), rows
        )

    def many():
        return [bounds.tolist() for bounds in Criteria.parse(text).classify_many(columns)]

    def look():
        criteria = Criteria.parse(text)
        return criteria.findings(), criteria.compare(Criteria.parse(other)), criteria.compiled()["nodes"]

    *answered, (floors, ceilings), (found, changes, nodes) = at_once(*[classify] * (THREADS - 2), many, look)
    assert answered == [expected] * (THREADS - 2)
    codes = [tier["code"] for tier in document["tiers"]]
    assert [(codes[one], codes[two]) for one, two in zip(floors, ceilings, strict=True)] == [
        (floor, ceiling) for floor, ceiling, *_ in expected
    ]
    assert found == alone.findings()
    assert changes == alone.compare(Criteria.parse(other))
    assert nodes == alone.compiled()["nodes"]
    assert answers_of(Criteria.parse(text), rows) == expected  # nothing was left broken


def test_threads_that_need_the_same_text_at_once_read_it_once(monkeypatch):
    read = []
    through = sys.modules["exposure.classify.criteria"].read
    monkeypatch.setattr("exposure.classify.criteria.read", lambda text: read.append(text) or through(text))
    text = written(large_document(random.Random(9), facts=5, rules=6)) + "# once\n"
    parsed = at_once(*[lambda: Criteria.parse(text)] * THREADS)
    assert read == [text]
    assert all(one is parsed[0] for one in parsed)


def test_a_text_that_was_refused_is_refused_again_without_being_read(monkeypatch):
    text = "pathogen: example\nversion: 1\nrules: []\n"
    with pytest.raises(CriteriaError) as first:
        Criteria.parse(text)
    monkeypatch.setattr("exposure.classify.criteria.read", lambda text: pytest.fail("it was read again"))
    with pytest.raises(CriteriaError) as again:
        Criteria.parse(text)
    assert again.value is not first.value  # one error raised in two threads would carry the traces of both
    assert (again.value.line, again.value.path, again.value.message) == (
        first.value.line,
        first.value.path,
        first.value.message,
    )


def test_more_texts_than_a_site_ever_uses_stay_read(monkeypatch):
    texts = [
        written(large_document(random.Random(at), facts=3, answers=(2, 3), rules=3, conditions=(1, 2)))
        + f"# {at}\n"
        for at in range(200)
    ]
    criteria = [Criteria.parse(text) for text in texts]
    monkeypatch.setattr("exposure.classify.criteria.read", lambda text: pytest.fail("it was read again"))
    assert all(Criteria.parse(text) is one for text, one in zip(texts, criteria, strict=True))


def test_what_is_shared_refuses_every_change():
    criteria = Criteria.parse(written(large_document(random.Random(3), facts=4, rules=5)))
    with pytest.raises(AttributeError):
        criteria.title = "other"
    with pytest.raises(AttributeError):
        criteria.table.otherwise = None
    with pytest.raises(TypeError):
        criteria.facts[0].positions["new"] = 1
    step = criteria._engine.walk.first
    with pytest.raises(TypeError):
        step[None] = None
    with pytest.raises(TypeError):
        step.fact = None
    with pytest.raises(TypeError):
        del step[None]
    with pytest.raises(AttributeError):
        criteria._engine.walk.first = None
    for block in criteria._engine.columns.blocks:
        with pytest.raises(ValueError, match="read-only"):
            block.floor[0] = 1
    for finding in criteria.findings():
        if isinstance(finding.witness, dict):
            with pytest.raises(TypeError):
                finding.witness.clear()


def test_what_is_kept_is_bounded_and_the_last_used_stays():
    kept = Kept(3, lambda value: value)
    worked = []

    def get(key, weight=1):
        return kept.get(key, lambda: worked.append(key) or weight)

    for key in "abc":
        get(key)
    get("a")
    get("d")  # b was used least lately
    get("a")
    assert worked == list("abcd")
    get("b")
    assert worked == list("abcdb")
    get("heavy", 100)  # stays until the next comes, though it is more than all
    get("heavy", 100)
    assert worked.count("heavy") == 1


def test_what_went_wrong_by_accident_is_tried_again():
    kept = Kept(3, lambda value: 1)
    with pytest.raises(MemoryError):
        kept.get("a", lambda: (_ for _ in ()).throw(MemoryError()))
    assert kept.get("a", lambda: 5) == 5
