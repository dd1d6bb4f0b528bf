"""Speed of the criteria engine against its peers, as ratios of one run: `python -m tests.benchmarks.criteria`.

Peers, installed for this alone (config/requirements-bench.txt): zen-engine (a decision table, precompiled),
panzi-json-logic (the highest tier as nested conditions, highest first, so that it may stop early), z3-solver
(findings, as in tests/classify/second_oracle.py), and numpy's own copy of the columns. Every figure is the best of
several rounds, and what is compared is first seen to give the same answers.
"""

import json
import random
import sys
import time
from itertools import product

import numpy as np
import zen
from json_logic import jsonLogic

from exposure.classify.criteria import Criteria, _parse
from tests.classify import oracle, second_oracle
from tests.classify.documents import large_document, written

ROWS = 1_000_000


def best(work, rounds=7):
    """Seconds of the fastest round."""
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


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
    conditions = []
    for rule in sorted(document["rules"], key=lambda rule: rule["tier"], reverse=True):
        conditions += [{"and": [{"in": [{"var": name}, codes]} for name, codes in rule["when"].items()]}, rule["tier"]]
    expression = {"if": [*conditions, document["otherwise"]]}
    return lambda facts: jsonLogic(expression, facts)


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
        tier = max((rank for rank, when in rules if all(full[name] in codes for name, codes in when)), default=0)
        low, high = min(low, tier), max(high, tier)
    return tiers[low], tiers[high]


def one_by_one(document, chance):
    """Rows of (what, ours, theirs, ratio wanted)."""
    criteria = Criteria.parse(written(document))
    known = cases(document, chance, 500)
    peers = {"zen-engine, precompiled": (zen_table(document), 15), "json-logic": (json_logic(document), 75)}
    for decide, _ in peers.values():
        assert all(decide(facts) == criteria.classify(facts).tier for facts in known)
    per_case = {0: best(lambda: [criteria.classify(facts) for facts in known], 15) / len(known)}
    for name, (decide, wanted) in peers.items():
        theirs = best(lambda decide=decide: [decide(facts) for facts in known]) / len(known)
        yield f"one classification, 12 known: {name}", per_case[0], theirs, f"at least {wanted}"
    for unknown in (5, 12):
        partial = cases(document, chance, 500, unknown)
        per_case[unknown] = best(lambda partial=partial: [criteria.classify(facts) for facts in partial], 15) / 500
    slowest, fastest = max(per_case.values()), min(per_case.values())
    yield "one classification, 0, 5 or 12 unknown: slowest against fastest", fastest, slowest, "at most 2"
    some = cases(document, chance, 3, 5)
    for facts in some:
        verdict = criteria.classify(facts)
        assert enumerated(document, facts) == (verdict.floor, verdict.ceiling)
    theirs = best(lambda: [enumerated(document, facts) for facts in some], 1) / len(some)
    yield "floor and ceiling, 5 unknown: plain enumeration", per_case[5], theirs, "at least 1000"


def many(document):
    criteria, numbers = Criteria.parse(written(document)), np.random.default_rng(1)
    sizes = {fact.name: fact.size for fact in criteria.facts}
    known = {name: numbers.integers(0, size, ROWS, dtype=np.uint8) for name, size in sizes.items()}
    partial = {name: np.where(numbers.random(ROWS) < 0.4, 255, column).astype(np.uint8) for name, column in known.items()}
    criteria.classify_many(partial)
    copied = best(lambda: [column.copy() for column in known.values()], 15)
    for what, columns, wanted in (("known", known, 10), ("partial, both bounds", partial, 25)):
        ours = best(lambda columns=columns: criteria.classify_many(columns), 15)
        yield f"1,000,000 cases, {what}: copying the columns", copied, ours, f"at most {wanted}"


def compiling(document, limit):
    """Everything that is ever built from a text: parsing, the diagram, both closures and their tables."""
    text = written(document)

    def build():
        _parse.cache_clear()
        criteria = Criteria.parse(text)
        criteria.classify({})
        criteria.compiled()
        criteria.classify_many({})

    yield f"compile {len(document['rules'])} rules, from text to tables: one second", 1.0, best(build, 3), f"at most {limit}"


def finding(document):
    text = written(document)
    assert {(one.kind, one.about) for one in Criteria.parse(text).findings()} == second_oracle.findings(document)

    def ours():
        _parse.cache_clear()
        Criteria.parse(text).findings()

    theirs = best(lambda: second_oracle.findings(document), 3)
    yield f"findings of {len(document['rules'])} rules, parsing included: z3", theirs, best(ours, 3), "at most 2"


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
                print(f"{what:75} {base * 1e6:9.2f} us {measured * 1e6:9.2f} us {measured / base:8.2f}  {wanted}", flush=True)


if __name__ == "__main__":
    main()
