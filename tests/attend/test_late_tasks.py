"""Dated tasks: in a chain, soon due, late, corrected; and what the alerts about them, and others, say.

The hours are those of bloodborne 2025.2 in fixtures/criteria.
"""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend.models import Alert, Promise
from exposure.pipeline import expose
from tests.attend.deeds import OCCURRED, SECOND, complete, the
from tests.cast import MONDAY, adopt, doing
from tests.walk import (
    follow_up_told_and_confirmed,
    hours,
    log,
    report,
    sweep_at,
)
from tests.web.nora import someone

pytestmark = pytest.mark.database


@pytest.fixture
def bloodborne(cast):
    """A needle, reported under criteria with a chain of dated tasks."""
    with doing("command:tests", at=MONDAY - hours(24)):
        adopt(cast.site, "bloodborne-2025.2", MONDAY - hours(24))
    reported = report(cast, pathogen="bloodborne", facts={"fluid": "infectious", "portal": "pierced"})
    return reported.follow_ups[0]


# Tasks


def test_a_task_that_counts_from_another_is_dated_by_when_that_was_done(cast, bloodborne):
    course = the("task", key="hiv_course")
    assert (course.due_at, course.basis) == (None, "31d after hiv_first_dose")
    done_at = MONDAY + hours(5)
    complete(cast, "hiv_first_dose", at=done_at)
    course = the("task", key="hiv_course")
    assert (course.not_before, course.due_at) == (
        done_at + timedelta(days=28),
        done_at + timedelta(days=31),
    )


def test_a_clock_that_had_run_out_when_it_was_reported_is_missed_and_not_merely_late(
    cast, client, standing_clock, bloodborne
):
    """HIV: the first dose within 72 hours; reported a hundred hours after the needle."""
    first = the("task", key="hiv_first_dose")
    assert not first.was_over
    with doing(cast.nurse, at=MONDAY + hours(100)):
        expose.record_exposure(
            worker=someone(cast), by=cast.nurse, at=MONDAY + hours(100), pathogen="bloodborne", tier="exposed",
            occurred_at=MONDAY,
        )  # fmt: skip
    missed = Promise.objects.get(key="hiv_first_dose", worker__name="Tess Marl")
    assert (missed.was_over, missed.due_at) == (True, MONDAY + hours(72))
    standing_clock(MONDAY + hours(101))
    client.force_login(cast.nurse)
    for address in (reverse("needs_action"), reverse("person", args=[missed.worker.uid])):
        assert "missed: over" in client.get(address).content.decode()


def test_tasks_of_two_exposures_that_are_called_alike_say_of_which_each_is(cast, bloodborne):
    titles = {task.title for task in Promise.objects.filter(kind="task")}
    assert not any("March" in title for title in titles)
    report(cast, at=MONDAY + hours(30), pathogen="bloodborne", facts={"fluid": "infectious", "portal": "pierced"},
           occurred_at=(MONDAY + hours(29)).isoformat())  # fmt: skip
    for day in ("(Bloodborne, 2 March)", "(Bloodborne, 3 March)"):
        assert Promise.objects.filter(key="hiv_first_dose", title__endswith=day).count() == 1


def test_what_is_urgent_stands_first_and_what_waits_for_another_or_is_done_last(cast, bloodborne):
    complete(cast, "hbv_response", at=MONDAY + hours(1))
    tasks = list(Promise.objects.filter(kind="task").most_urgent_first())
    assert [task.key for task in tasks[:2]] == ["hiv_decision", "hiv_first_dose"]
    dated = [task.due_at for task in tasks[2:] if task.due_at and not task.kept_at]
    assert dated == sorted(dated)
    assert tasks[-1].key == "hbv_response"
    waiting = [task.due_at is None for task in tasks[:-1]]
    assert waiting == sorted(waiting)
    assert any(waiting)


def test_an_urgent_task_is_urgent_when_late_dated_by_its_time_and_not_by_when_it_was_noticed(
    cast, bloodborne
):
    sweep_at(OCCURRED + hours(2) - SECOND)
    assert not Alert.objects.filter(cause="late_task").exists()
    sweep_at(OCCURRED + hours(9))
    alert = Alert.objects.get(cause="late_task")
    assert (alert.urgent, alert.dated_at) == (True, OCCURRED + hours(2))
    assert alert.raised_at == OCCURRED + hours(9)


def test_a_task_that_is_not_urgent_is_late_without_urgency(cast):
    report(cast)
    sweep_at(MONDAY + hours(24))
    assert not Alert.objects.get(cause="late_task").urgent


