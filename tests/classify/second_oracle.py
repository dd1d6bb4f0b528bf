"""The findings of a criteria file as questions to the satisfiability solver Z3 (package z3-solver).

It knows nothing of the engine: a fact is one Boolean per answer, exactly one of them true; a rule is the
conjunction of its facts, each a disjunction of answers; every question is asked under assumptions of one solver.
"""

from itertools import combinations

import z3

from tests.classify import oracle


class Copy:
    """One answer set as Booleans: `answers[fact][position]`, `holds[rule]`, and the tiers reached."""

    def __init__(self, solver, document, prefix, shared=None, apart=None):
        self.document = document
        self.answers = [
            shared.answers[place]
            if shared and place != apart
            else [z3.Bool(f"{prefix}{place}_{at}") for at in range(oracle.size(fact))]
            for place, fact in enumerate(document["facts"])
        ]
        for place, answers in enumerate(self.answers):
            if not shared or place == apart:
                solver.add(z3.Or(answers), *(z3.Not(z3.And(pair)) for pair in combinations(answers, 2)))
        self.holds = []
        for at, rule in enumerate(document["rules"]):
            holds = z3.Bool(f"{prefix}rule{at}")
            solver.add(holds == self._matches(rule["when"]))
            self.holds.append(holds)
        solver.add(*(z3.Not(self._matches(when)) for when in document.get("impossible", [])))
        self.covered = z3.Or(self.holds)
        self.ranks = [oracle.tiers(document).index(rule["tier"]) for rule in document["rules"]]

    def _matches(self, when):
        inside = []
        for place, fact in enumerate(self.document["facts"]):
            if fact["name"] in when:
                wanted = [
                    answer
                    for at, answer in enumerate(self.answers[place])
                    if oracle.matches({"facts": [fact]}, {fact["name"]: when[fact["name"]]}, (at,))
                ]
                inside.append(z3.Or(wanted))
        return z3.And(inside)

    def reaches(self, rank):
        """The tier is at least this one; an uncovered answer set counts as the highest."""
        otherwise = self.document.get("otherwise")
        reached = z3.Or([holds for holds, other in zip(self.holds, self.ranks, strict=True) if other >= rank])
        if otherwise is None or oracle.tiers(self.document).index(otherwise) >= rank:
            return z3.Or(reached, z3.Not(self.covered))
        return reached


def findings(document):
    """Set of (kind, about), as `oracle.findings` gives."""
    solver, found = z3.SolverFor("QF_FD"), set()
    one = Copy(solver, document, "a")
    base = oracle.tiers(document).index(document["otherwise"]) if "otherwise" in document else None

    def exists(*assumptions):
        return solver.check(*assumptions) == z3.sat

    if base is None and exists(*map(z3.Not, one.holds)):
        found.add(("gap", "otherwise"))
    for place, rule in enumerate(document["rules"]):
        rank, holds = one.ranks[place], one.holds[place]
        higher = [z3.Not(h) for h, other in zip(one.holds, one.ranks, strict=True) if other > rank]
        same = [z3.Not(h) for at, h in enumerate(one.holds) if one.ranks[at] == rank and at != place]
        if not exists(holds, *higher):
            found.add(("unreachable", rule["id"]))
            continue
        lower = [one.holds[at] for at, other in enumerate(one.ranks) if other < rank]
        if base != rank:
            needed = exists(holds, *higher, *same)
        else:
            needed = any(exists(holds, low, *higher, *same) for low in lower)
        if not needed:
            found.add(("redundant", rule["id"]))
    for place, fact in enumerate(document["facts"]):
        if not any(fact["name"] in rule["when"] for rule in document["rules"]):
            found.add(("unused", fact["name"]))
        if fact.get("worse") == "up" and _falls(document, place):
            found.add(("not_monotone", fact["name"]))
    return found


def _falls(document, place):
    solver = z3.SolverFor("QF_FD")
    earlier = Copy(solver, document, "a")
    later = Copy(solver, document, "b", shared=earlier, apart=place)
    answers = zip(earlier.answers[place], later.answers[place], strict=True)
    for at, (first, _) in enumerate(answers):
        solver.add(z3.Implies(first, z3.Or(later.answers[place][at + 1 :])))
    lower = [
        z3.And(earlier.reaches(rank), z3.Not(later.reaches(rank)))
        for rank in range(1, len(document["tiers"]))
    ]
    solver.add(z3.Or(lower))
    return solver.check() == z3.sat
