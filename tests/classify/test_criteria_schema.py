"""The JSON Schema of the file format and the parser accept and refuse the same files.

The schema cannot see what refers to something else in the file; those refusals of the parser are named in
BEYOND_A_SCHEMA, and every other one must be the schema's too. The oracle is the `jsonschema` package (draft 2020-12).
"""

import copy
import json
import re
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from exposure.classify.criteria import Criteria, CriteriaError
from tests.classify.documents import documents, written

FIXTURES = Path(__file__).parents[2] / "fixtures" / "criteria"
SCHEMA = Draft202012Validator(json.loads((FIXTURES / "criteria.schema.json").read_text(encoding="utf-8")))
PUBLISHED = sorted(FIXTURES.glob("*.yaml"))
BEYOND_A_SCHEMA = re.compile(
    "unknown (fact|answer|tier|source|rule|start of a task) |stands already on line|cuts ascend|is no cut of"
    "|must lie above|no body temperature|wait for each other|there is no finding|no set of answers is left"
    "|must be at least 'from_first'|shortest and the longest|must be more than 0 degrees"
    "|must be shorter than 'due'"
    "|must be a list, not a mapping|must be a mapping of keys to values, not a list"  # which, the fact decides
)


def refusal(document):
    try:
        Criteria.parse(written(document))
    except CriteriaError as error:
        return error.message
    return None


@pytest.mark.parametrize("loader", [yaml.SafeLoader, yaml.BaseLoader], ids=["typed", "all text"])
@pytest.mark.parametrize("path", PUBLISHED, ids=lambda path: path.stem)
def test_the_published_criteria_are_valid(path, loader):
    document = yaml.load(path.read_text(encoding="utf-8"), Loader=loader)
    if document["profile"]["rise"] == "null":  # what BaseLoader makes of the one null that the format has
        document["profile"]["rise"] = None
    assert [error.message for error in SCHEMA.iter_errors(document)] == []


def test_the_schema_is_a_valid_schema():
    Draft202012Validator.check_schema(SCHEMA.schema)


@given(documents())
def test_random_files_are_valid(document):
    assert SCHEMA.is_valid(document)
    assert refusal(document) is None


WHOLE = {
    "pathogen": "example",
    "version": "1",
    "title": {"en": "Example", "fr": "Exemple"},
    "status": "current",
    "replaces": ["0.9"],
    "sources": [{"id": "guide", "title": "T", "publisher": "P", "year": 2016, "note": "N"}],
    "profile": {
        "incubation_days": [2, 21],
        "min_hours": 6,
        "fever": {"default": {"limit": "38.0", "unit": "C", "at": "at_least"}},
        "subjective_fever": True,
        "reducer_hours": 6,
        "rise": None,
        "symptoms": {"headache": {"ask": "Headache?", "urgent": False}},
        "symptom_count": 1,
        "silence_hours": 48,
        "next_look_hours": 4,
        "seen": True,
    },
    "tiers": [
        {"code": "none", "label": "None", "plan": {"monitoring": "none"}},
        {
            "code": "high",
            "label": "High",
            "seen": True,
            "plan": {
                "monitoring": "direct",
                "days": 21,
                "observed_per_day": 1,
                "confirm_within": "2h",
                "second_signature": "lower",
                "clearance": "two",
                "restrictions": [{"code": "duty", "title": "No duty", "days": 21}],
                "tasks": [
                    {
                        "code": "call",
                        "title": "Call",
                        "due": "24h",
                        "from": "report",
                        "urgent": True,
                        "warn": "8h",
                    },
                    {"code": "test", "title": "Test", "due": "4mo", "not_before": "6w", "from": "call"},
                ],
            },
        },
        {
            "code": "window",
            "label": "W",
            "plan": {"monitoring": "self", "window": {"from_first": 5, "to_last": 21}},
        },
    ],
    "facts": [
        {
            "name": "contact",
            "ask": "What?",
            "about": "event",
            "worse": "up",
            "answers": [
                {"code": "none", "label": "N"},
                {"code": "splash", "label": "S", "bloodborne": True},
                {"code": "needle", "label": "N", "through_skin": "false"},
            ],
        },
        {"name": "minutes", "ask": "How long?", "about": "worker", "unit": "min", "cuts": [15, "60.5"]},
    ],
    "rules": [
        {
            "id": "R1",
            "tier": "high",
            "when": {"contact": ["splash"], "minutes": {"at_least": 15, "below": 60.5}},
            "because": "B",
            "source": "guide",
            "seen": True,
        },
        {"id": "R2", "tier": "high", "when": {"contact": ["splash"], "minutes": {"at_least": 15}}},
    ],
    "impossible": [{"contact": ["none"], "minutes": {"at_least": 60.5}}],
    "otherwise": "none",
    "accepted": [{"finding": "redundant", "about": "R1", "because": {"en": "B"}}],
}
WRONG = [
    [],
    {},
    "",
    " ",
    "word",
    -1,
    0,
    7,
    2.5,
    True,
    None,
    ["a"],
    {"a": "b"},
    [1, 2],
    {"en": "x"},
    {"at_least": 15},
]


def places(value, path=()):
    """Every path of keys and positions into the document."""
    yield path
    below = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in below:
        yield from places(inner, (*path, key))


PLACES = list(places(WHOLE))[1:]


@settings(max_examples=500)
@given(
    st.sampled_from(PLACES),
    st.sampled_from(("remove", "rename", "add", "replace", "replace")),
    st.sampled_from(WRONG),
)
def test_a_spoilt_file_is_refused_by_both_or_by_neither(path, how, wrong):
    document = copy.deepcopy(WHOLE)
    holder = document
    for key in path[:-1]:
        holder = holder[key]
    last = path[-1]
    if how == "remove":
        del holder[last]
    elif how == "replace":
        holder[last] = copy.deepcopy(wrong)
    elif isinstance(holder, dict):
        holder["no_such_key"] = holder.pop(last) if how == "rename" else "x"
    valid, refused = SCHEMA.is_valid(document), refusal(document)
    if not valid:
        assert refused is not None
    elif refused is not None:
        assert BEYOND_A_SCHEMA.search(refused), refused


def test_the_whole_example_itself_is_accepted_by_both():
    assert SCHEMA.is_valid(WHOLE)
    assert refusal(WHOLE) is None


@pytest.mark.parametrize(("key", "most", "one"), [("facts", 60, "facts"), ("rules", 400, "rules")])
def test_the_most_facts_and_rules_are_accepted_and_one_more_is_refused_by_both(key, most, one):
    document = copy.deepcopy(WHOLE)
    template = document[one][-1]
    name = {"facts": "name", "rules": "id"}[key]
    del document["accepted"]
    document[key] += [template | {name: f"n{at}"} for at in range(most - len(document[key]))]
    assert SCHEMA.is_valid(document)
    assert refusal(document) is None
    document[key].append(template | {name: "one more"})
    assert not SCHEMA.is_valid(document)
    assert f"at most {most}" in refusal(document)
