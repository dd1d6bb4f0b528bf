"""What a criteria file means, worked out from the file's own data by enumerating every answer set.

Nothing here imports the engine: a document is the plain data of a file, a completion a tuple of answer positions
in the order of its facts, and every definition of the contract is written out as it is said there.
"""

from collections import Counter
from decimal import Decimal
from fractions import Fraction
from itertools import combinations, product


def size(fact):
    return len(fact["answers"]) if "answers" in fact else len(fact["cuts"]) + 1


def band(fact, number):
    return sum(Decimal(str(cut)) <= Decimal(str(number)) for cut in fact["cuts"])


def position(fact, value):
    if "cuts" in fact:
        return band(fact, value)
    return [answer["code"] for answer in fact["answers"]].index(value)


def matches(document, when, completion):
    for fact, at in zip(document["facts"], completion, strict=True):
        wanted = when.get(fact["name"])
        if wanted is None:
            continue
        if "cuts" in fact:
            first = band(fact, wanted["at_least"]) if "at_least" in wanted else 0
            end = band(fact, wanted["below"]) if "below" in wanted else size(fact)
            if not first <= at < end:
                return False
        elif fact["answers"][at]["code"] not in wanted:
            return False
    return True


def tiers(document):
    return [tier["code"] for tier in document["tiers"]]


def possible(document, completion):
    return not any(matches(document, when, completion) for when in document.get("impossible", []))


def outcome(document, completion, without=None):
    """(tier position, covered), leaving out the rule of that place."""
    held = [
        tiers(document).index(rule["tier"])
        for place, rule in enumerate(document["rules"])
        if place != without and matches(document, rule["when"], completion)
    ]
    if held:
        return max(held), True
    if "otherwise" in document:
        return tiers(document).index(document["otherwise"]), True
    return len(document["tiers"]) - 1, False


def completions(document, known=None):
    """Every possible answer set with these known positions (fact name -> position)."""
    known = known or {}
    ranges = [
        [known[fact["name"]]] if fact["name"] in known else range(size(fact)) for fact in document["facts"]
    ]
    return [completion for completion in product(*ranges) if possible(document, completion)]


def bounds(document, known):
    found = [outcome(document, completion)[0] for completion in completions(document, known)]
    return (min(found), max(found)) if found else None


def covered(document, known):
    return all(outcome(document, completion)[1] for completion in completions(document, known))


def holding(document, known):
    floor = tiers(document)[bounds(document, known)[0]]
    return [
        rule["id"]
        for rule in document["rules"]
        if rule["tier"] == floor
        and all(matches(document, rule["when"], completion) for completion in completions(document, known))
    ]


def neighbours(document, known, place):
    """Pairs of possible completions that differ in one fact alone, the earlier answer first."""
    groups = {}
    for completion in completions(document, known):
        groups.setdefault(completion[:place] + completion[place + 1 :], []).append(completion)
    return [pair for group in groups.values() for pair in combinations(sorted(group), 2)]


def open_questions(document, known):
    still, ask = [], []
    floor, ceiling = bounds(document, known)
    for place, fact in enumerate(document["facts"]):
        if fact["name"] in known:
            continue
        after = [bounds(document, {**known, fact["name"]: at}) for at in range(size(fact))]
        after = [span for span in after if span]
        spans = [high - low for low, high in after]
        entry = (max(spans), Fraction(sum(spans), len(spans)), place, fact["name"])
        if len(after) > 1:
            still.append(entry)
        alone = any(
            outcome(document, one)[0] != outcome(document, other)[0]
            for one, other in neighbours(document, known, place)
        )
        if alone or len(set(after)) > 1:
            ask.append(entry)
    if floor != ceiling and not ask:
        ask = still
    return [name for *_, name in sorted(ask)]


def findings(document):
    """Set of (kind, about)."""
    everything = completions(document)
    found = set()
    if not all(outcome(document, completion)[1] for completion in everything):
        found.add(("gap", "otherwise"))
    for place, rule in enumerate(document["rules"]):
        tier = tiers(document).index(rule["tier"])
        decides = [
            completion
            for completion in everything
            if matches(document, rule["when"], completion) and outcome(document, completion)[0] == tier
            # an uncovered set never holds a rule, so its tier is the rule's only by a rule
        ]
        if not decides:
            found.add(("unreachable", rule["id"]))
        elif all(
            outcome(document, completion) == outcome(document, completion, without=place)
            for completion in everything
        ):
            found.add(("redundant", rule["id"]))
    for place, fact in enumerate(document["facts"]):
        falls = any(
            outcome(document, earlier)[0] > outcome(document, later)[0]
            for earlier, later in neighbours(document, {}, place)
        )
        if fact.get("worse") == "up" and falls:
            found.add(("not_monotone", fact["name"]))
        if not any(fact["name"] in rule["when"] for rule in document["rules"]):
            found.add(("unused", fact["name"]))
    return found


def changes(one, other):
    """(before, after) -> share, over the answer sets possible in both documents."""
    mine, theirs = ({fact["name"]: fact for fact in document["facts"]} for document in (one, other))
    values = []
    for name in dict.fromkeys((*mine, *theirs)):
        both = [facts[name] for facts in (mine, theirs) if name in facts]
        if "cuts" in both[0]:
            cuts = sorted({Decimal(str(cut)) for fact in both for cut in fact["cuts"]})
            values.append([(name, value) for value in (cuts[0] - 1, *cuts)])
        else:
            codes = [[answer["code"] for answer in fact["answers"]] for fact in both]
            values.append([(name, code) for code in codes[0] if code in codes[-1]])
    counts = Counter()
    for chosen in product(*values):
        given = dict(chosen)
        pair = []
        for document in (one, other):
            completion = tuple(position(fact, given[fact["name"]]) for fact in document["facts"])
            if possible(document, completion):
                pair.append(tiers(document)[outcome(document, completion)[0]])
        if len(pair) == 2:
            counts[tuple(pair)] += 1
    total = sum(counts.values())
    return {pair: Fraction(count, total) for pair, count in counts.items() if pair[0] != pair[1]}
