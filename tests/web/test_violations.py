"""What browsers report of the page policy (W3C, Content Security Policy Level 3, section 5.3): logged, of nobody."""

import json
import logging

import pytest
from django.core.cache import cache

from exposure.web.violations import MOST_A_MINUTE, MOST_BYTES

pytestmark = pytest.mark.django_db
REPORT = {
    "csp-report": {
        "document-uri": "https://exposure.test/people/3f2b8a60-0000-4000-8000-000000000000/?find=Wim+Alder",
        "effective-directive": "script-src-elem",
        "blocked-uri": "https://elsewhere.test/run.js?who=Wim",
    }
}


@pytest.fixture(autouse=True)
def _nobody_has_told_anything():
    cache.clear()


def tell(client, body, content_type="application/csp-report"):
    return client.post("/violations", body, content_type=content_type)


def test_every_page_names_the_address(client):
    assert "report-uri /violations" in client.get("/account/login/")["Content-Security-Policy"]


def test_a_report_is_logged_without_what_might_name_somebody(client, caplog):
    with caplog.at_level(logging.WARNING, "exposure.web.violations"):
        assert tell(client, json.dumps(REPORT)).status_code == 204
    [record] = caplog.records
    words = record.getMessage()
    assert "script-src-elem" in words
    assert "elsewhere.test/run.js" in words
    assert "Wim" not in words
    assert "3f2b8a60-0000" not in words


@pytest.mark.parametrize(
    "body",
    [
        b"", b"{", b"[]", b"7", b"null", b'{"csp-report": 7}', b"\xff\xfe",
        json.dumps({"csp-report": {"document-uri": "x" * MOST_BYTES}}).encode(),
    ],
)  # fmt: skip
def test_what_is_no_report_is_answered_alike_and_not_logged(client, caplog, body):
    assert tell(client, body).status_code == 204
    assert not [one for one in caplog.records if one.name == "exposure.web.violations"]


def test_no_line_of_the_log_can_be_forged(client, caplog):
    forged = {
        "csp-report": {
            "effective-directive": "x\nERROR all is lost",
            "blocked-uri": "http://[",
            "document-uri": 7,
        }
    }
    tell(client, json.dumps(forged))
    [record] = [one for one in caplog.records if one.name == "exposure.web.violations"]
    assert "\n" not in record.getMessage()


def test_one_client_cannot_fill_the_log(client, caplog):
    for _again in range(MOST_A_MINUTE + 5):
        assert tell(client, json.dumps(REPORT)).status_code == 204
    assert len([one for one in caplog.records if one.name == "exposure.web.violations"]) == MOST_A_MINUTE
