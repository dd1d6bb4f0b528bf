"""Speed of the criteria engine against its peers, as ratios of one run: `python -m tests.benchmarks.criteria`.

Peers, installed for this alone (config/requirements-bench.txt): zen-engine (a decision table, precompiled),
panzi-json-logic (every rule as the file has them, and once sorted so that it may stop early), z3-solver (findings,
as in tests/classify/second_oracle.py), and numpy's own copy of the columns. What is compared is first seen to give
the same answers. Times are processor time, rounds alternate, and the best round of each counts, so that other work
on the machine changes little; still, run it on an idle one.
"""

import json
import random
import sys
import time
from itertools import product

import numpy as np
import zen
from json_logic import jsonLogic

from exposure.classify.criteria import Criteria, forget
from tests.classify import oracle, second_oracle
from tests.classify.documents import large_document, written

ROWS = 1_000_000


def seconds(*works, rounds=9):
    """Seconds of the fastest round of each, in alternating rounds."""
    times = [[] for _ in works]
    for _ in range(rounds):
        for work, spent in zip(works, times, strict=True):
            began = time.process_time()
            work()
            spent.append(time.process_time() - began)
    return [min(spent) for spent in times]


def each(decide, facts):
    return lambda: [decide(one) for one in facts]


def zen_table(document):
    """The document as a decision table whose first matching row, highest tier first, decides."""
    names = [fact["name"] for fact in document["facts"]]
    column = {"type": "expression"}
    rows = []
    for rule in sorted(document["rules"], key=lambda rule: rule["tier"], reverse=True):
        cells = {name: ", ".join(map(json.dumps, rule["when"].get(name, []))) for name in names}
        rows.append({"_id": rule["id"], **cells, "tier": json.dumps(rule["tier"])})
    rows.append({"_id": "otherwise", **dict.fromkeys(names, ""), "tier": json.dumps(document["otherwise"])})
    content = {
        "hitPolicy": "first",
        "inputs": [{"id": name, "name": name, "field": name, **column} for name in names],
        "outputs": [{"id": "tier", "name": "tier", "field": "tier", **column}],
        "rules": rows,
    }
    at = {"position": {"x": 0, "y": 0}}
    nodes = [
        {"id": "in", "name": "in", "type": "inputNode", **at},
        {"id": "table", "name": "table", "type": "decisionTableNode", "content": content, **at},
        {"id": "out", "name": "out", "type": "outputNode", **at},
    ]
    edges = [
        {"id": "1", "type": "edge", "sourceId": "in", "targetId": "table"},
        {"id": "2", "type": "edge", "sourceId": "table", "targetId": "out"},
    ]
    model = {"contentType": "application/vnd.gorules.decision", "nodes": nodes, "edges": edges}
    decision = zen.ZenEngine().create_decision(json.dumps(model))
    return lambda facts: decision.evaluate(facts)["result"]["tier"]


def json_logic(document):
    """Highest tier first, so that the first rule that holds decides and the rest are not looked at."""
    rules = sorted(document["rules"], key=lambda rule: rule["tier"], reverse=True)
    expression = {
        "if": [*(part for rule in rules for part in (_condition(rule), rule["tier"])), document["otherwise"]]
    }
    return lambda facts: jsonLogic(expression, facts)


def json_logic_as_written(document):
    """Every rule in the order of the file, and the highest tier of those that hold, as the contract says it."""
    tiers = oracle.tiers(document)
    held = [{"if": [_condition(rule), tiers.index(rule["tier"]), 0]} for rule in document["rules"]]
    expression = {"max": [0, *held]}
    return lambda facts: tiers[jsonLogic(expression, facts)]


def _condition(rule):
    return {"and": [{"in": [{"var": name}, codes]} for name, codes in rule["when"].items()]}


def cases(document, chance, count, unknown=0):
    """Facts by code, with so many of them left out."""
    made = []
    for _ in range(count):
        facts = {fact["name"]: chance.choice(fact["answers"])["code"] for fact in document["facts"]}
        for name in chance.sample(list(facts), unknown):
            del facts[name]
        made.append(facts)
    return made


