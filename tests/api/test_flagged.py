"""`flagged` and `due_before` mean what the monitoring list shows, whatever the state of a follow-up."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from exposure.api.paging import Sifted
from exposure.followup.models import FollowUp
from exposure.followup.states import enter_state
from exposure.people.models import Worker
from exposure.pipeline import attend
from exposure.web.nurse.rows import rows
from tests.api.conftest import Caller
from tests.cast import MONDAY, company, doing
from tests.crowd import people_like
from tests.walk import follow_up_told_and_confirmed, log, report, sweep_at

pytestmark = pytest.mark.database

MOMENTS = [
    timedelta(hours=1),
    timedelta(hours=12),
    timedelta(hours=25),
    timedelta(days=3),
    timedelta(days=22),
]


@pytest.fixture
def ward(cast):
    return _ward(cast)


@company.scene
def _ward(cast):
    """Number -> follow-up, one of each kind: nothing wrong, a fever, seen or not, one in evaluation, unconfirmed, odd,
    ended with an alert about the report, and a masked reading."""
    found = {}
    for number in ("FINE", "FEVER", "SEEN", "PAUSED", "ENDED", "MASKED"):
        cast.worker = _worker(cast, number)
        found[number] = follow_up_told_and_confirmed(cast)
        if number != "PAUSED":
            hot = "39.2" if number in ("FEVER", "SEEN") else "36.8"
            reducer = "paracetamol" if number == "MASKED" else None
            log(
                cast,
                at=MONDAY + timedelta(hours=10),
                by=cast.nurse,
                temperature=hot,
                fever_reducer=reducer,
                fever_reducer_hours="1" if reducer else None,
            )
    with doing(cast.nurse, at=MONDAY + timedelta(hours=11)):
        seen = found["SEEN"].worker.alerts.get(cause="fever")
        attend.acknowledge_alert(alert=seen, by=cast.nurse, at=MONDAY + timedelta(hours=11))
        enter_state(found["PAUSED"], "evaluated", at=MONDAY, by=cast.nurse.actor, reason="headache")
        found["ENDED"].ended_at = MONDAY + timedelta(hours=12)
        found["ENDED"].save()
    for number, changes in (("UNCONFIRMED", {}), ("ODD", {"shoe_size": 43})):
        cast.worker = _worker(cast, number)
        found[number] = report(cast, **changes).follow_ups[0]
    sweep_at(MONDAY + timedelta(hours=11))
    return found


def _worker(cast, number):
    with doing("command:tests"):
        return Worker.objects.create(site=cast.site, number=number, name=f"{number.title()} Reed")


def listed(nora, **wanted):
    """The numbers of all pages, two to a page."""
    answer = nora.get("follow-ups/", page_size=2, **wanted).json()
    numbers = [one["worker"] for one in answer["results"]]
    while answer["next"]:
        answer = nora.get(answer["next"]).json()
        numbers += [one["worker"] for one in answer["results"]]
    return numbers


def monitored(page):
    """The lines of the monitoring list."""
    groups = page.get(reverse("monitoring")).context["groups"]
    return [row for group, _address in groups for row in group.rows]


@pytest.mark.parametrize("later", MOMENTS, ids=str)
def test_flagged_is_what_the_monitoring_list_says_is_wrong(cast, ward, standing_clock, later):
    at = standing_clock(MONDAY + later)
    nora, page = Caller(cast.nurse), Client()
    page.force_login(cast.nurse)
    shown = monitored(page)
    wrong = {row.overview.follow_up.worker.number for row in shown if row.flags}
    running = {row.overview.follow_up.worker.number for row in shown}
    flagged, fine = listed(nora, flagged="true"), listed(nora, flagged="false")
    assert sorted(flagged + fine) == sorted(ward)
    assert set(flagged) & running == wrong
    assert set(flagged) - running == {
        row.overview.follow_up.worker.number
        for row in rows(FollowUp.objects.exclude(worker__number__in=running), at=at)
        if row.flags
    }
    for one in nora.get("follow-ups/").json()["results"]:
        assert one["flagged"] is (one["worker"] in flagged)


def test_the_ward_has_both_kinds(cast, ward, standing_clock):
    standing_clock(MONDAY + timedelta(hours=12))
    assert {"FEVER", "SEEN", "MASKED", "UNCONFIRMED", "ODD"} <= set(
        listed(Caller(cast.nurse), flagged="true")
    )
    assert {"FINE", "PAUSED", "ENDED"} == set(listed(Caller(cast.nurse), flagged="false"))


@pytest.mark.parametrize("later", MOMENTS, ids=str)
def test_due_is_what_the_monitoring_list_says_is_next_due(cast, ward, standing_clock, later):
    """On the page: nothing for who has ended or is paused; the reading to take now, else the next one."""
    at = standing_clock(MONDAY + later)
    page = Client()
    page.force_login(cast.nurse)
    due = {}
    for row in monitored(page):
        line = row.overview.now_due or row.overview.next_line
        if line is not None and not row.paused:
            due[row.overview.follow_up.worker.number] = line.check.due_at
    for before in {at, *due.values(), *(moment + timedelta(seconds=1) for moment in due.values())}:
        expected = {number for number, moment in due.items() if moment < before}
        assert set(listed(Caller(cast.nurse), due_before=before.isoformat())) == expected


def test_a_reading_to_repeat_is_due_and_one_in_evaluation_is_not(cast, ward, standing_clock):
    at = standing_clock(MONDAY + timedelta(hours=12))
    found = listed(Caller(cast.nurse), due_before=at.isoformat())
    assert "MASKED" in found
    assert {"PAUSED", "ENDED", "FINE"}.isdisjoint(found)


def test_pages_are_full_and_their_statements_few_however_many_do_not_match(
    cast, ward, standing_clock, monkeypatch
):
    at = standing_clock(MONDAY + timedelta(hours=12))
    with doing("command:tests", at=at):
        people_like(ward["FINE"].worker, 30)
    monkeypatch.setattr(Sifted, "BATCH", 10)
    nora = Caller(cast.nurse)
    nora.get("follow-ups/")
    with CaptureQueriesContext(connection) as taken:
        answer = nora.get("follow-ups/", flagged="true", page_size=3).json()
    assert len(answer["results"]) == 3
    assert len(taken) < 30 + 5 * 15
