"""Every follow-up that runs is planned anew once a day: who is due follows from the rows, whatever ran, stopped or was
forgotten in between, and zone rules and windows of today are those that hold."""

from dataclasses import replace
from datetime import time, timedelta

import pytest

from exposure.followup.models import FollowUp
from exposure.people.models import Worker
from exposure.pipeline import clear, expose, remind, turn
from exposure.places.models import SiteWindow
from exposure.remind.models import Planned
from exposure.remind.rounds import run
from tests.cast import MONDAY, doing
from tests.walk import hours, report

pytestmark = pytest.mark.database

[REPLAN] = [part for part in remind.PARTS if part.name == "replan"]
SECOND = timedelta(seconds=1)
DAY = turn.REPLAN_EVERY


@pytest.fixture
def follow_up(cast):
    return report(cast).follow_ups[0]


def a_round(at):
    with doing("command:clock", at=at):
        return run(REPLAN, at=at)


def set_windows(site, *dues):
    """The site's windows, as an administrator types them: from an hour before each due to two hours after it."""
    with doing("command:tests"):
        for number, due in enumerate(dues):
            opens, closes = time(due - 1), time(due + 2)
            SiteWindow.objects.create(site=site, name=f"w{number}", opens=opens, due=time(due), closes=closes)


def dues(follow_up, *, after):
    """The local times of day at which unopened readings are due; Lisbon's winter time is UTC."""
    rows = follow_up.checks.filter(withdrawn_at=None, opens_at__gt=after)
    return {row.due_at.time() for row in rows}


def more_people(cast, count):
    """So many more who are followed up."""
    for number in range(count):
        with doing(cast.nurse):
            worker = Worker.objects.create(site=cast.site, number=f"SG-{number}", name=f"Ann {number}")
            said = {"pathogen": "ebola", "tier": "high", "occurred_at": MONDAY - hours(2)}
            expose.record_exposure(worker=worker, by=cast.nurse, at=MONDAY, **said)


def test_changed_windows_of_the_site_hold_a_day_after_it_was_planned_and_not_before(cast, follow_up):
    usual = dues(follow_up, after=MONDAY + DAY)
    set_windows(cast.site, 5, 15)
    assert a_round(MONDAY + DAY - SECOND) == 0
    assert dues(follow_up, after=MONDAY + DAY) == usual != {time(5), time(15)}
    assert a_round(MONDAY + DAY) == 1
    assert dues(follow_up, after=MONDAY + DAY + hours(12)) == {time(5), time(15)}


def test_what_was_planned_anew_is_due_again_a_day_later_and_a_second_round_does_nothing(cast, follow_up):
    at = MONDAY + DAY + hours(3)
    assert [a_round(at), a_round(at), a_round(at + DAY - SECOND), a_round(at + DAY)] == [1, 0, 0, 1]


def test_where_nothing_has_changed_every_reading_stays(cast, follow_up):
    before = list(follow_up.checks.values_list())
    a_round(MONDAY + DAY)
    assert list(follow_up.checks.values_list()) == before
    assert Planned.objects.get().at == MONDAY + DAY


def test_after_days_without_a_clock_process_the_first_round_makes_up_for_all_of_them_once(cast, follow_up):
    set_windows(cast.site, 5, 15)
    at = MONDAY + 4 * DAY
    assert [a_round(at), a_round(at)] == [1, 0]
    assert dues(follow_up, after=at + hours(12)) == {time(5), time(15)}


def test_who_is_planned_anew_is_who_runs(cast, follow_up):
    """Opened, ended, reopened: nobody keeps a list beside the rows."""

    def planned():
        return set(Planned.objects.values_list("follow_up", flat=True))

    def running():
        return set(FollowUp.objects.filter(ended_at=None).values_list("pk", flat=True))

    more_people(cast, 2)
    assert planned() == running() != set()
    with doing(cast.physician):
        said = {"kind": "left", "reason": "Moved away.", "basis": "agreed"}
        clear.end_follow_up(follow_up=follow_up, by=cast.physician, at=MONDAY, **said)
    a_round(MONDAY + DAY)
    assert planned() == running()
    assert follow_up.pk not in planned()
    with doing(cast.physician, at=MONDAY + DAY):
        clear.reopen(follow_up=follow_up, reason="Back again.", by=cast.physician, at=MONDAY + DAY)
    assert planned() == running()
    assert follow_up.pk in planned()


def test_one_that_ended_while_it_waited_is_asked_for_nothing_and_waits_no_more(cast, follow_up):
    with doing("command:tests"):  # a signature has taken effect
        follow_up.ended_at = MONDAY + hours(12)
        follow_up.save()
    before = follow_up.checks.count()
    assert a_round(MONDAY + DAY) == 1
    assert follow_up.checks.count() == before
    assert not Planned.objects.exists()


def test_a_round_takes_the_longest_unplanned_first_and_leaves_the_rest_to_the_next(cast, follow_up):
    more_people(cast, 4)
    keys = list(FollowUp.objects.order_by("pk").values_list("pk", flat=True))
    for place, key in enumerate(reversed(keys)):
        Planned.objects.filter(follow_up=key).update(at=MONDAY - DAY + place * hours(1))
    few = replace(REPLAN, at_most=3)
    with doing("command:clock", at=MONDAY + DAY):
        assert run(few, at=MONDAY + DAY) == 3
    done = set(Planned.objects.filter(at=MONDAY + DAY).values_list("follow_up", flat=True))
    assert done == set(keys[-3:])
    with doing("command:clock", at=MONDAY + DAY + SECOND):
        assert run(few, at=MONDAY + DAY + SECOND) == 2
    assert not Planned.objects.filter(at__lt=MONDAY + DAY).exists()


def test_one_that_cannot_be_planned_keeps_nobody_else_waiting(cast, follow_up, monkeypatch):
    more_people(cast, 2)
    plan = turn.plan_readings

    def failing(planned, at):
        if planned.pk == follow_up.pk:
            raise ValueError("No such zone.")
        plan(planned, at)

    monkeypatch.setattr(turn, "plan_readings", failing)
    assert a_round(MONDAY + DAY) == 2
    assert list(Planned.objects.filter(at=MONDAY).values_list("follow_up", flat=True)) == [follow_up.pk]
    monkeypatch.undo()
    assert a_round(MONDAY + DAY + hours(2)) == 1
