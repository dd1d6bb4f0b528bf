"""What cannot be taken, as RFC 9457 problem details; and the OpenAPI document that says so.

The members type, title, status, detail and the pointer form "#/age" are those of RFC 9457, sections 3 and 3.1;
limits on size and depth are what RFC 8259, section 9, lets a receiver set.
"""

import json
from http import HTTPStatus

import pytest
from django.core.management import call_command
from drf_spectacular.validation import validate_schema

from exposure.api.parsing import MOST_DEPTH

pytestmark = pytest.mark.database
NOBODY = "00000000-0000-4000-8000-000000000000"


def _problem(answer, status):
    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"
    got = answer.json()
    assert (got["type"], got["status"], got["title"]) == ("about:blank", status, HTTPStatus(status).phrase)
    assert got["detail"]
    return got


def test_what_is_not_json_or_too_deep_is_refused(anybody):
    for raw in (
        b"",
        b"{",
        b"submission_id=1",
        b'{"a": NaN}',
        b'{"a": -Infinity}',
        b"\xff\xfe",
        b'"\xed\xa0\x80"',
        b"[" * 100_000,
        b"[" * (MOST_DEPTH + 1) + b"]" * (MOST_DEPTH + 1),
    ):
        _problem(anybody.post("breaches/", raw), 400)


@pytest.mark.parametrize("path", ["breaches/", "readings/", "calls/", "criteria/ebola/classify/"])
def test_json_that_is_no_object_is_refused(calls, path):
    for raw in ("null", "7", '"text"', "[]", "[[]]", "true", "1" * 5000, "1e999"):
        got = _problem(calls("nurse").post(path, raw), 400)
        assert got["errors"][0]["pointer"] == "#", raw


def test_a_body_beyond_the_limit_is_refused_and_one_at_the_limit_is_read(calls, cast, settings):
    body = json.dumps(cast.body(narrative="x" * 5000)).encode()
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = len(body)
    assert calls("observer").post("breaches/", body).status_code == 201
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = len(body) - 1
    _problem(calls("observer").post("breaches/", body), 413)


def test_only_json_is_read(anybody):
    for content_type in ("text/plain", "application/x-www-form-urlencoded", "application/xml", "%"):
        _problem(anybody.post("breaches/", "{}", content_type=content_type), 415)


def test_only_json_is_sent(anybody):
    _problem(anybody.post("breaches/", {}, accept="text/html"), 406)


def test_another_method_is_refused_with_those_there_are(anybody):
    answer = anybody.client.delete("/api/v1/breaches/")
    _problem(answer, 405)
    assert "POST" in answer["Allow"]


def test_what_is_not_there_is_a_problem_too(anybody):
    for path in ("no-such-address/", "breaches", f"follow-ups/{NOBODY}/", "cases/none/", "criteria/x/1/"):
        _problem(anybody.get(path), 404)


def test_a_pathogen_that_no_address_can_hold_is_not_there(anybody):
    for address in ("criteria/uðÜ/classify/", "criteria/uðÜ/2023.1/", "criteria/uðÜ/2023.1/findings/"):
        _problem(anybody.post(address, {}), 404)


def test_a_parameter_that_cannot_be_read_is_named(anybody):
    for path, parameters, name in (
        ("breaches/", {"cursor": "nonsense"}, "cursor"),
        ("breaches/", {"cursor": "cD1hYmM="}, "cursor"),  # p=abc
        ("breaches/", {"cursor": "cD05OTk5OTk5OTk5OTk5OTk5OTk5OTk5OQ=="}, "cursor"),  # a number no row has
        ("alerts/", {"open": "perhaps"}, "open"),
        ("alerts/", {"site": "\0"}, "site"),
        ("follow-ups/", {"state": "fine"}, "state"),
        ("follow-ups/", {"due_before": "2026-03-02T09:00:00"}, "due_before"),
        ("follow-ups/", {"due_before": "tomorrow"}, "due_before"),
    ):
        got = _problem(anybody.get(path, **parameters), 400)
        assert [error["parameter"] for error in got["errors"]] == [name]


def test_a_field_of_an_action_that_cannot_be_taken_is_named(calls, reported):
    for path, body, pointer in (
        ("facts/", {}, "#/facts"),
        ("facts/", {"facts": {"skin": ["intact"], "a/b": True}}, "#/facts/a~1b"),
        ("confirm/", {"note": ["x"]}, "#/note"),
        ("confirm/", {"note": "\0"}, "#/note"),
        ("override/", {"tier": "high", "reason": " "}, "#/reason"),
        ("override/", {"tier": "\ud800", "reason": "Because."}, "#/tier"),
        ("override/", {"tier": "highest", "reason": "Because."}, "#/tier"),
        ("withdraw/", {}, "#/reason"),
        ("told/", {"by": "letter"}, "#/by"),
        ("told/", {"by": "\ud800"}, "#/by"),
        ("told/", {"by": "phone", "at": "9999-12-31T23:59:59-12:00"}, "#/at"),
    ):
        got = _problem(calls("nurse").post(f"breaches/{reported['id']}/{path}", json.dumps(body)), 400)
        assert pointer in [error["pointer"] for error in got["errors"]], body


def test_a_clearance_before_its_time_says_what_stands_in_the_way(calls, followed):
    got = _problem(calls("physician").post(f"follow-ups/{followed}/clear/"), 409)
    assert "last_reading_missing" in got["reasons"]


def test_the_document_is_valid_openapi_3_1_without_a_warning(tmp_path):
    call_command("spectacular", "--validate", "--fail-on-warn", "--file", str(tmp_path / "schema.yaml"))


NEVER_THROTTLED = ("report_breach", "take_sealed_report")


def test_the_document_that_is_served_describes_every_problem(anybody):
    answer = anybody.get("schema/")
    document = answer.json()
    assert document["openapi"].startswith("3.1")
    validate_schema(document)
    operations = {
        method["operationId"]: method["responses"]
        for path in document["paths"].values()
        for method in path.values()
    }
    assert set(operations["report_breach"]) == {
        *("200", "201", "400", "401", "403", "406", "409", "413", "415", "503"),
    }
    for name, answers in operations.items():
        assert {"401", "403", "406"} <= set(answers), name
        assert ("429" in answers) is (name not in NEVER_THROTTLED), name
        for status, described in answers.items():
            media = "application/problem+json" if int(status) >= 400 else "application/json"
            assert list(described["content"]) == [media], (name, status)
