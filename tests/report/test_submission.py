"""Reading a submission: types, storable values, one digest per content, the reference. Nothing is stored here."""

import hashlib
import json
import re
from uuid import UUID, uuid4

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from exposure.refusal import BadSubmission
from exposure.report.submission import (
    ALPHABET,
    DEFAULTS,
    content_digest,
    read_instant,
    read_submission,
    reference,
    storable,
)

BODY = {
    "submission_id": "5f0c8f0e-1111-4222-8333-444455556666",
    "station": "curlew",
    "occurred_at": "2026-11-25T07:40:00+01:00",
    "facts": {"contact": "splash"},
}


@pytest.mark.parametrize(
    ("changes", "because"),
    [
        ({"narrative": ""}, "the default"),
        ({"drill": False, "first_aid": [], "phase": "removal"}, "defaults"),
        ({"case": None}, "null is absent"),
        ({"facts": {"contact": "splash", "skin": None}}, "a null answer is unknown"),
        ({"person": None, "event": None}, "nulls"),
        ({"occurred_at": "2026-11-25T06:40:00Z"}, "the same instant in UTC"),
        ({"occurred_at": "2026-11-25T12:25:00+05:45"}, "the same instant in Kathmandu"),
    ],
)
def test_the_same_content_has_the_same_digest(changes, because):
    assert content_digest({**BODY, **changes}) == content_digest(BODY), because


def test_facts_that_are_all_unknown_are_no_facts():
    nothing = {name: value for name, value in BODY.items() if name != "facts"}
    assert content_digest({**BODY, "facts": {"contact": None}}) == content_digest(nothing)


@pytest.mark.parametrize(
    "changes",
    [
        {"narrative": "a tear"},
        {"drill": True},
        {"phase": "room"},
        {"first_aid": ["soap_water"]},
        {"facts": {"contact": "sharp"}},
        {"facts": {"contact": "splash", "minutes": 15}},
        {"occurred_at": "2026-11-25T07:40:00Z"},
        {"occurred_at": "2026-11-25T07:40:00"},
        {"submission_id": str(UUID(int=1))},
        {"shoe_size": 43},
    ],
)
def test_other_content_has_another_digest(changes):
    assert content_digest({**BODY, **changes}) != content_digest(BODY)


def test_the_order_of_keys_changes_nothing():
    assert content_digest(dict(reversed(BODY.items()))) == content_digest(BODY)


# RFC 8785, sections 3.2.2 to 3.2.4 (sample object) and 3.2.3 (sorting of properties); from memory.
SAMPLE = r"""{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
 "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}"""
CANONICAL = (
    r"""{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"""
    r""""string":"€$\u000f\nA'B\"\\\\\"/"}"""
)
SORTED = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


def test_the_digest_is_that_of_the_rfcs_canonical_sample():
    assert content_digest(json.loads(SAMPLE), {}, "") == hashlib.sha256(CANONICAL.encode()).hexdigest()


def test_keys_are_sorted_by_utf_16_as_the_rfc_says():
    sample = dict.fromkeys(reversed(SORTED), "x")
    canonical = json.dumps(dict.fromkeys(SORTED, "x"), ensure_ascii=False, separators=(",", ":"))
    assert content_digest(sample, {}, "") == hashlib.sha256(canonical.encode()).hexdigest()


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec=None)),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=12,
)


@given(json_values)
def test_every_json_value_becomes_one_that_both_databases_and_the_rfc_can_hold(value):
    kept = storable(value)
    rfc8785.dumps(kept)
    assert "\\u0000" not in json.dumps(kept)
    json.dumps(kept, allow_nan=False, ensure_ascii=False).encode()
    assert storable(kept) == kept


@pytest.mark.parametrize(
    ("value", "kept"),
    [
        ("a\0b", "a\ufffdb"),
        ("\ud800", "\ufffd"),
        ("\ud83d\ude00", "\U0001f600"),
        (2**53 - 1, 2**53 - 1),
        (2**53, "9007199254740992"),
        (-(2**53), "-9007199254740992"),
        (float("inf"), "inf"),
        (True, True),
        ({"a\0": ["\0"]}, {"a\ufffd": ["\ufffd"]}),
    ],
)
def test_what_cannot_be_held_exactly_is_kept_as_text(value, kept):
    assert storable(value) == kept


