"""Looks are noted: at a person each time, at a list once per filter and hour; and the worker sees them."""

from datetime import timedelta

import pytest

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.pipeline import report, tell
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

Kind = AccessEntry.Kind
HALF_PAST = MONDAY + timedelta(minutes=30)


@pytest.fixture
def breach(cast):
    with doing(cast.observer):
        return report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach


@pytest.fixture
def looking(client, cast, standing_clock):
    """Open an address as somebody at an instant; returns the looks noted so far."""

    def look(who, address, at=MONDAY):
        standing_clock(at)
        client.force_login(who)
        assert client.get(address).status_code == 200
        return list(AccessEntry.objects.all())

    return look


def noted(cast, kind, at, subject="monitoring"):
    with doing(cast.nurse, at=at):
        note_look(cast.nurse, kind, subject, at=at)
    return AccessEntry.objects.count()


def test_a_list_is_one_entry_per_filter_and_hour(cast):
    assert noted(cast, Kind.LIST, MONDAY) == 1
    assert noted(cast, Kind.LIST, HALF_PAST) == 1
    assert noted(cast, Kind.LIST, HALF_PAST, subject="monitoring fever") == 2
    assert noted(cast, Kind.LIST, MONDAY + timedelta(hours=1)) == 3


def test_a_person_is_one_entry_each_time(cast):
    assert noted(cast, Kind.PERSON, MONDAY, subject="worker:1") == 1
    assert noted(cast, Kind.PERSON, MONDAY, subject="worker:1") == 2


def test_a_look_names_account_instant_and_place(cast):
    noted(cast, Kind.PERSON, HALF_PAST, subject="worker:1")
    look = AccessEntry.objects.get()
    assert (look.user, look.recorded_at, look.recorded_by, look.origin) == (
        cast.nurse,
        HALF_PAST,
        cast.nurse.actor,
        "tests",
    )


def test_opening_person_report_and_alert_is_noted_about_the_worker(cast, breach, looking):
    with doing("task:tests"):
        alert = raise_alert(breach, Alert.Cause.UNTOLD, "nobody has told", site=cast.site, at=MONDAY)
    looking(cast.nurse, f"/people/{cast.worker.uid}/")
    looking(cast.nurse, f"/reports/{breach.uid}/")
    looks = looking(cast.nurse, f"/alerts/{alert.uid}/")
    assert [(look.kind, look.about) for look in looks] == [
        (Kind.PERSON, cast.worker.uid),
        (Kind.DETAIL, cast.worker.uid),
        (Kind.DETAIL, cast.worker.uid),
    ]
    assert {look.user for look in looks} == {cast.nurse}


@pytest.mark.parametrize("address", ["/needs-action/", "/monitoring/", "/reports/"])
def test_a_list_page_is_noted_once_an_hour(address, cast, breach, looking):
    assert len(looking(cast.nurse, address)) == 1
    assert len(looking(cast.nurse, address, HALF_PAST)) == 1
    assert len(looking(cast.nurse, address, MONDAY + timedelta(hours=1))) == 2


def test_a_page_that_was_refused_is_no_look(client, cast, breach, standing_clock):
    standing_clock(MONDAY)
    client.force_login(cast.outsider)
    assert client.get(f"/people/{cast.worker.uid}/").status_code == 404
    assert not AccessEntry.objects.exists()


def test_the_worker_sees_who_opened_their_record(client, cast, breach, looking):
    with doing(cast.nurse):
        tell.tell_worker(breach=breach, how="phone", told_at=MONDAY, by=cast.nurse, at=MONDAY)
    looking(cast.nurse, f"/people/{cast.worker.uid}/")
    client.force_login(cast.worker.user)
    page = client.get("/what-this-means/").content.decode()
    assert "Who looked at your record" in page
    assert "Nora Teal" in page
