"""Whatever the OpenAPI document allows, and what it forbids, is answered as it says and never with a 5xx.

Not collected by default: schemathesis (https://schemathesis.readthedocs.io) has requirements of its own. With them:
python -m pytest tests/api/fuzz
"""

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from config.wsgi import application
from exposure.audit.live import unlike_their_versions
from exposure.models import Alert, CriteriaVersion, FollowUp, Promise
from exposure.people import tokens
from exposure.pipeline import follow, report
from tests.cast import MONDAY, adopt, doing

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
EACH = settings(
    max_examples=30,
    deadline=None,
    database=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture
def there(cast, standing_clock, monkeypatch):
    """One of everything, at a site far from Greenwich, so that both ends of the calendar tip over. By the first
    part of an address: path parameters that name what is there."""
    standing_clock(MONDAY)
    unlimited = dict.fromkeys(("user", "readings", "findings", "proofs"))
    monkeypatch.setattr("rest_framework.throttling.SimpleRateThrottle.THROTTLE_RATES", unlimited)
    with doing(cast.nurse):
        cast.site.zone = "Pacific/Auckland"
        cast.site.save()
        adopt(cast.site, "measles-2024.1", MONDAY)
        breach = report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach
        follow.log_reading(
            body=cast.reading(temperature="38.4"), worker=cast.worker, entered_by=cast.nurse, at=MONDAY
        )
    version = CriteriaVersion.objects.get(pathogen="ebola")
    return {
        "breaches": {"uid": str(breach.uid)},
        "follow-ups": {"uid": str(FollowUp.objects.first().uid)},
        "alerts": {"uid": str(Alert.objects.first().uid)},
        "tasks": {"uid": str(Promise.objects.filter(kind="task").first().uid)},
        "criteria": {"pathogen": version.pathogen, "version": version.version},
        "cases": {"code": cast.case.code},
    }


@pytest.fixture
def headers(cast):
    """A nurse's token. A bare WSGI call would end by closing the connection that holds the test's transaction."""
    with doing("command:tests"):
        key, _token = tokens.issue(cast.nurse, label="tests", days=1, at=MONDAY)
    request_started.disconnect(close_old_connections)
    request_finished.disconnect(close_old_connections)
    yield {"Authorization": f"Bearer {key}"}
    request_started.connect(close_old_connections)
    request_finished.connect(close_old_connections)


def _fuzz(operation, known, mode, headers):
    """Call one operation again and again, half of the time about something that is there. Returns how often."""
    called = []

    @EACH
    @given(case=operation.as_strategy(generation_mode=mode), real=st.booleans())
    def answers(case, real):
        if real:
            case.path_parameters |= {name: known[name] for name in case.path_parameters if name in known}
        case.call_and_validate(headers=headers, checks=CHECKS)
        called.append(case)

    answers()
    return len(called)


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_every_operation_answers_as_described(there, headers, mode):
    document = schemathesis.openapi.from_wsgi("/api/v1/schema/", application, headers=headers)
    operations = [found.ok() for found in document.get_all_operations()]
    assert len(operations) > 20
    for operation in operations:
        known = there.get(operation.path.split("/")[3], {})
        assert _fuzz(operation, known, mode, headers) > 0, operation.label
    assert list(unlike_their_versions()) == [], "whatever it wrote has a version"
