"""What clinicians decide about a report: once, in order, and never undone by a later routine step."""

from datetime import timedelta

import pytest

from exposure.pipeline import classify, follow, report, tell
from exposure.refusal import BadSubmission
from tests.cast import MONDAY, adopt, doing

pytestmark = pytest.mark.database


@pytest.fixture
def breach(cast):
    with doing(cast.observer):
        return report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach


def override(cast, breach, tier="none", reason="A whole layer lay between."):
    with doing(cast.physician):
        return classify.override_tier(
            breach=breach, pathogen="ebola", tier=tier, reason=reason, by=cast.physician, at=MONDAY
        )


def confirm(cast, breach, **facts):
    with doing(cast.nurse):
        classify.confirm_breach(breach=breach, by=cast.nurse, facts=facts, at=MONDAY)


def signed(cast, breach):
    assessment = override(cast, breach)
    with doing(cast.physician2):
        classify.countersign(assessment=assessment, by=cast.physician2, at=MONDAY)
    return assessment


def test_a_confirmation_without_new_answers_leaves_the_clinicians_tier(cast, breach):
    assessment = signed(cast, breach)
    confirm(cast, breach)
    assert breach.assessments.last() == assessment
    assert not breach.exposures.filter(withdrawn_at=None).exists()


def test_a_confirmation_with_new_answers_is_assessed_anew(cast, breach):
    signed(cast, breach)
    confirm(cast, breach, skin="pierced")
    assert breach.assessments.filter(pathogen="ebola").last().treated_as == "high"
    assert breach.exposures.filter(withdrawn_at=None).exists()


def test_a_drill_is_confirmed_and_nothing_follows_from_it(cast):
    with doing(cast.observer):
        drill = report.report_breach(body=cast.body(drill=True), reporter=cast.observer, at=MONDAY).breach
    confirm(cast, drill)
    drill.refresh_from_db()
    assert (drill.confirmed_at, drill.confirmed_by) == (MONDAY, cast.nurse)
    assert not drill.assessments.exists()


def test_the_same_override_by_the_same_person_is_stored_once(cast, breach):
    assert override(cast, breach) == override(cast, breach)
    assert override(cast, breach, reason="Seen by me.") != override(cast, breach)


def test_asking_twice_for_withdrawal_is_one_request(cast, breach):
    with doing(cast.observer):
        first, again = (
            report.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
            for _time in range(2)
        )
    assert first == again


@pytest.mark.parametrize(("how", "told_at", "pointer"), [("letter", MONDAY, "/by"), ("phone", None, "/at")])
def test_telling_by_no_known_way_or_in_the_future_is_refused_at_the_field(
    cast, breach, how, told_at, pointer
):
    told_at = told_at or MONDAY + timedelta(minutes=10, seconds=1)
    with doing(cast.nurse), pytest.raises(BadSubmission) as refused:
        tell.tell_worker(breach=breach, how=how, told_at=told_at, by=cast.nurse, at=MONDAY)
    assert [problem.pointer for problem in refused.value.problems] == [pointer]
    assert not breach.tellings.exists()


def test_ten_minutes_ahead_is_a_clock_that_goes_wrong(cast, breach):
    with doing(cast.nurse):
        told_at = MONDAY + timedelta(minutes=10)
        tell.tell_worker(breach=breach, how="phone", told_at=told_at, by=cast.nurse, at=MONDAY)
    assert breach.tellings.exists()


def test_a_temperature_counts_although_a_reason_for_none_was_typed_too(cast, breach):
    at = MONDAY + timedelta(hours=10)
    with doing(cast.worker.user, at=at):
        body = cast.reading(could_not="no thermometer at first", note="found it")
        logged = follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=at)
    assert logged.state == "recorded"
    assert logged.row.note == "found it\nno thermometer at first"


def test_what_is_about_the_worker_counts_only_once_a_clinician_says_it(cast):
    """Whether somebody is immune is not for the observer, nor for a device, to say (measles 2024.2)."""
    with doing("command:tests"):
        adopt(cast.site, "measles-2024.2", MONDAY - timedelta(days=2))
    said = {"air": "unprotected", "immunity": "immune"}
    body = cast.body(pathogen="measles", facts=said)
    with doing(cast.observer):
        breach = report.report_breach(body=body, reporter=cast.observer, at=MONDAY).breach
    assert breach.assessments.get().treated_as == "susceptible"
    with doing(cast.observer):
        classify.answer_facts(breach=breach, facts={"immunity": "immune"}, by=cast.observer, at=MONDAY)
    with doing(cast.nurse):
        classify.confirm_breach(breach=breach, note="Spoke.", by=cast.nurse, at=MONDAY)
    assert {one.treated_as for one in breach.assessments.all()} == {"susceptible"}
    with doing(cast.nurse):
        classify.answer_facts(breach=breach, facts={"immunity": "immune"}, by=cast.nurse, at=MONDAY)
    assert breach.assessments.last().facts["immunity"] == "immune"
