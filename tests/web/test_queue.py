"""What stands before what in the nurse's queue. The order is a local choice; there is no source for it."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils.html import strip_tags

from exposure.attend import alerts, promises
from exposure.attend.models import Alert, Promise
from exposure.classify.models import CriteriaVersion, Replay
from exposure.people.models import Worker
from exposure.pipeline import guide
from exposure.record import create_many
from exposure.web.nurse import queue, waits
from tests.cast import MONDAY, adopt, doing
from tests.walk import report

pytestmark = pytest.mark.database

Cause = Alert.Cause
LATER = MONDAY + timedelta(hours=1)


def causes_seen_by(user):
    return [line.cause for line in queue.lines(user, at=LATER)]


@pytest.fixture
def breach(cast):
    return report(cast).breach


@pytest.fixture
def to_review(cast, breach):
    """A replay says that other criteria would move the report, and the physician asks for a look."""
    version = CriteriaVersion.objects.get()
    with doing(cast.physician):
        stored = Replay.objects.create(
            version=version, sha256=version.sha256, site=cast.site, reports=1, breaches=[str(breach.uid)]
        )
        guide.review_moved(stored=stored, by=cast.physician, at=MONDAY)
    return Promise.objects.get(kind="review")


def test_every_cause_has_its_place():
    assert set(waits.WEIGHT) == {*Cause, waits.TO_DO}


def test_the_decision_on_the_first_dose_stands_there_from_minute_one_with_the_time_gone_and_left(
    client, cast, standing_clock
):
    standing_clock(MONDAY)
    with doing("command:tests"):
        adopt(cast.site, "bloodborne-2025.2", MONDAY - timedelta(days=2))
    exposed = report(cast, facts={"contact": "sharp", "skin": "pierced"}).breach.exposures.last()
    dose, decide = [line for line in queue.lines(cast.nurse, at=MONDAY) if line.cause == waits.TO_DO][::-1]
    assert {line.group for line in (decide, dose)} == {waits.URGENT}
    assert {line.since for line in (decide, dose)} == {exposed.occurred_at}
    assert decide.by == exposed.occurred_at + timedelta(hours=2)
    assert dose.by == exposed.occurred_at + timedelta(hours=72)
    client.force_login(cast.nurse)
    for name, subject in (
        ("needs_action", []),
        ("breach", [exposed.breach.uid]),
        ("person", [cast.worker.uid]),
    ):
        page = " ".join(strip_tags(client.get(reverse(name, args=subject)).content.decode()).split())
        assert re.search(r"[Ee]xposed .*20 min ago", page)
        assert "in 1 h 40 min" in page
        assert "in 2 days" in page


def test_what_matters_more_stands_first_however_old_the_rest_is(cast, breach):
    raised = [Cause.LATE_TASK, Cause.WITHDRAWAL, Cause.SILENCE, Cause.MISSED, Cause.CALL_ME, Cause.SYMPTOM]
    late = {"site": cast.site, "worker": cast.worker, "breach": breach, "due_at": MONDAY}
    with doing("command:tests"):
        for kind, key in (("task", "call"), ("call", "silent")):  # what two of them are about
            promises.ask(Promise(kind=kind, key=key, **late), at=MONDAY)
        for minute, cause in enumerate(raised):
            at = MONDAY + timedelta(minutes=minute)
            alerts.raise_alert(breach, cause, "Why.", site=cast.site, at=at, urgent=False)
    assert [cause for cause in causes_seen_by(cast.nurse) if cause in raised] == raised[::-1]


def test_a_long_queue_has_pages_of_fifty_people(cast, client, standing_clock):
    with doing("command:tests"):
        workers = create_many(Worker, [Worker(site=cast.site, name=f"Person {n}") for n in range(51)])
        for worker in workers:
            alerts.raise_alert(worker, Cause.CALL_ME, "Why.", site=cast.site, at=MONDAY)
    standing_clock(LATER)
    client.force_login(cast.nurse)
    first, second = (client.get(f"/needs-action/?cause=call_me&page={n}").content.decode() for n in (1, 2))
    assert (first.count("<tr>"), second.count("<tr>")) == (51, 2)  # with the line of the headings
    assert "1 to 50 of 51" in first
    assert "cause=call_me&amp;page=2" in first


def test_a_drill_stands_after_all_that_is_real(cast):
    report(cast, drill=True)
    report(cast)
    assert causes_seen_by(cast.nurse)[-1] == Cause.DRILL


def test_a_report_to_look_at_again_waits_from_the_start_and_leads_to_the_report(cast, breach, to_review):
    line = next(one for one in queue.lines(cast.nurse, at=LATER) if one.cause == waits.TO_REVIEW)
    assert (line.url, line.by, line.late) == (f"/reports/{breach.uid}/", to_review.due_at, False)
    assert "Nothing changes until you decide." in line.why


def test_a_report_to_look_at_again_stands_there_once_also_when_late(cast, to_review):
    late = [one for one in queue.lines(cast.nurse, at=to_review.due_at) if one.cause == waits.TO_REVIEW]
    assert [one.late for one in late] == [True]
    assert to_review.title not in [one.why for one in queue.lines(cast.nurse, at=to_review.due_at)]


def test_the_other_sites_nurse_is_not_asked_to_look(cast, to_review):
    assert waits.TO_REVIEW not in causes_seen_by(cast.outsider)
