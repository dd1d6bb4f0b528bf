"""The pipeline as short stories: a breach walks from the station to a signed clearance."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core import mail

from exposure.attend.models import Alert
from exposure.attend.overview import overview
from exposure.followup.models import FollowUp, FollowUpState
from exposure.pipeline import attend, clear, complete
from exposure.refusal import NotYet
from tests.cast import MONDAY, doing
from tests.walk import (
    confirm,
    follow_up_told_and_confirmed,
    hours,
    log,
    log_to_the_end,
    pass_time,
    report,
    tell,
)

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)  # Lisbon keeps UTC until 29 March
LAST_DAY_IS_OVER = datetime(2026, 3, 24, 0, 0, tzinfo=UTC)  # day 0 is 2 March, day 21 is 23 March


def states(follow_up):
    return [state.kind for state in follow_up.states.all()]


def test_a_breach_walks_from_the_station_to_a_signed_clearance(cast):
    reported = report(cast)
    [follow_up] = reported.follow_ups
    assert reported.ring_now
    assert states(follow_up) == ["provisional"]

    tell(cast, reported, at=MONDAY + hours(0.5))
    confirm(cast, reported, at=MONDAY + hours(1))
    assert states(follow_up) == ["provisional", "monitored"]

    pass_time(EVENING)
    assert [message.to for message in mail.outbox] == [["worker@example.org"]]

    assert log(cast, at=EVENING + hours(1)).state == "recorded"

    log(cast, at=EVENING + hours(14), temperature="38.0")
    alert = Alert.objects.get(cause="fever")
    assert (alert.cause, alert.urgent, alert.round) == ("fever", True, 1)

    with doing(cast.nurse, at=EVENING + hours(14.5)):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=EVENING + hours(14.5))
    log(cast, at=EVENING + hours(15), temperature="38.4")
    alert.refresh_from_db()
    assert (alert.round, alert.acknowledged_at) == (2, None), "a second fever opens a new round"
    mail.outbox.clear()
    pass_time(EVENING + hours(15))
    assert cast.nurse.email in {address for message in mail.outbox for address in message.to}, (
        "and pages again"
    )

    with doing(cast.physician, at=EVENING + hours(16)):
        attend.acknowledge_alert(alert=alert, by=cast.physician, at=EVENING + hours(16))
        attend.close_alert(
            alert=alert,
            outcome="other_diagnosis",
            note="Influenza.",
            by=cast.physician,
            at=EVENING + hours(16),
        )
        for task in reported.breach.exposures.get().promises.filter(kind="task"):
            complete.complete_task(task=task, note="Done.", by=cast.physician, at=EVENING + hours(16))

    for check in follow_up.checks.filter(opens_at__gt=EVENING + hours(16)):
        log(cast, at=check.due_at)
    signed_at = check.due_at + hours(1)
    with doing(cast.physician, at=signed_at):
        clearance = clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=signed_at)
    assert clearance.signed_at == signed_at
    assert clearance.effective_at == LAST_DAY_IS_OVER

    running = FollowUp.objects.running
    assert running(at=LAST_DAY_IS_OVER - timedelta(seconds=1)).filter(worker=cast.worker).exists()
    assert not running(at=LAST_DAY_IS_OVER).filter(worker=cast.worker).exists()


def test_a_report_without_risk_opens_nothing_and_still_waits_for_a_nurse(cast):
    reported = report(cast, facts={"contact": "none", "skin": "no"})
    assert (reported.follow_ups, reported.ring_now) == ((), False)
    assert reported.assessments[0].tier == "none"
    assert reported.breach.promises.get(kind="confirm").due_at == MONDAY + hours(24)
    pass_time(MONDAY + hours(24))
    assert Alert.objects.filter(breach=reported.breach, cause="late_confirmation").exists()


def test_a_nurse_who_learns_that_nothing_happened_ends_the_follow_up_with_its_work(cast):
    reported = report(cast, facts={"contact": "splash"})
    [follow_up] = reported.follow_ups
    confirm(cast, reported, at=MONDAY + hours(1), facts={"skin": "no"})
    follow_up.refresh_from_db()
    assert states(follow_up) == ["provisional", "ruled_out"]
    assert follow_up.ended_at == MONDAY + hours(1)
    exposure = reported.breach.exposures.get()
    assert exposure.withdrawn_at == MONDAY + hours(1)
    assert not exposure.promises.filter(kind="task", void_at=None).exists()
    assert not exposure.restrictions.filter(lifted_at=None).exists()
    assert not follow_up.checks.filter(withdrawn_at=None).exists()
    pass_time(EVENING)
    assert mail.outbox == [] or all(message.to != ["worker@example.org"] for message in mail.outbox)


def test_a_second_breach_is_a_second_exposure_and_the_later_one_gives_the_last_day(cast):
    first = report(cast)
    later = MONDAY + timedelta(days=5)
    second = report(cast, at=later, occurred_at=later.isoformat())
    assert first.follow_ups == second.follow_ups
    now = overview(first.follow_ups[0], at=later)
    assert len(now.exposures) == 2
    assert (now.last_day - now.exposures[0].day_zero).days == 26
    assert [one.last_day.day for one in now.exposures] == [23, 28]


def test_an_earlier_breach_reported_later_does_not_shorten_the_follow_up(cast):
    report(cast)
    second = report(cast, at=MONDAY + hours(1), occurred_at=(MONDAY - timedelta(days=3)).isoformat())
    now = overview(second.follow_ups[0], at=MONDAY + hours(1))
    assert now.last_day.isoformat() == "2026-03-23"


def test_a_new_breach_before_the_clearance_takes_effect_makes_it_void_and_joins_the_follow_up(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    signed_at = log_to_the_end(cast, follow_up) + hours(1)
    with doing(cast.physician, at=signed_at):
        clearance = clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=signed_at)
    again = report(cast, at=signed_at + hours(1), occurred_at=signed_at.isoformat())
    clearance.refresh_from_db()
    assert clearance.void_at == signed_at + hours(1)
    assert [one.pk for one in again.follow_ups] == [follow_up.pk]
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None


def test_a_breach_after_the_clearance_has_taken_effect_opens_a_new_follow_up(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    signed_at = log_to_the_end(cast, follow_up) + hours(1)
    with doing(cast.physician, at=signed_at):
        clearance = clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=signed_at)
    again = report(cast, at=LAST_DAY_IS_OVER, occurred_at=LAST_DAY_IS_OVER.isoformat())
    clearance.refresh_from_db()
    assert clearance.void_at is None
    assert [one.pk for one in again.follow_ups] != [follow_up.pk]


def test_nobody_signs_while_a_fever_is_open(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    log_to_the_end(cast, follow_up, but=1)
    last = follow_up.checks.last()
    log(cast, at=last.due_at, temperature="38.0")
    with doing(cast.physician, at=last.closes_at), pytest.raises(NotYet) as refusal:
        clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=last.closes_at)
    assert refusal.value.reasons == ("open_alerts",)
    assert states(follow_up)[-1] == FollowUpState.Kind.MONITORED
