"""Opening a follow-up: one per worker and pathogen, each exposure with its own days, work and restrictions."""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from exposure.classify.models import CriteriaVersion
from exposure.followup.expected import windows_of
from exposure.followup.models import FollowUp
from exposure.followup.schedule import DEFAULT_WINDOWS
from exposure.people.models import Worker, WorkerWindow
from exposure.pipeline import classify
from exposure.places.models import SiteWindow
from exposure.refusal import NotYet
from tests.cast import MONDAY, doing
from tests.walk import HIGH, LOW, confirm, hours, report

pytestmark = pytest.mark.database


def test_a_follow_up_opens_provisional_at_the_ceilings_plan(cast):
    [follow_up] = report(cast, facts={"contact": "splash"}).follow_ups
    exposure = follow_up.exposures.get()
    assert follow_up.states.get().kind == "provisional"
    assert (exposure.tier, exposure.day_zero, exposure.last_day) == (
        "high",
        date(2026, 3, 2),
        date(2026, 3, 23),
    )
    assert exposure.plan["highest"] is True


def test_day_zero_is_the_local_date_of_the_exposure(cast):
    summer = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)  # half past midnight on 2 July in Lisbon
    [follow_up] = report(cast, at=summer, occurred_at=summer.isoformat()).follow_ups
    assert follow_up.exposures.get().day_zero == date(2026, 7, 2)


def test_the_days_run_over_a_clock_change_to_the_same_local_midnight(cast):
    spring = datetime(2026, 3, 20, 9, 0, tzinfo=UTC)  # Lisbon's clock goes forward on 29 March
    [follow_up] = report(cast, at=spring, occurred_at=spring.isoformat()).follow_ups
    last = follow_up.checks.last()
    assert (last.day, last.opens_at) == (21, datetime(2026, 4, 10, 17, 0, tzinfo=UTC))
    assert follow_up.checks.filter(day__gte=1).count() == 42


def test_every_planned_reading_has_its_reminders(cast):
    [follow_up] = report(cast).follow_ups
    for check in follow_up.checks.all():
        assert [rung.kind for rung in check.rungs.all()] == ["opening", "due", "last_call", "closed"]


def test_tasks_and_restrictions_are_those_of_the_plan_with_their_dates(cast):
    exposure = report(cast).breach.exposures.get()
    assert {task.key: task.due_at for task in exposure.promises.filter(kind="task")} == {
        "first_call": MONDAY + hours(24),
        "public_health": MONDAY + hours(24),
    }
    assert {one.code: one.to_date for one in exposure.restrictions.all()} == dict.fromkeys(
        ("duty", "movement", "travel"), date(2026, 3, 23)
    )


def test_a_second_pathogen_is_a_second_follow_up(cast):
    first, second = report(cast), report(cast, pathogen="nipah")
    assert first.follow_ups[0] != second.follow_ups[0]
    assert FollowUp.objects.count() == 2


def test_confirming_one_of_two_reports_leaves_the_follow_up_provisional(cast):
    first, second = report(cast), report(cast)
    confirm(cast, first)
    assert first.follow_ups[0].states.get(until_at=None).kind == "provisional"
    confirm(cast, second)
    assert first.follow_ups[0].states.get(until_at=None).kind == "monitored"


def test_confirming_again_changes_nothing(cast):
    reported = report(cast)
    confirm(cast, reported)
    confirm(cast, reported, at=MONDAY + hours(1))
    reported.breach.refresh_from_db()
    assert reported.breach.confirmed_at == MONDAY
    assert reported.breach.assessments.count() == 2


def test_a_report_that_turns_out_harmless_leaves_the_other_exposures_days(cast):
    report(cast)
    later = MONDAY + timedelta(days=4)
    harmless = report(cast, at=later, occurred_at=later.isoformat(), facts={"contact": "splash"})
    [follow_up] = harmless.follow_ups
    assert follow_up.checks.filter(withdrawn_at=None).last().local_date == date(2026, 3, 27)
    confirm(cast, harmless, at=later, facts={"skin": "no"})
    assert follow_up.checks.filter(withdrawn_at=None).last().local_date == date(2026, 3, 23)
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None


def test_an_override_to_a_lower_tier_waits_for_the_second_signature_of_somebody_else(cast):
    reported = report(cast, facts=HIGH)
    [follow_up] = reported.follow_ups
    with doing(cast.physician):
        override = classify.override_tier(
            breach=reported.breach, pathogen="ebola", tier="none", reason="Face shield held.", by=cast.physician,
            at=MONDAY,
        )  # fmt: skip
        with pytest.raises(NotYet, match="same_person"):
            classify.countersign(assessment=override, by=cast.physician, at=MONDAY)
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None
    with doing(cast.physician2, at=MONDAY + hours(1)):
        classify.countersign(assessment=override, by=cast.physician2, at=MONDAY + hours(1))
    follow_up.refresh_from_db()
    assert follow_up.ended_at == MONDAY + hours(1)


def test_an_override_to_a_higher_tier_takes_effect_at_once(cast):
    reported = report(cast, facts=LOW)
    assert reported.follow_ups == ()
    with doing(cast.nurse):
        classify.override_tier(
            breach=reported.breach, pathogen="ebola", tier="high", reason="She was splashed.", by=cast.nurse, at=MONDAY
        )  # fmt: skip
    assert FollowUp.objects.get().exposures.get().tier == "high"


def test_own_windows_come_before_the_sites_and_these_before_the_usual_ones(cast):
    worker = Worker.objects.get(pk=cast.worker.pk)
    assert windows_of(worker) == DEFAULT_WINDOWS
    wall = {"opens": time(7), "due": time(8), "closes": time(9)}
    with doing("command:tests"):
        SiteWindow.objects.create(site=cast.site, name="site", **wall)
        assert [window.name for window in windows_of(worker)] == ["site"]
        WorkerWindow.objects.create(worker=worker, name="own", **wall)
    assert [window.name for window in windows_of(worker)] == ["own"]


def test_a_stored_version_is_the_text_it_was_read_from(cast):
    version = CriteriaVersion.objects.get(pathogen="ebola")
    assert report(cast).assessments[0].version == version
    assert version.text.startswith("#")
