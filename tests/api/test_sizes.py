"""Reports of any size and shape up to 5 MB are kept whole, in time that grows with their size, and nobody's page with
them. What is larger is refused. "5 MB" is the contract's; both ways of counting it are taken."""

import json
import time
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from exposure.api.parsing import MOST_DEPTH
from exposure.attend.models import Alert
from exposure.places.models import FirstAidCard
from exposure.report.models import Breach
from exposure.report.submission import read_submission
from tests.cast import MONDAY

pytestmark = pytest.mark.database

SECONDS = 30  # some take three; in time that grew with the square of the size each took minutes
DEEP = 1_200_000
MANY = 30_000  # a fifth of what 5 MB hold


def many(head, item, tail, count=MANY):
    """`item` so many times with a number in the place of #, between head and tail."""
    return head + ", ".join(item.replace("#", str(number)) for number in range(count)) + tail


LARGE = {  # what is added to the body, as JSON
    "answers": lambda: many('"facts": {', '"fact#": ["x"]', "}"),
    "first aid": lambda: many('"first_aid": [', '"cure#"', "]", 255_000),
    "entries": lambda: many("", '"key#": #', ""),
    "a person": lambda: many('"person": {"name": "Agency Hand", ', '"key#": 1', "}"),
    "words": lambda: many('"narrative": "', "It tore. ", '"', 450_000),
    "a long name": lambda: '"' + "k" * 4_000_000 + '": 1',
    "depth": lambda: '"x": ' + "[" * DEEP + "]" * DEEP,
    "depth of objects": lambda: '"x": ' + '{"a":' * 200_000 + "1" + "}" * 200_000,
    "digits": lambda: '"x": ' + "9" * 4_000_000,
    "decimals": lambda: '"facts": {"minutes": 0.' + "3" * 4_000_000 + "}",
    "escapes": lambda: '"narrative": "' + '\\"' * 500_000 + '"',
    "halves": lambda: many('"facts": {', r'"\ud800#": "\u0000"', "}", 100),
}


def posted(caller, cast, added):
    changes = {"facts": {}, "first_aid": [], "narrative": None}
    body = json.dumps({name: value for name, value in cast.body().items() if name not in changes})
    return caller.post("breaches/", f"{body[:-1]}, {added}}}".encode())


@pytest.mark.parametrize("name", LARGE)
def test_a_large_report_is_kept_whole_and_no_page_grows_with_it(calls, cast, name):
    added = LARGE[name]()
    begun = time.monotonic()
    answer = posted(calls("observer"), cast, added)
    assert time.monotonic() - begun < SECONDS
    assert answer.status_code == 201
    breach = Breach.objects.get(uid=answer.json()["id"])
    assert len(json.dumps(breach.body)) > 0.8 * len(added) or name in ("halves", "decimals")
    assert len(breach.flags) < 410
    assert sum(map(len, breach.flags)) < 40_000
    nurse = Client()
    nurse.force_login(cast.nurse)
    assert all(len(alert.because) < 1000 for alert in Alert.objects.all())
    assert len(nurse.get(reverse("needs_action")).content) < 30_000
    page = nurse.get(reverse("breach", args=[breach.uid]))
    assert page.status_code == 200
    assert len(page.content) < 200_000 or name in ("words", "escapes")


def test_oddities_are_named_up_to_two_hundred_and_then_counted(calls, cast):
    answer = posted(calls("observer"), cast, ", ".join(f'"key{n}": {n}' for n in range(250)))
    flags = Breach.objects.get(uid=answer.json()["id"]).flags
    assert flags == [*(f"unknown_key:key{n}" for n in range(200)), "unknown_key_more:50"]
    because = Alert.objects.get(cause="to_look_at").because
    assert because.count("“key") == 5
    assert because.endswith("And 245 more.")


def test_an_alert_names_all_where_they_are_few(calls, cast):
    posted(calls("observer"), cast, '"a": 1, "b": 2')
    assert Alert.objects.get(cause="to_look_at").because == (
        "“a” is not a known entry; it is kept as sent. “b” is not a known entry; it is kept as sent."
    )


def test_any_number_of_known_first_aid_codes_is_known(calls, cast):
    code = FirstAidCard.objects.first().code
    answer = posted(calls("observer"), cast, f'"first_aid": {json.dumps([code, "other"] * 50_000)}')
    assert Breach.objects.get(uid=answer.json()["id"]).flags == []