def enumerated(document, facts):
    """Floor and ceiling by classifying every completion with the fastest plain code: rules as sets, no objects."""
    tiers = oracle.tiers(document)
    rules = [
        (tiers.index(rule["tier"]), [(name, frozenset(codes)) for name, codes in rule["when"].items()])
        for rule in document["rules"]
    ]
    missing = [fact for fact in document["facts"] if fact["name"] not in facts]
    low, high = len(tiers), -1
    for chosen in product(*([answer["code"] for answer in fact["answers"]] for fact in missing)):
        full = facts | dict(zip((fact["name"] for fact in missing), chosen, strict=True))
        tier = max(
            (rank for rank, when in rules if all(full[name] in codes for name, codes in when)), default=0
        )
        low, high = min(low, tier), max(high, tier)
    return tiers[low], tiers[high]


def one_by_one(document, chance):
    """Rows of (what, base, measured, ratio wanted); seconds."""
    criteria = Criteria.parse(written(document))
    known = cases(document, chance, 500)
    peers = {
        "zen-engine, precompiled": (zen_table(document), "at least 15"),
        "json-logic, every rule": (json_logic_as_written(document), "at least 75"),
        "json-logic, sorted to stop early": (json_logic(document), "at least 75"),
    }
    for name, (decide, wanted) in peers.items():
        assert all(decide(facts) == criteria.classify(facts).tier for facts in known)
        ours, theirs = seconds(each(criteria.classify, known), each(decide, known))
        yield f"one classification, 12 known: {name}", ours / 500, theirs / 500, wanted
    sets = [cases(document, chance, 500, unknown) for unknown in (0, 5, 12)]
    spent = seconds(*(each(criteria.classify, some) for some in sets), rounds=25)
    yield "one classification, 0, 5 or 12 unknown: slowest", min(spent) / 500, max(spent) / 500, "at most 2"
    some = sets[1][:3]
    for facts in some:
        verdict = criteria.classify(facts)
        assert enumerated(document, facts) == (verdict.floor, verdict.ceiling)
    (theirs,) = seconds(each(lambda facts: enumerated(document, facts), some), rounds=1)
    yield "floor and ceiling, 5 unknown: plain enumeration", spent[1] / 500, theirs / 3, "at least 1000"


def many(document):
    criteria, numbers = Criteria.parse(written(document)), np.random.default_rng(1)
    sizes = {fact.name: fact.size for fact in criteria.facts}
    known = {name: numbers.integers(0, size, ROWS, dtype=np.uint8) for name, size in sizes.items()}
    partial = {
        name: np.where(numbers.random(ROWS) < 0.4, 255, answers).astype(np.uint8)
        for name, answers in known.items()
    }
    criteria.classify_many(partial)
    for what, columns, wanted in (("known", known, 10), ("partial, both bounds", partial, 25)):
        copied, ours = seconds(
            lambda columns=columns: [column.copy() for column in columns.values()],
            lambda columns=columns: criteria.classify_many(columns),
            rounds=25,
        )
        yield f"1,000,000 cases, {what}: copying the columns", copied, ours, f"at most {wanted}"


def compiling(document, limit):
    """All that is ever built of a text: the file read, the diagram, its closures under unknown, their tables."""
    text = written(document)

    def build():
        forget()
        criteria = Criteria.parse(text)
        criteria.classify({})
        criteria.compiled()
        criteria.classify_many({})

    yield (
        f"compile {len(document['rules'])} rules, all there is: one second",
        1.0,
        *seconds(build, rounds=3),
        f"at most {limit}",
    )


def finding(document):
    text = written(document)
    assert {(one.kind, one.about) for one in Criteria.parse(text).findings()} == second_oracle.findings(
        document
    )

    def ours():
        forget()
        Criteria.parse(text).findings()

    theirs, mine = seconds(lambda: second_oracle.findings(document), ours, rounds=3)
    yield f"findings of {len(document['rules'])} rules, file read too: z3", theirs, mine, "at most 2"


def main():
    print(f"Python {sys.version.split()[0]}, numpy {np.__version__}; 12 facts of 4-6 answers, 4 tiers")
    print(f"{'':75} {'base':>12} {'measured':>12} {'ratio':>8}  wanted")
    for seed in (1, 2):
        chance = random.Random(seed)
        small, large = large_document(chance), large_document(chance, rules=40)
        for rows in (
            one_by_one(small, chance),
            many(small),
            compiling(small, 1),
            compiling(large, 3),
            finding(small),
            finding(large),
        ):
            for what, base, measured, wanted in rows:
                print(
                    f"{what:75} {base * 1e6:9.2f} us {measured * 1e6:9.2f} us {measured / base:8.2f}  {wanted}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
