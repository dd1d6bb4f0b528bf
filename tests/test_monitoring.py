"""How a follow-up goes on once it runs."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import PermissionDenied

from exposure.attend import alerts
from exposure.attend.models import Alert, Promise
from exposure.attend.overview import overview
from exposure.followup import cases
from exposure.followup.models import FollowUp, Restriction
from exposure.pipeline import classify, clear, complete, enter, evaluate, expose, follow, remind
from exposure.pipeline.report import ask_withdrawal, report_breach, state_case
from exposure.pipeline.tell import tell_worker
from exposure.refusal import BadSubmission, Conflict, NotYet
from tests.cast import MONDAY, adopt, doing
from tests.walk import confirm, log_to_the_end, newest_statement, report, tell

pytestmark = pytest.mark.database


@pytest.fixture
def breach(cast):
    with doing(cast.observer):
        return report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach


@pytest.fixture
def follow_up(cast, breach):
    with doing(cast.nurse):
        tell_worker(breach=breach, how="phone", told_at=MONDAY, by=cast.nurse, at=MONDAY)
        classify.confirm_breach(breach=breach, by=cast.nurse, at=MONDAY)
    return FollowUp.objects.get()


def withdrawal(cast, breach):
    with doing(cast.observer):
        return ask_withdrawal(breach=breach, reason="Another glove.", by=cast.observer, at=MONDAY)


def decide(cast, request, accepted, reason="Spoken with the worker.", by=None):
    by = by or cast.nurse
    with doing(by):
        return classify.decide_withdrawal(request=request, accepted=accepted, reason=reason, by=by, at=MONDAY)


def test_a_follow_up_runs_until_a_withdrawal_is_decided(cast, breach, follow_up):
    withdrawal(cast, breach)
    assert FollowUp.objects.running(at=MONDAY).get() == follow_up
    assert follow_up.checks.filter(withdrawn_at=None).exists()


def test_an_accepted_withdrawal_ends_what_hung_on_the_report(cast, breach, follow_up):
    decide(cast, withdrawal(cast, breach), accepted=True)
    follow_up.refresh_from_db()
    assert follow_up.ended_at == MONDAY
    assert follow_up.states.last().kind == "ruled_out"
    assert not follow_up.checks.filter(withdrawn_at=None, opens_at__gt=MONDAY).exists()
    assert not Restriction.objects.filter(lifted_at=None).exists()
    assert not Promise.objects.filter(kind="task", kept_at=None, void_at=None).exists()


def test_an_accepted_withdrawal_leaves_the_other_exposure_standing(cast, breach, follow_up):
    with doing(cast.observer):
        report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    decide(cast, withdrawal(cast, breach), accepted=True)
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None
    assert follow_up.exposures.filter(withdrawn_at=None).count() == 1


def test_a_refused_withdrawal_changes_nothing_but_is_noted(cast, breach, follow_up):
    request = withdrawal(cast, breach)
    decision = decide(cast, request, accepted=False)
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None
    assert decide(cast, request, accepted=False) == decision
    with pytest.raises(Conflict) as conflict:
        decide(cast, request, accepted=True)
    assert conflict.value.standing == decision
    assert not Alert.objects.filter(closed_at=None, breach=breach).exists()


def test_the_reporter_does_not_decide_the_withdrawal(cast, breach):
    with pytest.raises(PermissionDenied):
        decide(cast, withdrawal(cast, breach), accepted=True, by=cast.observer)


def test_a_decision_needs_its_reason(cast, breach):
    with pytest.raises(BadSubmission):
        decide(cast, withdrawal(cast, breach), accepted=True, reason=" ")


def test_while_somebody_is_evaluated_no_missing_reading_pages_and_only_a_physician_returns_them(
    cast, follow_up
):
    later = MONDAY + timedelta(days=2, hours=14)
    with doing(cast.nurse):
        evaluate.begin_evaluation(follow_up=follow_up, reason="Fever", by=cast.nurse, at=MONDAY)
    with doing("command:clock", at=later):
        remind.pass_time(at=later)
    assert not follow_up.alerts.filter(cause=Alert.Cause.MISSED).exists()
    with doing(cast.nurse), pytest.raises(PermissionDenied):
        evaluate.return_to_monitoring(follow_up=follow_up, finding="Malaria", by=cast.nurse, at=later)
    with doing(cast.physician, at=later):
        evaluate.return_to_monitoring(follow_up=follow_up, finding="Malaria", by=cast.physician, at=later)
    assert [state.kind for state in follow_up.states.all()] == [
        "provisional",
        "monitored",
        "evaluated",
        "monitored",
    ]


def test_a_follow_up_that_ends_otherwise_asks_for_no_further_reading(cast, follow_up):
    with doing(cast.nurse):
        clear.end_follow_up(
            follow_up=follow_up, kind="left", reason="New employer.", basis="agreed", by=cast.nurse, at=MONDAY
        )
    follow_up.refresh_from_db()
    assert follow_up.ended_at == MONDAY
    assert follow_up.states.last().basis == "agreed"
    assert not follow_up.checks.filter(withdrawn_at=None, opens_at__gt=MONDAY).exists()


@pytest.mark.parametrize(
    ("kind", "basis", "pointer"), [("cleared", "agreed", "/kind"), ("left", "", "/basis")]
)
def test_clearance_and_a_missing_basis_are_refused(cast, follow_up, kind, basis, pointer):
    with doing(cast.nurse), pytest.raises(BadSubmission) as refused:
        clear.end_follow_up(follow_up=follow_up, kind=kind, reason="x", basis=basis, by=cast.nurse, at=MONDAY)
    assert refused.value.problems[0].pointer == pointer


def state(cast, pathogen="ebola", **said):
    said["seen"] = newest_statement(cast.case, pathogen)
    with doing(cast.physician):
        return state_case(case=cast.case, pathogen=pathogen, by=cast.physician, at=MONDAY, **said)


def test_a_changed_case_moves_nobody_and_lists_who_is_linked(cast, follow_up):
    state(cast, status="ruled_out", hours_since_onset=71)
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None
    alert = follow_up.alerts.get(cause=Alert.Cause.CASE_CHANGED)
    assert "71 hours after onset" in alert.because
    assert list(cases.linked_follow_ups(cast.case, at=MONDAY)) == [follow_up]


def test_from_72_hours_on_nothing_is_said_of_an_early_test(cast, follow_up):
    state(cast, status="ruled_out", hours_since_onset=72)
    assert "hours after onset" not in follow_up.alerts.get(cause=Alert.Cause.CASE_CHANGED).because


def test_another_pathogen_of_the_case_asks_about_those_who_are_followed_up_for_the_first(cast, follow_up):
    state(cast, pathogen="marburg", status="suspected")
    state(cast, pathogen="marburg", status="confirmed")
    alert = follow_up.alerts.get(cause=Alert.Cause.CASE_CHANGED)
    assert [entry.because for entry in alert.entries.all()] == ["Case K7M2Q, marburg: now suspected."]


def test_the_same_statement_again_is_stored_once(cast):
    assert state(cast, status="confirmed") == state(cast, status="confirmed")


def test_a_vaccine_is_recorded_once_and_not_in_the_future(cast):
    given = {
        "worker": cast.worker,
        "kind": "vaccine",
        "what": "Example vaccine",
        "by": cast.nurse,
        "at": MONDAY,
    }
    with doing(cast.nurse):
        rows = [enter.record_protection(**given, given_at=MONDAY) for _time in range(2)]
        with pytest.raises(BadSubmission):
            enter.record_protection(**given, given_at=MONDAY + timedelta(seconds=1))
    assert rows[0] == rows[1]


def test_nobody_decides_about_themselves(cast, follow_up):
    with doing(cast.worker.user), pytest.raises(PermissionDenied):
        evaluate.begin_evaluation(follow_up=follow_up, reason="I am well", by=cast.worker.user, at=MONDAY)


def correct(cast, exposure, occurred_at, at=MONDAY):
    with doing(cast.nurse, at=at):
        return expose.correct_exposure(
            exposure=exposure, occurred_at=occurred_at, reason="Looked it up.", by=cast.nurse, at=at
        )


def test_a_corrected_exposure_has_its_own_day_0_and_moves_the_last_day(cast, follow_up):
    first = follow_up.exposures.get()
    corrected = correct(cast, first, MONDAY - timedelta(days=2))
    first.refresh_from_db()
    assert first.withdrawn_at == MONDAY
    assert corrected.corrects == first
    assert (corrected.day_zero, corrected.last_day) == (date(2026, 2, 28), date(2026, 3, 21))
    standing = follow_up.checks.filter(withdrawn_at=None).order_by("opens_at")
    assert standing.last().local_date == date(2026, 3, 21)


def test_tasks_and_restrictions_go_with_the_corrected_exposure(cast, follow_up):
    corrected = correct(cast, follow_up.exposures.get(), MONDAY - timedelta(days=2))
    assert set(corrected.promises.filter(kind="task").values_list("key", flat=True)) == {
        "first_call",
        "public_health",
    }
    standing = Restriction.objects.filter(lifted_at=None)
    assert {one.exposure for one in standing} == {corrected}
    assert {one.to_date for one in standing} == {corrected.last_day}


def test_correcting_twice_to_the_same_time_is_one_correction(cast, follow_up):
    first = follow_up.exposures.get()
    moment = MONDAY - timedelta(days=2)
    assert correct(cast, first, moment) == correct(cast, first, moment)
    assert follow_up.exposures.count() == 2


def test_an_exposure_is_not_corrected_into_the_future(cast, follow_up):
    with pytest.raises(BadSubmission):
        correct(cast, follow_up.exposures.get(), MONDAY + timedelta(seconds=1))


def masked_twice(cast):
    """Two normal readings within an hour of a fever reducer, an hour apart."""
    states = []
    for hours in (10, 11):
        at = MONDAY + timedelta(hours=hours)
        with doing(cast.worker.user, at=at):
            body = cast.reading(fever_reducer="paracetamol", fever_reducer_hours=1)
            logged = follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=at)
        states.append((logged.state, logged.triggers))
    return states


def test_a_masked_repeat_leaves_the_reading_due(cast, follow_up):
    assert masked_twice(cast) == [("repeat_due", ("masked",))] * 2


def test_where_fever_is_not_reliable_the_masked_repeat_fills(cast, follow_up):
    with doing(cast.nurse):
        enter.note_privately(worker=cast.worker, fever_unreliable=True, text="", by=cast.nurse, at=MONDAY)
    assert masked_twice(cast) == [("repeat_due", ("masked",)), ("recorded", ("masked",))]


def end(cast, follow_up, kind="left", at=MONDAY):
    with doing(cast.nurse, at=at):
        clear.end_follow_up(
            follow_up=follow_up, kind=kind, reason="As agreed.", basis="agreed", by=cast.nurse, at=at
        )


def reopen(cast, follow_up, at):
    with doing(cast.nurse, at=at):
        return clear.reopen(follow_up=follow_up, reason="Came back.", by=cast.nurse, at=at)


def test_a_reopened_follow_up_asks_for_its_readings_again(cast, follow_up):
    end(cast, follow_up)
    at = MONDAY + timedelta(days=1)
    reopened = reopen(cast, follow_up, at)
    assert (reopened, reopened.ended_at) == (follow_up, None)
    assert follow_up.states.last().kind == "monitored"
    assert follow_up.checks.filter(withdrawn_at=None).last().local_date == date(2026, 3, 23)
    assert reopen(cast, follow_up, at).states.count() == 4


def test_the_exposures_of_a_reopened_follow_up_join_the_one_that_runs_by_then(cast, follow_up):
    end(cast, follow_up)
    at = MONDAY + timedelta(days=2)
    [running] = report(cast, at=at, occurred_at=at.isoformat()).follow_ups
    assert reopen(cast, follow_up, at) == running
    assert reopen(cast, follow_up, at) == running
    assert running.exposures.count() == 2
    assert FollowUp.objects.get(ended_at=None) == running
    assert follow_up.states.last().kind == "joined"


def test_what_waits_on_a_reopened_follow_up_waits_where_its_exposures_went(cast, follow_up):
    end(cast, follow_up)
    at = MONDAY + timedelta(days=2)
    [running] = report(cast, at=at, occurred_at=at.isoformat()).follow_ups
    with doing(cast.nurse, at=at):
        because = "A day 0 was doubted."
        earlier = alerts.raise_alert(follow_up, Alert.Cause.TO_LOOK_AT, because, site=follow_up.site, at=at)
    reopen(cast, follow_up, at)
    earlier.refresh_from_db()
    assert earlier.closed_at == at
    later = running.alerts.get(cause="to_look_at", closed_at=None)
    assert (later.because, later.dated_at) == (because, earlier.dated_at)


def test_what_has_no_exposure_left_is_not_reopened(cast, breach, follow_up):
    decide(cast, withdrawal(cast, breach), accepted=True)
    with pytest.raises(NotYet, match="no_exposure"):
        reopen(cast, follow_up, MONDAY)


def test_a_withdrawn_report_opens_nothing_any_more(cast, breach, follow_up):
    decide(cast, withdrawal(cast, breach), accepted=True)
    with doing(cast.nurse):
        classify.answer_facts(breach=breach, facts={"skin": "pierced"}, by=cast.nurse, at=MONDAY)
    assert not FollowUp.objects.filter(ended_at=None).exists()


def test_a_corrected_time_outlives_an_exposure_that_was_taken_out(cast, breach, follow_up):
    correct(cast, follow_up.exposures.get(), MONDAY - timedelta(days=2))
    for tier in ("none", "high"):
        with doing(cast.physician):
            made = classify.override_tier(
                breach=breach, pathogen="ebola", tier=tier, reason="Spoken.", by=cast.physician, at=MONDAY
            )
        with doing(cast.physician2):
            classify.countersign(assessment=made, by=cast.physician2, at=MONDAY)
    assert breach.exposures.get(withdrawn_at=None).day_zero == date(2026, 2, 28)


def test_the_tier_in_force_is_the_highest_and_not_the_newest(cast):
    with doing("command:tests"):
        adopt(cast.site, "measles-2024.1", MONDAY - timedelta(days=1))
    for immunity in ("none", "one_dose", "immune"):
        facts = {"air": "unprotected", "immunity": immunity}
        [follow_up] = report(cast, pathogen="measles", facts=facts).follow_ups
    tiers = [one.tier for one in follow_up.exposures.order_by("pk")]
    assert tiers == ["susceptible", "one_dose", "immune"]
    assert overview(follow_up, at=MONDAY).in_force.tier == "susceptible"


def test_a_measles_follow_up_runs_from_day_5_of_the_first_to_day_21_of_the_last_exposure(cast):
    """The window that fixtures/criteria/measles-2024.1.yaml cites: CDC, infection control in healthcare personnel,
    measles (2024)."""
    with doing("command:tests"):
        adopt(cast.site, "measles-2024.1", MONDAY - timedelta(days=1))
    facts = {"air": "unprotected", "immunity": "none"}
    for day in (1, 4):
        at = datetime(2026, 6, day, 9, tzinfo=UTC)
        [follow_up] = report(
            cast, at=at, occurred_at=at.isoformat(), pathogen="measles", facts=facts
        ).follow_ups
    assert follow_up.exposures.count() == 2
    days = list(follow_up.checks.filter(withdrawn_at=None).values_list("local_date", flat=True))
    assert (days[0], days[-1]) == (date(2026, 6, 6), date(2026, 6, 25))


def test_crimean_congo_fever_is_followed_for_14_days(cast):
    """The length that fixtures/criteria/cchf-2023.1.yaml cites: CDC, interim guidance (2023)."""
    with doing("command:tests"):
        adopt(cast.site, "cchf-2023.1", MONDAY - timedelta(days=1))
    [follow_up] = report(cast, pathogen="cchf").follow_ups
    exposure = follow_up.exposures.get()
    assert exposure.last_day - exposure.day_zero == timedelta(days=14)


def test_once_the_unconfirmed_report_is_withdrawn_the_follow_up_is_no_longer_provisional(cast):
    confirmed = report(cast)
    other = report(cast, occurred_at=(MONDAY - timedelta(minutes=3)).isoformat())
    confirm(cast, confirmed)
    decide(cast, withdrawal(cast, other.breach), accepted=True)
    assert FollowUp.objects.get().states.get(until_at=None).kind == "monitored"


def test_a_silence_before_two_follow_ups_were_joined_is_a_gap(cast, follow_up):
    end(cast, follow_up, at=MONDAY + timedelta(days=1))
    at = MONDAY + timedelta(days=10)
    reported = report(cast, at=at, occurred_at=at.isoformat())
    tell(cast, reported, at=at)
    confirm(cast, reported, at=at)
    running = reopen(cast, follow_up, at)
    assert running == reported.follow_ups[0]
    with doing(cast.nurse, at=at):
        for task in Promise.objects.open().filter(kind="task", exposure__follow_up=running):
            complete.complete_task(task=task, note="Done.", by=cast.nurse, at=at)
    last = log_to_the_end(cast, running)
    with doing(cast.physician, at=last):
        clearance = clear.sign_clearance(follow_up=running, by=cast.physician, at=last)
    assert clearance.kind == "with_gap"


@pytest.mark.parametrize("zone", ["UTC", "Asia/Tokyo", "America/Halifax"])
def test_a_year_that_nobody_meant_is_refused_at_the_field(cast, follow_up, zone):
    year_1 = datetime(1, 1, 1, tzinfo=ZoneInfo(zone))
    with pytest.raises(BadSubmission) as refused:
        correct(cast, follow_up.exposures.get(), year_1)
    assert refused.value.problems[0].pointer == "/occurred_at"
    given = {"kind": "vaccine", "what": "Example vaccine", "given_at": year_1}
    with doing(cast.nurse), pytest.raises(BadSubmission):
        enter.record_protection(worker=cast.worker, by=cast.nurse, at=MONDAY, **given)
