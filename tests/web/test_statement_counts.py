"""A page takes as many statements for five hundred people as for ten, and for twenty-one days as for one."""

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp
from exposure.people.models import Worker
from exposure.pipeline import attend, expose
from tests.cast import MONDAY, doing
from tests.crowd import people_like
from tests.walk import follow_up_told_and_confirmed, log, report, sweep_at, tell

pytestmark = pytest.mark.database

LONG_AGO = MONDAY - timedelta(days=17)  # so that few days are left
NOW = MONDAY + timedelta(days=3)
LISTS = {  # address, and how many of the crowd stand on the first page at least
    "monitoring": (reverse("monitoring"), 7),
    "needs action": (reverse("needs_action"), 4),
    "reports": (reverse("reports"), 4),
    "follow-ups": ("/api/v1/follow-ups/?page_size=5", 5),
}


def statements(client, address, *, people=0, texts=()):
    """How many a page takes once it was opened before. It shows so many of the crowd, and the texts."""
    client.get(address)
    with CaptureQueriesContext(connection) as taken:
        page = client.get(address).content.decode()
    assert len(set(re.findall(r"CROWD-\d+", page))) >= people
    assert all(text in page for text in texts)
    return len(taken)


@pytest.fixture
def stories(cast):
    """Wim, confirmed, with readings and a fever that was seen; Rhona, told of a report nobody has confirmed, with no
    reading and late tasks; Idris, whom nobody has told of an exposure elsewhere."""
    follow_up_told_and_confirmed(cast, occurred_at=LONG_AGO.isoformat())
    checks = FollowUp.objects.get().checks.all()
    for check in checks.filter(due_at__lt=NOW):
        log(cast, at=check.due_at)
    log(cast, at=NOW - timedelta(hours=1), temperature="38.4")
    with doing(cast.nurse, at=NOW):
        attend.acknowledge_alert(alert=Alert.objects.get(cause="fever"), by=cast.nurse, at=NOW)
    rhona = report(cast, occurred_at=LONG_AGO.isoformat(), worker=None, person={"name": "Rhona Sedge"})
    tell(cast, rhona)
    with doing(cast.nurse):
        idris = Worker.objects.create(site=cast.site, number="SG-7", name="Idris Fell")
        said = {"pathogen": "ebola", "tier": "high", "occurred_at": LONG_AGO}
        expose.record_exposure(worker=idris, by=cast.nurse, at=MONDAY, **said)
    sweep_at(NOW)
    return cast.worker, rhona.breach.worker, idris


@pytest.mark.parametrize("name", ["person", "today", "my_days"])
def test_the_page_of_one_person_takes_as_many_statements_for_21_days_of_readings_as_for_1(
    cast, client, standing_clock, name
):
    follow_up = follow_up_told_and_confirmed(cast)
    client.force_login(cast.nurse if name == "person" else cast.worker.user)
    address = reverse(name, args=[cast.worker.uid] if name == "person" else [])
    logged, taken = 0, []
    for days in (1, 21):
        now = MONDAY + timedelta(days=days, hours=2)
        standing_clock(now)
        for check in follow_up.checks.filter(due_at__lt=now)[logged:]:
            log(cast, at=check.due_at)
            logged += 1
        taken.append(statements(client, address, texts=["36.8"] if name != "today" else ["Wim"]))
    assert logged > 40
    assert taken[0] == taken[1]


def test_no_list_and_no_idle_round_takes_more_statements_for_500_people_than_for_10(
    cast, stories, client, standing_clock
):
    standing_clock(NOW)
    client.force_login(cast.nurse)
    wim = Client()
    wim.force_login(cast.worker.user)

    def taken(people):
        with doing("command:tests", at=NOW):
            for place, worker in enumerate(stories):
                people_like(worker, (people - FollowUp.objects.count()) // (len(stories) - place))
        assert FollowUp.objects.count() == people
        found = {name: statements(client, address, people=shown) for name, (address, shown) in LISTS.items()}
        found |= {name: statements(wim, reverse(name)) for name in ("today", "my_days")}
        sweep_at(NOW)
        with CaptureQueriesContext(connection) as idle:
            sweep_at(NOW)
        return {**found, "sweep": len(idle)}

    assert taken(10) == taken(500)
