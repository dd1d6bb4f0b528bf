"""Sign-ins that have run out are cleared away by the clock and by the queue."""

from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session

from exposure.management.commands import clock
from exposure.people import sessions
from exposure.tasks import tick
from tests.cast import MONDAY

pytestmark = pytest.mark.django_db


def session(key, expires):
    Session.objects.create(session_key=key, session_data="", expire_date=expires)


def standing():
    return set(Session.objects.values_list("pk", flat=True))


def test_what_has_been_expired_for_a_day_goes():
    session("running", MONDAY + timedelta(seconds=1))
    session("expired", MONDAY - timedelta(days=1) + timedelta(seconds=1))
    session("long-expired", MONDAY - timedelta(days=1))
    assert sessions.clear_expired_sessions(at=MONDAY) == 1
    assert standing() == {"running", "expired"}


def test_many_go_in_parts_and_nothing_is_written_without_any(monkeypatch, django_assert_num_queries):
    monkeypatch.setattr(sessions, "AT_ONCE", 2)
    for number in range(3):
        session(f"old-{number}", MONDAY - timedelta(days=9))
    assert [sessions.clear_expired_sessions(at=MONDAY) for _round in range(2)] == [2, 1]
    with django_assert_num_queries(1):
        assert sessions.clear_expired_sessions(at=MONDAY) == 0


@pytest.mark.parametrize("beat", [clock.Command().round, tick], ids=["clock", "queue"])
def test_the_clock_and_the_queue_clear(standing_clock, monkeypatch, beat):
    monkeypatch.setattr(clock, "close_old_connections", lambda: None)  # the test's own transaction stays open
    standing_clock(MONDAY)
    session("old", MONDAY - timedelta(days=2))
    beat()
    assert standing() == set()