@pytest.mark.parametrize("raw", [None, [], "text", 5, True])
def test_what_is_no_object_is_refused(raw):
    with pytest.raises(BadSubmission):
        read_submission(raw)


def test_every_wrong_json_type_is_named_at_once():
    wrong = {
        "submission_id": 5,
        "station": 1,
        "worker": [],
        "occurred_at": 1764052800,
        "person": "Wim",
        "drill": "no",
        "facts": [],
        "first_aid": "soap_water",
    }
    with pytest.raises(BadSubmission) as refusal:
        read_submission(wrong)
    assert {problem.pointer for problem in refusal.value.problems} == {f"/{name}" for name in wrong}


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"submission_id": None}, "/submission_id"),
        ({"submission_id": "the first"}, "/submission_id"),
        ({"person": {"name": 5}}, "/person"),
        ({"first_aid": [5]}, "/first_aid"),
        ({"first_aid": [None]}, "/first_aid"),
    ],
)
def test_a_wrong_type_inside_is_named_at_its_field(changes, pointer):
    with pytest.raises(BadSubmission) as refusal:
        read_submission({**BODY, **changes})
    assert [problem.pointer for problem in refusal.value.problems] == [pointer]


def test_the_least_report_is_an_id():
    least = read_submission({"submission_id": BODY["submission_id"]})
    assert (least.facts, least.person, least.drill, least.flags) == ({}, None, False, ())


def test_answers_that_are_neither_text_nor_number_are_flagged_and_left_unknown():
    read = read_submission(
        {**BODY, "facts": {"contact": "splash", "skin": True, "minutes": 20, "site": None}}
    )
    assert read.facts == {"contact": "splash", "minutes": 20}
    assert read.flags == ("unknown_answer:skin",)


@pytest.mark.parametrize("text", ["", "soon", "2026-13-01T00:00:00Z", "0001-01-01T00:00:00+14:00", None, 5])
def test_what_names_no_instant_is_none(text):
    assert read_instant(text) is None


def luhn_mod_32_holds(text):
    """The validation half of the Luhn mod N algorithm as published: from the right, the check character included,
    factors 1, 2, 1, 2...; the digits of each product in base N are summed; the sum is divisible by N."""
    total, factor = 0, 1
    for character in reversed(text):
        addend = factor * "0123456789ABCDEFGHJKMNPQRSTVWXYZ".index(character)
        factor = 2 if factor == 1 else 1
        total += addend // 32 + addend % 32
    return total % 32 == 0


@given(st.uuids())
def test_a_reference_has_its_form_and_a_valid_check_character(uid):
    written = reference(uid)
    assert re.fullmatch(r"[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]", written)
    assert luhn_mod_32_holds(written.replace("-", ""))


@given(st.uuids(), st.integers(0, 7), st.integers(1, 31))
def test_one_wrong_character_is_noticed(uid, place, off):
    letters = list(reference(uid).replace("-", ""))
    letters[place] = ALPHABET[(ALPHABET.index(letters[place]) + off) % 32]
    assert not luhn_mod_32_holds("".join(letters))


@given(st.uuids())
def test_the_reference_is_the_first_forty_bits_of_the_hash_of_the_ids_bytes(uid):
    bits = "".join(f"{byte:08b}" for byte in hashlib.sha256(uid.bytes).digest())[:40]
    letters = "".join(ALPHABET[int(bits[start : start + 5], 2)] for start in range(0, 40, 5))
    assert reference(uid).replace("-", "")[:8] == letters


def test_defaults_are_those_of_the_contract():
    assert set(DEFAULTS) == {"drill", "facts", "first_aid", "narrative", "phase"}
    assert read_submission({"submission_id": str(uuid4()), **DEFAULTS}).drill is False
