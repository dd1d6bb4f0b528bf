"""Random criteria files as plain data, small enough to enumerate; `written` makes a file of one."""

import yaml
from hypothesis import strategies as st

from tests.classify import oracle

# YAML would read most of these as something else than text; a criteria file never does.
CODES = ("no", "on", "12:30", "2026.10", "null", "0x1F", "1e3", "~", "splash", "é")
NAMES = ("contact", "yes", "minutes", "3.0")
TIERS = ("none", "some", "off", "high")
CUTS = ("-1", "0", "0.1", "15", "37.50", "60")


class Written(yaml.SafeDumper):
    def ignore_aliases(self, data):
        return True


def written(document):
    return yaml.dump(document, Dumper=Written, sort_keys=False, allow_unicode=True)


@st.composite
def documents(draw, most_facts=4, tiers=None):
    count = draw(st.integers(1, 4)) if tiers is None else len(tiers)
    codes = list(tiers or TIERS[:count])
    facts = [draw(_facts(name)) for name in draw(_some(NAMES, most_facts))]
    rules = draw(st.lists(st.tuples(st.sampled_from(codes), _whens(facts)), min_size=1, max_size=6))
    document = {
        "pathogen": "example",
        "version": "2026.10",
        "title": "Example",
        "tiers": [{"code": code, "label": code.title()} for code in codes],
        "facts": facts,
        "rules": [{"id": f"R{at}", "tier": tier, "when": when} for at, (tier, when) in enumerate(rules)],
    }
    impossible = draw(st.lists(_whens(facts, least=1), max_size=3))
    if impossible:
        document["impossible"] = impossible
        if not oracle.completions(document):
            del document["impossible"]
    if draw(st.booleans()):
        document["otherwise"] = draw(st.sampled_from(codes))
    return document


@st.composite
def answers(draw, document):
    """Facts for `classify` (some of them None), and the known positions by fact name."""
    given, known = {}, {}
    for fact in document["facts"]:
        kind = draw(st.sampled_from(("missing", "none", "known", "known")))
        if kind == "none":
            given[fact["name"]] = None
        elif kind == "known":
            given[fact["name"]] = draw(values(fact))
            known[fact["name"]] = oracle.position(fact, given[fact["name"]])
    return given, known


def values(fact):
    if "answers" in fact:
        return st.sampled_from([answer["code"] for answer in fact["answers"]])
    at_cuts = st.sampled_from([float(cut) for cut in fact["cuts"]])
    near = st.sampled_from([float(cut) - 1e-9 for cut in fact["cuts"]])
    exact = st.decimals(-2, 61, places=3)
    return st.one_of(at_cuts, near, exact, st.integers(-2, 61), st.floats(-2, 61))


def _some(options, most):
    return st.lists(st.sampled_from(options), min_size=1, max_size=most, unique=True)


@st.composite
def _facts(draw, name):
    fact = {"name": name, "ask": f"{name}?"}
    if draw(st.booleans()):
        fact["worse"] = "up"
    if draw(st.integers(0, 3)):
        fact["answers"] = [{"code": code, "label": code.upper()} for code in draw(_some(CODES, 4))]
        return fact
    return fact | {"unit": "min", "cuts": sorted(draw(_some(CUTS, 3)), key=float)}


@st.composite
def _whens(draw, facts, least=0):
    chosen = draw(st.lists(st.sampled_from(range(len(facts))), min_size=least, max_size=3, unique=True))
    return {facts[place]["name"]: draw(_conditions(facts[place])) for place in chosen}


@st.composite
def _conditions(draw, fact):
    if "answers" in fact:
        return draw(
            st.lists(st.sampled_from([one["code"] for one in fact["answers"]]), min_size=1, max_size=4)
        )
    low, high = sorted(
        draw(st.lists(st.integers(-1, len(fact["cuts"])), min_size=2, max_size=2, unique=True))
    )
    cuts = fact["cuts"]
    bounds = {"at_least": cuts[low]} if low >= 0 else {}
    if high < len(cuts):
        bounds["below"] = cuts[high]
    return bounds or {"at_least": cuts[0]}


def large_document(chance, facts=12, answers=(4, 6), rules=25, tiers=4, conditions=(2, 4), impossible=0):
    """A file far beyond enumeration, from a `random.Random`: rules of a few facts, about half their answers each."""
    asked = [
        {
            "name": f"fact{at}",
            "ask": f"Question {at}?",
            "worse": "up",
            "answers": [
                {"code": f"answer{n}", "label": f"Answer {n}"} for n in range(chance.randint(*answers))
            ],
        }
        for at in range(facts)
    ]

    def when(most):
        chosen = sorted(chance.sample(range(facts), chance.randint(*most)))
        return {
            asked[at]["name"]: _half(chance, [one["code"] for one in asked[at]["answers"]]) for at in chosen
        }

    document = {
        "pathogen": "example",
        "version": "1",
        "title": "Example",
        "tiers": [{"code": f"tier{at}", "label": f"Tier {at}"} for at in range(tiers)],
        "facts": asked,
        "rules": [
            {"id": f"R{at}", "tier": f"tier{chance.randrange(1, tiers)}", "when": when(conditions)}
            for at in range(rules)
        ],
        "otherwise": "tier0",
    }
    if impossible:
        document["impossible"] = [when((2, 2)) for _ in range(impossible)]
    return document


def _half(chance, codes):
    return sorted(chance.sample(codes, chance.randint(1, (len(codes) + 1) // 2)))