SOON = {"hiv_first_dose", "source_test", "baseline", "hbv_globulin"}


@pytest.mark.parametrize(("after", "warned"), [(-SECOND, set()), (timedelta(0), SOON), (hours(3), SOON)])
def test_what_is_soon_due_is_said_once_before_and_every_task_is_named(cast, bloodborne, after, warned):
    at = (
        OCCURRED + hours(24) + after
    )  # hiv_first_dose 48h before 72h, source_test and baseline 24h before 48h
    for _round in range(2):
        sweep_at(at)
    entries = [entry for alert in Alert.objects.filter(cause="task_soon") for entry in alert.entries.all()]
    assert len(entries) == bool(warned)
    every = list(Promise.objects.filter(kind="task"))
    for entry in entries:
        assert {task.key for task in every if task.title in entry.because} == warned


def test_a_warning_that_joins_names_what_it_warned_of_before_and_is_still_open(cast, bloodborne):
    sweep_at(OCCURRED + hours(24))
    complete(cast, "source_test", at=OCCURRED + hours(25))
    late, other = the("task", key="hiv_first_dose"), the("task", key="hbv_response")
    with doing("command:tests", at=OCCURRED + hours(25)):
        other.due_at, other.warn_at, other.warned_at = OCCURRED + hours(40), OCCURRED + hours(26), None
        other.save()
    sweep_at(OCCURRED + hours(26))
    newest = Alert.objects.get(cause="task_soon").newest
    assert late.title in newest
    assert other.title in newest
    assert the("task", key="source_test").title not in newest


def test_what_is_late_already_is_not_said_to_be_soon_due(cast, bloodborne):
    sweep_at(OCCURRED + hours(73))
    [warned] = Alert.objects.get(cause="task_soon").entries.all()
    assert warned.promise.key == "hbv_globulin"
    assert not Promise.objects.open().filter(warn_at__lte=OCCURRED + hours(73), warned_at=None).exists()


def test_the_alert_names_every_late_task_and_no_longer_one_that_is_done(cast, bloodborne):
    decision, response = (the("task", key=key).title for key in ("hiv_decision", "hbv_response"))
    sweep_at(OCCURRED + hours(2))
    assert Alert.objects.get(cause="late_task").because == decision
    sweep_at(OCCURRED + hours(12))
    alert = Alert.objects.get(cause="late_task")
    assert (alert.because, alert.times) == (f"{decision}; {response}", 2)
    complete(cast, "hiv_decision", at=OCCURRED + hours(13))
    alert.refresh_from_db()
    assert (alert.words, alert.closed_at) == (response, None)
    complete(cast, "hbv_response", at=OCCURRED + hours(13))
    alert.refresh_from_db()
    assert alert.closed_at is not None


def test_a_corrected_exposure_carries_what_is_done_and_what_is_open(cast, bloodborne):
    complete(cast, "hbv_response", at=MONDAY)
    old = bloodborne.exposures.get()
    moment = OCCURRED - hours(1)
    with doing(cast.nurse):
        said = {"occurred_at": moment, "reason": "Ward book."}
        corrected = expose.correct_exposure(exposure=old, by=cast.nurse, at=MONDAY, **said)
    assert the("task", key="hbv_response", exposure=corrected).kept_at == MONDAY
    assert the("task", key="hiv_decision", exposure=corrected).due_at == moment + hours(2)
    assert not Promise.objects.filter(exposure=old, void_at=None).exists()


# What an alert says


def test_joined_an_alert_says_the_worst_and_the_newest(cast):
    follow_up_told_and_confirmed(cast)
    for minutes, temperature in enumerate(("38.0", "40.5", "38.2")):
        log(cast, at=MONDAY + hours(10) + timedelta(minutes=minutes), temperature=temperature)
    alert = Alert.objects.get(cause="fever")
    assert alert.times == 3
    assert "40.5" in alert.because
    assert "38.2" in alert.newest
    assert alert.words.index("40.5") < alert.words.index("38.2")
    assert alert.dated_at == MONDAY + hours(10)


def test_its_urgency_rises_with_what_joins_it_and_never_falls(cast):
    follow_up_told_and_confirmed(cast)
    found = []
    for minutes, symptom in enumerate(("headache", "bleeding", "headache")):
        log(cast, at=MONDAY + hours(10) + timedelta(minutes=minutes), symptoms=[symptom])
        alert = Alert.objects.get(cause="symptom")
        found.append((alert.urgent, "bleeding" in alert.because.lower()))
    assert found == [(False, False), (True, True), (True, True)]
