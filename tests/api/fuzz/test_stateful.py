"""Calls one after another, each with what the one before answered (links of the OpenAPI document, and those that follow
from its shapes): every answer is as described, and never a 5xx, with no limit in the way."""

import schemathesis
from hypothesis import HealthCheck, Phase, settings

from config.wsgi import application
from tests.api.fuzz.test_schema import CHECKS, headers, there  # noqa: F401  fixtures

WALKS, STEPS = 30, 8


def test_one_call_after_another_is_answered_as_described(there, headers):  # noqa: F811
    document = schemathesis.openapi.from_wsgi("/api/v1/schema/", application, headers=headers)
    called, followed = set(), set()

    class Walk(document.as_state_machine()):
        def get_call_kwargs(self, case):
            return {"headers": headers}

        def step(self, input):
            called.add(input.case.operation.label)
            if input.is_applied:
                followed.add(input.case.operation.label)
            return super().step(input)

        def validate_response(self, response, case, **_more):
            case.validate_response(response, checks=CHECKS)

    Walk.run(
        settings=settings(
            max_examples=WALKS,
            stateful_step_count=STEPS,
            deadline=None,
            database=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
    )
    assert len(called) > 10, sorted(called)
    assert len(followed) > 3, f"with what was answered before: {sorted(followed)}"
