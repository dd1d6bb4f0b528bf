"""Signing the end of a follow-up: refusals with their reasons, who signs, when it takes effect, what voids it."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.followup.models import Fill, FollowUp
from exposure.people.models import Worker
from exposure.pipeline import attend, clear, enter
from exposure.refusal import NotYet
from tests.cast import MONDAY, doing
from tests.walk import confirm, follow_up_told_and_confirmed, hours, log, log_to_the_end, report, tell

pytestmark = pytest.mark.database

LAST_DUE = datetime(2026, 3, 23, 20, 0, tzinfo=UTC)
LAST_DAY_IS_OVER = datetime(2026, 3, 24, 0, 0, tzinfo=UTC)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def sign(follow_up, by, at):
    with doing(by, at=at):
        return clear.sign_clearance(follow_up=follow_up, by=by, at=at)


def reasons(follow_up, by, at):
    with pytest.raises(NotYet) as refusal:
        sign(follow_up, by, at)
    return refusal.value.reasons


def test_before_the_last_reading_nobody_signs(cast, follow_up):
    log_to_the_end(cast, follow_up, but=1)
    assert reasons(follow_up, cast.physician, LAST_DUE) == ("last_reading_missing",)
    assert not Clearance.objects.exists()


def test_after_the_last_reading_a_physician_signs_and_it_takes_effect_when_the_day_ends(cast, follow_up):
    log_to_the_end(cast, follow_up)
    clearance = sign(follow_up, cast.physician, LAST_DUE)
    assert (clearance.kind, clearance.signed_at, clearance.effective_at) == (
        "completed",
        LAST_DUE,
        LAST_DAY_IS_OVER,
    )
    assert FollowUp.objects.get().ended_at == LAST_DAY_IS_OVER


IN_ORDER = ["confirmed", "last_reading_recorded", "no_open_alerts", "no_open_tasks", "no_gap"]


def test_a_clearance_keeps_why_it_was_allowed(cast, follow_up):
    log_to_the_end(cast, follow_up)
    sign(follow_up, cast.physician, LAST_DUE)
    assert Clearance.objects.get().reasons == IN_ORDER
    assert {tuple(version.reasons) for version in Clearance.history.all()} == {tuple(IN_ORDER)}


def test_why_it_was_allowed_is_how_things_stand_at_the_last_signature(cast, follow_up):
    plan_asks(follow_up, "two")
    log_to_the_end(cast, follow_up, but=1)
    last = follow_up.checks.last()
    with doing(cast.nurse, at=last.closes_at):
        enter.excuse_check(check=last, reason="In the air.", by=cast.nurse, at=last.closes_at)
    sign(follow_up, cast.nurse, last.closes_at)
    later = last.closes_at + hours(1)
    log(cast, at=later, taken_at=LAST_DUE.isoformat())
    sign(follow_up, cast.physician, later)
    kept = [version.reasons[1] for version in Clearance.history.order_by("history_id")]
    assert (kept[0], kept[-1]) == ("last_reading_excused", "last_reading_recorded")


def test_a_clearance_signed_after_the_last_day_takes_effect_at_once(cast, follow_up):
    log_to_the_end(cast, follow_up)
    at = LAST_DAY_IS_OVER + hours(9)
    assert sign(follow_up, cast.physician, at).effective_at == at


def test_a_last_reading_that_was_explained_is_enough(cast, follow_up):
    log_to_the_end(cast, follow_up, but=1)
    last = follow_up.checks.last()
    with doing(cast.nurse, at=last.closes_at):
        enter.excuse_check(check=last, reason="In the air.", by=cast.nurse, at=last.closes_at)
    assert sign(follow_up, cast.physician, last.closes_at).signed_at == last.closes_at


def test_a_last_reading_that_was_explained_beforehand_does_not_bring_the_signing_forward(cast, follow_up):
    last = follow_up.checks.last()
    log_to_the_end(cast, follow_up, but=1)
    before = last.opens_at - timedelta(minutes=1)
    with doing(cast.nurse, at=before):  # no use case takes this any more; rows from before stand
        Fill.objects.create(check_row=last, state="excused", reason="In the air.")
    assert reasons(follow_up, cast.physician, before) == ("last_reading_missing",)
    assert sign(follow_up, cast.physician, last.opens_at).signed_at == last.opens_at


@pytest.mark.parametrize(("gap", "kind"), [(48, "with_gap"), (47.9, "completed")])
def test_48_hours_without_contact_are_a_gap(cast, follow_up, gap, kind):
    checks = list(follow_up.checks.all())
    start, end = checks[10].due_at, checks[14].due_at  # 48 hours apart
    for check in checks:
        if not start < check.due_at < end:
            log(cast, at=check.due_at + (hours(gap - 48) if check.due_at == end else timedelta()))
    with doing(cast.nurse, at=LAST_DUE):
        for alert in Alert.objects.filter(closed_at=None):
            attend.close_alert(
                alert=alert, outcome="evaluated", note="Looked at.", by=cast.nurse, at=LAST_DUE
            )
    assert sign(follow_up, cast.physician, LAST_DUE).kind == kind


def test_an_unconfirmed_report_stands_in_the_way(cast):
    reported = report(cast)
    tell(cast, reported)
    log_to_the_end(cast, reported.follow_ups[0])
    assert set(reasons(reported.follow_ups[0], cast.physician, LAST_DUE)) == {"not_confirmed", "open_tasks"}


def test_an_open_alert_of_the_report_stands_in_the_way(cast, follow_up):
    log_to_the_end(cast, follow_up)
    breach = follow_up.exposures.get().breach
    with doing("command:tests", at=LAST_DUE):
        raise_alert(breach, "other_content", "Sent twice.", site=cast.site, at=LAST_DUE)
    assert reasons(follow_up, cast.physician, LAST_DUE) == ("open_alerts",)


def test_where_the_plan_asks_for_a_physician_a_nurse_does_not_sign(cast, follow_up):
    log_to_the_end(cast, follow_up)
    assert reasons(follow_up, cast.nurse, LAST_DUE) == ("physician_signs",)


def plan_asks(follow_up, clearance):
    exposure = follow_up.exposures.get()
    with doing("command:tests"):
        exposure.plan = {**exposure.plan, "clearance": clearance}
        exposure.save()


def test_where_the_plan_asks_for_a_nurse_a_nurse_signs(cast, follow_up):
    plan_asks(follow_up, "nurse")
    log_to_the_end(cast, follow_up)
    assert sign(follow_up, cast.nurse, LAST_DUE).signed_at == LAST_DUE


def test_where_the_plan_asks_for_two_the_second_person_makes_it_effective(cast, follow_up):
    plan_asks(follow_up, "two")
    log_to_the_end(cast, follow_up)
    for _time in range(2):
        assert sign(follow_up, cast.nurse, LAST_DUE).signed_at is None
    assert FollowUp.objects.get().ended_at is None
    second = sign(follow_up, cast.physician, LAST_DUE + hours(1))
    assert (second.signed_at, second.effective_at) == (LAST_DUE + hours(1), LAST_DAY_IS_OVER)
    assert Signature.objects.filter(subject=f"clearance:{second.uid}").count() == 2


def test_a_second_signature_after_the_last_day_takes_effect_then_and_not_before(cast, follow_up):
    plan_asks(follow_up, "two")
    log_to_the_end(cast, follow_up)
    sign(follow_up, cast.nurse, LAST_DUE)
    at = LAST_DAY_IS_OVER + hours(8)
    assert sign(follow_up, cast.physician, at).effective_at == at


def test_a_trigger_after_the_first_of_two_signatures_makes_it_void(cast, follow_up):
    plan_asks(follow_up, "two")
    log_to_the_end(cast, follow_up)
    first = sign(follow_up, cast.nurse, LAST_DUE)
    log(cast, at=LAST_DUE + hours(1), temperature="38.0")
    first.refresh_from_db()
    assert first.void_at == LAST_DUE + hours(1)


@pytest.mark.parametrize("needs", ["physician", "two"])
def test_who_hands_it_over_before_a_clearance_takes_effect_makes_it_void_and_only_one_that_ended_it_goes_on(
    cast, follow_up, needs
):
    """With the first of two signatures alone it was followed up all the time: there is nothing to go back to."""
    plan_asks(follow_up, needs)
    log_to_the_end(cast, follow_up)
    clearance = sign(follow_up, cast.physician, LAST_DUE)
    at = LAST_DUE + hours(1)
    before = [state.kind for state in follow_up.states.all()]
    with doing(cast.physician, at=at):
        clear.end_follow_up(
            follow_up=follow_up,
            kind="handed_over",
            reason="Moved.",
            basis="agreed",
            accepted_by="Fenwick Quay Clinic",
            by=cast.physician,
            at=at,
        )
    clearance.refresh_from_db()
    assert clearance.void_at == at
    after = [state.kind for state in follow_up.states.all()]
    assert after[len(before) :] == ["monitored", "handed_over"][needs == "two" :]
    assert FollowUp.objects.get().ended_at == at


@pytest.mark.parametrize(("seconds", "void"), [(-1, True), (0, False)])
def test_a_fever_before_the_clearance_takes_effect_makes_it_void_and_one_after_does_not(
    cast, follow_up, seconds, void
):
    log_to_the_end(cast, follow_up)
    clearance = sign(follow_up, cast.physician, LAST_DUE)
    log(cast, at=LAST_DAY_IS_OVER + timedelta(seconds=seconds), temperature="38.0")
    clearance.refresh_from_db()
    assert (clearance.void_at is not None) is void
    assert FollowUp.objects.running(at=LAST_DAY_IS_OVER + hours(1)).exists() is void


def test_a_normal_reading_leaves_the_clearance(cast, follow_up):
    log_to_the_end(cast, follow_up)
    clearance = sign(follow_up, cast.physician, LAST_DUE)
    log(cast, at=LAST_DUE + hours(1))
    clearance.refresh_from_db()
    assert clearance.void_at is None


def test_signing_again_returns_the_standing_clearance(cast, follow_up):
    log_to_the_end(cast, follow_up)
    first = sign(follow_up, cast.physician, LAST_DUE)
    assert sign(follow_up, cast.physician2, LAST_DUE + hours(1)) == first


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator", "outsider"])
def test_only_the_sites_clinicians_sign(cast, follow_up, who):
    log_to_the_end(cast, follow_up)
    with pytest.raises(PermissionDenied):
        sign(follow_up, getattr(cast, who), LAST_DUE)


def test_nobody_signs_for_themselves(cast):
    with doing("command:tests"):
        own = Worker.objects.create(site=cast.site, user=cast.physician, name="Petra Birch", number="SG-8")
    reported = report(cast, worker=own.number)
    confirm(cast, reported)
    with pytest.raises(PermissionDenied):
        sign(reported.follow_ups[0], cast.physician, LAST_DAY_IS_OVER)


def test_the_database_holds_one_standing_clearance(cast, follow_up):
    log_to_the_end(cast, follow_up)
    sign(follow_up, cast.physician, LAST_DUE)
    with doing("command:tests"), pytest.raises(IntegrityError), transaction.atomic():
        Clearance.objects.create(follow_up=follow_up, kind="completed", effective_at=MONDAY)