def test_a_body_of_5_mb_by_either_count_is_kept_and_a_larger_one_is_413(calls, cast, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024  # as delivered: see config/settings.py
    head = json.dumps(cast.body())[:-1]
    for size, status in ((5_000_000, 201), (5 * 1024 * 1024, 409), (5 * 1024 * 1024 + 1, 413)):
        words = "x" * (size - len(f'{head}, "narrative": ""}}'))
        answer = calls("observer").post("breaches/", f'{head}, "narrative": "{words}"}}'.encode())
        assert answer.status_code == status, size
        if status == 413:
            assert answer["Content-Type"] == "application/problem+json"


def test_the_limit_that_is_delivered_is_5_mb():
    from config import settings as delivered

    assert delivered.DATA_UPLOAD_MAX_MEMORY_SIZE == 5 * 1024 * 1024


def test_what_lies_deeper_than_is_read_is_kept_as_its_text(calls, cast):
    deep = "[" * (MOST_DEPTH + 2) + '"a]\\"[", {"b": 1}' + "]" * (MOST_DEPTH + 2)
    answer = posted(calls("observer"), cast, f'"x": {deep}, "y": {"[" * 5}{"]" * 5}')
    kept = Breach.objects.get(uid=answer.json()["id"]).body
    assert kept["y"] == [[[[[]]]]]
    value = kept["x"]
    for _level in range(MOST_DEPTH - 1):
        [value] = value
    assert value == '[[["a]\\"[", {"b": 1}]]]'


@pytest.mark.parametrize(
    "raw",
    [
        '{"a": %s}' % ("[" * 50 + "]" * 49),
        '{"a": %s}' % ("[" * 50 + "]" * 51),
        "[" * 40,
        '{"a": "[[[}',
        "]" * 40,
    ],
)
def test_brackets_that_do_not_close_are_no_json(anybody, raw):
    assert anybody.post("breaches/", raw.encode()).status_code == 400


def test_a_text_without_an_end_costs_no_more_than_one_with_it(anybody):
    begun = time.monotonic()
    for raw in ('{"a": "' + '\\"' * 2_000_000, '"' * 1_999_999, '{"a": ' + "[" * 2_000_000 + '"'):
        assert anybody.post("breaches/", raw.encode()).status_code == 400
    assert time.monotonic() - begun < SECONDS


def test_keys_that_differ_only_in_what_cannot_be_stored_are_all_kept(cast):
    half, other_half = map(chr, (0xD800, 0xD801))
    odd = {half: 1, other_half: 2, "\0": 3, chr(0xFFFD): 4, "\\ud800": 5}
    kept = read_submission({**cast.body(), **odd})
    assert sorted(value for value in kept.body.values() if isinstance(value, int) and value) == [
        1,
        2,
        3,
        4,
        5,
    ]
    turned = read_submission(
        {**cast.body(submission_id=str(kept.submission_id)), **dict(reversed(odd.items()))}
    )
    assert turned.sha256 == kept.sha256
    other = read_submission({**cast.body(submission_id=str(kept.submission_id)), **odd, other_half: 7})
    assert other.sha256 != kept.sha256


@pytest.mark.parametrize("text", ["a\0b", "\ud800", "a\ufffdb"])
def test_what_cannot_be_stored_as_sent_is_marked_flagged_and_the_same_when_it_comes_again(calls, cast, text):
    body = json.dumps(cast.body(narrative=text, worker=text))
    first, again = (calls("observer").post("breaches/", body) for _time in "ab")
    assert (first.status_code, again.status_code) == (201, 200)
    breach = Breach.objects.get()
    assert "altered" in breach.flags
    assert "\ufffd" in breach.narrative
    assert breach.reported_at == MONDAY


texts = st.text(st.characters(codec=None), max_size=8)
numbers = st.integers() | st.integers(-(10**120), 10**120) | st.floats()
json_values = st.recursive(
    st.none() | st.booleans() | numbers | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
NAMES = (
    "station", "worker", "person", "occurred_at", "case", "phase", "drill", "step", "removal", "event", "pathogen",
    "criteria_version", "facts", "what_happened", "first_aid", "narrative",
)  # fmt: skip
STRAY = st.dictionaries(st.sampled_from(NAMES) | texts, json_values, max_size=4)
TEXTUAL = {name: st.none() | texts for name in NAMES if name not in ("person", "drill", "facts", "first_aid")}
TEXTUAL |= {
    "facts": st.dictionaries(texts, json_values, max_size=3),
    "first_aid": st.lists(texts, max_size=3),
}
TYPED = st.fixed_dictionaries({}, optional=TEXTUAL)


@given(data=st.data(), typed=st.booleans())
@settings(max_examples=25)
def test_any_json_under_a_valid_id_is_taken_or_refused_for_its_types_alone(calls, cast, data, typed):
    body = {**data.draw(TYPED if typed else STRAY), "submission_id": str(uuid4())}
    raw = json.dumps(body)
    answer = calls("observer").post("breaches/", raw)
    if answer.status_code == 400:
        assert not typed or "NaN" in raw or "Infinity" in raw
        wrong = answer.json().get("errors")
        assert wrong is None or {error["pointer"][2:] for error in wrong} <= set(NAMES)
        assert wrong or "This is not JSON" in answer.json()["detail"]
    else:
        assert answer.status_code == 201
        assert calls("observer").post("breaches/", raw).status_code == 200, "the digest stands"
