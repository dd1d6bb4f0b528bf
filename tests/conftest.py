"""What every test shares: hypothesis profiles, the cast, and a clock that stands where a test puts it."""

import os
from datetime import timedelta

import pytest
from django.db import connection
from hypothesis import HealthCheck, settings

from exposure import clock
from exposure.audit import triggers
from exposure.people.policy import Lasting
from exposure.web.account import sessions
from tests import walk  # noqa: F401  its scenes are known before the first test
from tests.cast import Cast, company

settings.register_profile(
    "fixed",
    derandomize=True,
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.register_profile("long", max_examples=5000, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fixed"))


@pytest.fixture(autouse=True)
def _flushable(request):
    """The flush that ends a transactional test empties append-only tables; post_migrate puts the triggers back."""
    marker = request.node.get_closest_marker("django_db")
    transactional = marker is not None and marker.kwargs.get("transaction")
    if transactional or {"transactional_db", "live_server"} & set(request.fixturenames):
        request.getfixturevalue("transactional_db")  # set up before this fixture: its flush comes after it
        yield
        triggers.remove()
    else:
        yield


@pytest.fixture
def cast(db) -> Cast:
    """Observer, worker, nurse, physicians and an outsider at one site, and another site."""
    with connection.execute_wrapper(company.watch):
        yield company.assemble()


@pytest.fixture
def standing_clock(monkeypatch):
    """Returns a function that puts the wall clock at an instant."""

    def stand(at):
        monkeypatch.setattr(clock, "now", lambda: at)
        return at

    return stand


@pytest.fixture(autouse=True)
def _lasting_sessions(request, monkeypatch):
    """Tests walk through weeks with one browser; those marked `sessions_end` ask how long it stays signed in."""
    if request.node.get_closest_marker("sessions_end") is None:
        years = Lasting(timedelta(days=3650), timedelta(days=3650))
        monkeypatch.setattr(sessions, "lasting", lambda user, **_: years)
