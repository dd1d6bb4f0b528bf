"""Several people exposed at once: linked reports, each with its own facts, in whatever order they arrive."""

from datetime import timedelta
from uuid import uuid4

import pytest

from exposure.people.models import Worker
from exposure.pipeline.report import report_breach
from exposure.refusal import Conflict
from exposure.report.models import Breach, Event
from tests.cast import MONDAY, doing
from tests.walk import HIGH, LOW, report

pytestmark = pytest.mark.database


def of_somebody_else(cast, named, **changes):
    """A report about whoever stood beside, in the event that `named` names."""
    other = {"worker": None, "person": {"name": f"Beside {uuid4().hex[:6]}"}, "event": str(named)}
    return report(cast, **{**other, **changes}).breach


def together(event):
    return set(event.breaches.all())


def test_a_second_report_that_names_the_first_begins_the_event_of_both(cast):
    first = report(cast, facts=HIGH).breach
    second = of_somebody_else(cast, first.uid, facts=LOW)
    event = Event.objects.get()
    assert (event.uid, event.site, event.occurred_at) == (first.uid, first.site, first.happened_at)
    assert event.title == "Heron, 2 March 2026"
    assert together(event) == {first, second}
    assert "unknown_event" not in second.flags
    assert (first.facts, second.facts) == (HIGH, LOW)


def test_a_third_one_joins_by_the_event_or_by_any_report_of_it(cast):
    first = report(cast).breach
    second = of_somebody_else(cast, first.uid)
    third = of_somebody_else(cast, Event.objects.get().uid)
    fourth = of_somebody_else(cast, second.uid)
    assert together(Event.objects.get()) == {first, second, third, fourth}


def test_the_first_report_may_come_last_and_finds_those_that_name_it(cast):
    awaited = uuid4()
    second, third = of_somebody_else(cast, awaited), of_somebody_else(cast, str(awaited).upper())
    assert "unknown_event" in second.flags
    assert not Event.objects.exists()
    first = report(cast, submission_id=str(awaited)).breach
    assert together(Event.objects.get(uid=awaited)) == {first, second, third}
    second.refresh_from_db()
    assert "unknown_event" not in second.flags
    assert second.history.first().event_id == second.event_id


def test_the_first_report_joins_the_event_that_those_before_it_have_begun(cast):
    awaited = uuid4()
    second = of_somebody_else(cast, awaited)
    third = of_somebody_else(cast, second.uid)
    first = report(cast, submission_id=str(awaited)).breach
    assert together(Event.objects.get()) == {first, second, third}


def test_a_report_that_was_awaited_for_more_than_seven_days_is_not_looked_for(cast):
    awaited = uuid4()
    of_somebody_else(cast, awaited)
    report(cast, submission_id=str(awaited), at=MONDAY + timedelta(days=7))
    assert not Event.objects.exists()


@pytest.mark.parametrize(("one", "other"), [(True, False), (False, True)])
def test_a_drill_and_a_real_report_never_join(cast, one, other):
    first = report(cast, drill=one).breach
    second = of_somebody_else(cast, first.uid, drill=other)
    assert "unknown_event" in second.flags
    assert not Event.objects.exists()
    same = of_somebody_else(cast, first.uid, drill=one)
    odd = of_somebody_else(cast, Event.objects.get().uid, drill=other)
    assert together(Event.objects.get()) == {first, same}
    assert "unknown_event" in odd.flags


def test_an_awaited_real_report_takes_in_no_drill(cast):
    awaited = uuid4()
    drill = of_somebody_else(cast, awaited, drill=True)
    report(cast, submission_id=str(awaited))
    assert not Event.objects.exists()
    assert "unknown_event" in drill.flags


def test_a_report_of_another_site_or_the_report_itself_begins_no_event(cast):
    with doing(cast.outsider):
        Worker.objects.create(site=cast.other_site, user=cast.outsider, number="FQ-1", name="Xenia Fern")
    elsewhere = report(cast, by=cast.outsider, station=None, worker="FQ-1").breach
    assert elsewhere.site == cast.other_site
    assert "unknown_event" in of_somebody_else(cast, elsewhere.uid).flags
    own = str(uuid4())
    assert "unknown_event" in report(cast, submission_id=own, event=own).breach.flags
    assert not Event.objects.exists()


def test_the_same_report_again_begins_nothing_and_other_content_is_a_conflict(cast):
    first = report(cast).breach
    body = cast.body(worker=None, person={"name": "Beside"}, event=str(first.uid))
    with doing(cast.observer):
        for created in (True, False):
            again = report_breach(body=body, reporter=cast.observer, at=MONDAY)
            assert again.created is created
        with pytest.raises(Conflict):
            report_breach(body={**body, "event": None}, reporter=cast.observer, at=MONDAY)
    assert Event.objects.count() == 1
    assert Breach.objects.filter(event=Event.objects.get()).count() == 2
