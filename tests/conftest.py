"""What every test shares: hypothesis profiles, the cast, and a clock that stands where a test puts it."""

import os
import time
from datetime import timedelta

import pytest
from django.db import OperationalError, connection
from hypothesis import HealthCheck, settings

from exposure import clock
from exposure.audit import triggers
from exposure.people.policy import Lasting
from exposure.web.account import sessions
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
        _when_others_are_done(triggers.remove)
    else:
        yield


def _when_others_are_done(remove):
    """A browser that has gone leaves a request behind, which reads while the tables are emptied: each would wait for
    the other, and the database would end one of them."""
    if connection.vendor != "postgresql":
        remove()
        return
    for last_try in (False, False, False, True):
        for _moment in range(200):
            if not _others_busy():
                break
            time.sleep(0.05)
        try:
            remove()
            return
        except OperationalError as error:
            if last_try or "deadlock" not in str(error):
                raise


def _others_busy():
    """Whether another session of this database is doing something, now or a moment later."""
    for pause in (0, 0.02):
        time.sleep(pause)
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
                " AND backend_type = 'client backend' AND state <> 'idle'"
            )
            if cursor.fetchone()[0]:
                return True
    return False


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
