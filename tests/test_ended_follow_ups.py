"""What is learnt after a follow-up has ended, or was signed off, changes neither how it ended nor what it asks for."""

from datetime import timedelta

import pytest

from exposure.classify.models import Assessment
from exposure.followup.models import FollowUp, FollowUpState
from exposure.pipeline import classify, clear, expose, report
from exposure.refusal import Conflict
from tests.cast import MONDAY, doing
from tests.report.test_intake import adopt_instead
from tests.walk import follow_up_told_and_confirmed, log, log_to_the_end

pytestmark = pytest.mark.database

LATER = MONDAY + timedelta(days=2)


def end(cast, follow_up):
    with doing(cast.nurse, at=LATER):
        said = {"kind": "left", "reason": "Left for another hospital.", "basis": "agreed"}
        clear.end_follow_up(follow_up=follow_up, by=cast.nurse, at=LATER, **said)


def correct(cast, follow_up, at, occurred_at):
    with doing(cast.nurse, at=at):
        exposure = follow_up.exposures.get(withdrawn_at=None)
        said = {"occurred_at": occurred_at, "reason": "Ward book."}
        expose.correct_exposure(exposure=exposure, by=cast.nurse, at=at, **said)


def answer(cast, follow_up, at, **facts):
    with doing(cast.nurse, at=at):
        breach = follow_up.exposures.get().breach
        classify.answer_facts(breach=breach, facts=facts, by=cast.nurse, at=at)


def withdraw(cast, follow_up, at):
    breach = follow_up.exposures.get().breach
    with doing(cast.observer, at=at):
        asked = report.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=at)
    with doing(cast.nurse, at=at):
        said = {"accepted": True, "reason": "Spoken."}
        classify.decide_withdrawal(request=asked, by=cast.nurse, at=at, **said)


def signed_off(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    at = log_to_the_end(cast, follow_up)
    with doing(cast.physician, at=at):
        clearance = clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=at)
    assert clearance.effective_at > at
    return FollowUp.objects.get(), clearance, at


def state_of(follow_up):
    return follow_up.states.get(until_at=None).kind


def test_no_reading_is_asked_for_after_the_end_whatever_is_corrected_or_answered(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    end(cast, follow_up)
    answer(cast, follow_up, LATER, skin="broken")
    correct(cast, follow_up, LATER, LATER)
    assert not follow_up.checks.filter(withdrawn_at=None, opens_at__gt=LATER).exists()


@pytest.mark.parametrize("deed", [withdraw, lambda *who: answer(*who, contact="none", skin="no")])
def test_a_report_that_no_longer_counts_leaves_an_ended_follow_up_as_it_ended(cast, deed):
    follow_up = follow_up_told_and_confirmed(cast)
    end(cast, follow_up)
    deed(cast, follow_up, LATER + timedelta(days=1))
    follow_up.refresh_from_db()
    assert (follow_up.ended_at, state_of(follow_up)) == (LATER, FollowUpState.Kind.LEFT)


def test_a_corrected_day_0_voids_a_clearance_that_has_not_taken_effect(cast):
    follow_up, clearance, at = signed_off(cast)
    correct(cast, follow_up, at, MONDAY + timedelta(days=3))
    follow_up.refresh_from_db()
    clearance.refresh_from_db()
    assert (clearance.void_at, follow_up.ended_at) == (at, None)
    assert state_of(follow_up) == FollowUpState.Kind.MONITORED
    assert follow_up.checks.filter(withdrawn_at=None, opens_at__gt=clearance.effective_at).exists()


def test_an_exposure_recorded_by_hand_voids_a_clearance_that_has_not_taken_effect_and_says_why(cast):
    follow_up, clearance, at = signed_off(cast)
    with doing(cast.nurse, at=at):
        expose.record_exposure(
            worker=cast.worker, pathogen="ebola", occurred_at=at - timedelta(hours=1), tier="high", case=None, note="",
            by=cast.nurse, at=at,
        )  # fmt: skip
    follow_up.refresh_from_db()
    clearance.refresh_from_db()
    assert (clearance.void_at, follow_up.ended_at) == (at, None)
    assert clearance.void_because == "Another exposure was recorded before the last day had ended."


def test_answers_that_move_nothing_leave_a_clearance_as_it_was_signed(cast):
    follow_up, clearance, at = signed_off(cast)
    answer(cast, follow_up, at, skin="broken")
    clearance.refresh_from_db()
    assert clearance.void_at is None


def test_a_withdrawal_before_a_clearance_takes_effect_ends_the_follow_up_at_once(cast):
    follow_up, _clearance, at = signed_off(cast)
    withdraw(cast, follow_up, at)
    follow_up.refresh_from_db()
    assert (follow_up.ended_at, state_of(follow_up)) == (at, FollowUpState.Kind.RULED_OUT)


def test_another_tier_with_other_days_voids_a_clearance_that_has_not_taken_effect(cast):
    follow_up, clearance, at = signed_off(cast)
    answer(cast, follow_up, at, contact="none", skin="no")
    clearance.refresh_from_db()
    assert clearance.void_at is None  # a lower tier than the confirmed one waits for its second signature
    lower = Assessment.objects.get(second_signature_needed=True)
    with doing(cast.physician, at=at):
        classify.countersign(assessment=lower, by=cast.physician, at=at)
    clearance.refresh_from_db()
    assert clearance.void_at == at


def test_a_higher_tier_after_the_end_reopens_nothing_and_asks_a_clinician(cast):
    with doing("command:tests"):
        adopt_instead(cast, "ebola-2014.1", MONDAY - timedelta(days=1))
    follow_up = follow_up_told_and_confirmed(cast, facts={"contact": "body"})
    for tier in ("low", "high"):
        with doing(cast.physician, at=LATER):
            breach = follow_up.exposures.get().breach
            said = {"pathogen": "ebola", "tier": tier, "reason": "Spoken with the ward."}
            made = classify.override_tier(breach=breach, by=cast.physician, at=LATER, **said)
        if tier == "low":
            with doing(cast.physician2, at=LATER):
                classify.countersign(assessment=made, by=cast.physician2, at=LATER)
            end(cast, follow_up)
    follow_up.refresh_from_db()
    assert (follow_up.ended_at, state_of(follow_up)) == (LATER, FollowUpState.Kind.LEFT)
    assert follow_up.alerts.get(cause="to_look_at").closed_at is None


@pytest.mark.parametrize("hours", [1, 24 * 30])
def test_what_has_ended_otherwise_is_not_signed_off(cast, hours):
    follow_up = follow_up_told_and_confirmed(cast)
    log(cast, at=LATER)  # the last reading that had opened
    end(cast, follow_up)
    at = LATER + timedelta(hours=hours)
    with doing(cast.physician, at=at), pytest.raises(Conflict) as conflict:
        clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=at)
    assert conflict.value.standing.kind == state_of(follow_up) == "left"
