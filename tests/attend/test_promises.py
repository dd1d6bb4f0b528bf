"""What waits for a person is a promise: asked with its time, following the plan in force, void with its cause.

The hours are those of the published criteria in fixtures/criteria: ebola 2023.1 (high: confirm within 2 hours, none:
within 24; two tasks due 24 hours after the report; 21 days) and bloodborne 2025.2.
"""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ObjectDoesNotExist
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from exposure.attend import duties
from exposure.attend.models import Alert, Promise
from exposure.classify.assess import propose_text
from exposure.classify.models import Assessment, CriteriaVersion, Replay
from exposure.people.models import Worker
from exposure.pipeline import attend, classify, clear, follow, guide
from exposure.pipeline import report as report_pipeline
from exposure.refusal import BadSubmission, NotYet
from exposure.report.models import Breach
from exposure.web.nurse import queue
from tests.cast import MONDAY, adopt, doing
from tests.classify.test_versions import NEXT, approve, prepare
from tests.walk import (
    LOW,
    confirm,
    follow_up_told_and_confirmed,
    hours,
    log,
    log_to_the_end,
    report,
    sweep_at,
    tell,
)

pytestmark = pytest.mark.database

OCCURRED = MONDAY - timedelta(minutes=20)
LAST_DAY_IS_OVER = datetime(2026, 3, 24, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def the(kind, **which):
    """The one promise of that kind that is not void."""
    return Promise.objects.get(kind=kind, void_at=None, **which)


def open_kinds():
    return sorted(Promise.objects.open().values_list("kind", flat=True))


def override(cast, breach, tier, *, by=None, at=MONDAY, **said):
    by = by or cast.physician
    with doing(by, at=at):
        said = {"pathogen": "ebola", "tier": tier, "reason": "Seen by me.", **said}
        return classify.override_tier(breach=breach, by=by, at=at, **said)


def countersign(cast, assessment, *, at=MONDAY):
    with doing(cast.physician2, at=at):
        classify.countersign(assessment=assessment, by=cast.physician2, at=at)


def end(cast, follow_up, kind, *, at=MONDAY):
    with doing(cast.physician, at=at):
        said = {"reason": "As agreed.", "basis": "agreed", "accepted_by": "Public health, ext. 4"}
        clear.end_follow_up(follow_up=follow_up, kind=kind, by=cast.physician, at=at, **said)


def reopen(cast, follow_up, *, at=MONDAY):
    with doing(cast.physician, at=at):
        return clear.reopen(follow_up=follow_up, reason="Back again.", by=cast.physician, at=at)


def withdraw(cast, breach):
    with doing(cast.observer):
        asked = report_pipeline.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
    with doing(cast.nurse):
        classify.decide_withdrawal(request=asked, accepted=True, reason="Spoken.", by=cast.nurse, at=MONDAY)


def complete(cast, code, *, at=MONDAY, **which):
    with doing(cast.nurse, at=at):
        attend.complete_task(task=the("task", key=code, **which), note="Done.", by=cast.nurse, at=at)


@pytest.fixture
def bloodborne(cast):
    """A needle, reported under criteria with a chain of dated tasks."""
    with doing("command:tests", at=MONDAY - hours(24)):
        adopt(cast.site, "bloodborne-2025.2", MONDAY - hours(24))
    reported = report(cast, pathogen="bloodborne", facts={"fluid": "infectious", "portal": "pierced"})
    return reported.follow_ups[0]


# Asked, with its time and what it counts from


def test_a_report_asks_to_tell_to_confirm_for_the_plans_tasks_and_to_sign_in_the_end(cast):
    report(cast)
    asked = {
        (promise.kind, promise.key): (promise.not_before, promise.due_at, promise.basis)
        for promise in Promise.objects.all()
    }
    assert asked == {
        ("tell", ""): (None, MONDAY + hours(1), "60m after report"),
        ("confirm", ""): (None, MONDAY + hours(2), "2h after report"),
        ("task", "first_call"): (None, MONDAY + hours(24), "24h after report"),
        ("task", "public_health"): (None, MONDAY + hours(24), "24h after report"),
        ("sign", "clearance"): (LAST_DAY_IS_OVER, LAST_DAY_IS_OVER + hours(24), "24h after last day"),
    }


def test_each_deed_asks_for_its_own(cast):
    reported = report(cast)
    waiting = override(cast, reported.breach, "none")
    log(cast, at=MONDAY + hours(10), temperature="38.4")
    at = MONDAY + hours(11)
    with doing(cast.nurse, at=at):
        attend.acknowledge_alert(alert=Alert.objects.get(cause="fever"), by=cast.nurse, at=at)
        again = {"answered": False, "note": "", "try_again_at": at + hours(2)}
        attend.note_call(worker=cast.worker, by=cast.nurse, at=at, **again)
    version = CriteriaVersion.objects.get()
    with doing(cast.physician, at=at):
        moved = Replay.objects.create(
            version=version,
            sha256=version.sha256,
            site=cast.site,
            reports=1,
            breaches=[str(reported.breach.uid)],
        )
        guide.review_moved(stored=moved, by=cast.physician, at=at)
    asked = [
        (promise.due_at, promise.basis)
        for promise in (the("sign", key=str(waiting.uid)), the("look"), the("call"), the("review"))
    ]
    assert asked == [
        (MONDAY + hours(24), "24h after first signature"),
        (at + hours(4), "next look"),  # ebola 2023.1: next_look_hours 4
        (at + hours(2), "unanswered call"),
        (at + hours(24), "24h after replay"),
    ]


def test_a_version_of_criteria_that_one_physician_has_signed_waits_for_another_one(cast):
    with doing("command:publish"):
        version = propose_text(NEXT, by="command:publish", at=MONDAY, proposed=True)
    prepare(cast, version)
    approve(cast, version, by=cast.physician)
    asked = the("sign", version=version)
    assert (asked.worker, asked.due_at, asked.basis) == (
        None,
        MONDAY + timedelta(days=7),
        "7d after first signature",
    )
    shown = {
        who.name: [line.cause for line in queue.lines(who, at=MONDAY)]
        for who in (cast.nurse, cast.physician2)
    }
    assert shown == {"nurse": [], "physician2": ["to_sign"]}
    sweep_at(MONDAY + timedelta(days=7))
    assert not Alert.objects.exists(), "it stands on the page, and is nobody's alert"
    approve(cast, version, by=cast.physician2)
    assert the("sign", version=version).kept_by == cast.physician2


# The plan in force


def test_a_higher_tier_shortens_the_time_and_a_signed_lower_one_lengthens_it_and_is_noticed_anew(cast):
    breach = report(cast, facts=LOW).breach
    assert the("confirm").due_at == MONDAY + hours(24)
    override(cast, breach, "high")
    assert (the("confirm").due_at, the("confirm").basis) == (MONDAY + hours(2), "2h after report")
    at = MONDAY + hours(3)
    sweep_at(at)
    assert the("confirm").noticed_at == at
    lower = override(cast, breach, "none", at=at)
    assert the("confirm").noticed_at == at, "not before the second signature"
    countersign(cast, lower, at=at)
    assert (the("confirm").due_at, the("confirm").noticed_at) == (MONDAY + hours(24), None)
    sweep_at(MONDAY + hours(24))
    assert the("confirm").noticed_at == MONDAY + hours(24)


def test_what_is_done_stays_done_whatever_the_plan_becomes(cast):
    reported = report(cast, facts=LOW)
    tell(cast, reported)
    confirm(cast, reported)
    override(cast, reported.breach, "high", at=MONDAY + hours(1))
    assert (the("confirm").kept_at, the("tell").kept_at) == (MONDAY, MONDAY)
    assert open_kinds() == ["sign", "task", "task"]


# Void


@pytest.mark.parametrize("kind", ["died", "left", "lost", "declined", "fell_ill", "handed_over"])
def test_nothing_is_asked_once_it_is_over(cast, kind):
    reported = report(cast)
    end(cast, reported.follow_ups[0], kind)
    assert open_kinds() == []
    assert set(Promise.objects.values_list("void_at", flat=True)) == {MONDAY}
    sweep_at(MONDAY + timedelta(days=40))
    late = ("untold", "late_confirmation", "late_task", "late_signature", "missed", "silence")
    assert not Alert.objects.filter(cause__in=late).exists()


def test_whoever_is_ruled_out_is_told_and_the_report_confirmed_all_the_same(cast):
    end(cast, report(cast).follow_ups[0], "ruled_out")
    assert open_kinds() == ["confirm", "tell"]


def test_a_withdrawn_report_asks_for_nothing(cast):
    breach = report(cast).breach
    override(cast, breach, "none")
    withdraw(cast, breach)
    assert open_kinds() == []


def test_what_is_asked_moves_to_the_record_that_proved_to_be_the_same_persons(cast):
    typed = report(cast, worker=None, person={"name": "W. Alder"}).breach.worker
    before = open_kinds()
    with doing(cast.nurse):
        follow.link_worker(worker=typed, same_as=cast.worker, by=cast.nurse, at=MONDAY)
    assert open_kinds() == before
    assert set(Promise.objects.open().values_list("worker", flat=True)) == {cast.worker.pk}


def test_an_override_that_another_one_replaces_waits_for_no_signature(cast):
    breach = report(cast).breach
    first = override(cast, breach, "none")
    override(cast, breach, "high")
    assert Promise.objects.get(key=str(first.uid)).void_at == MONDAY
    second = override(cast, breach, "none", reason="Seen again.")
    countersign(cast, second)
    assert the("sign", key=str(second.uid)).kept_by == cast.physician2


def test_a_call_ends_with_its_follow_up(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    sweep_at(MONDAY + hours(13))
    assert the("call").follow_up == follow_up
    typed = report(cast, worker=None, person={"name": "W. Alder"}).breach.worker
    end(cast, follow_up, "left", at=MONDAY + hours(14))
    assert not Promise.objects.open().filter(kind="call", worker=cast.worker).exists()
    assert Promise.objects.open().filter(worker=typed).exists()


def test_a_review_of_a_report_that_is_withdrawn_is_void(cast):
    breach = report(cast).breach
    with doing(cast.physician):
        Promise.objects.create(
            site=cast.site, worker=cast.worker, breach=breach, kind="review", key="k", asked_at=MONDAY
        )
    withdraw(cast, breach)
    assert Promise.objects.get(kind="review").void_at == MONDAY


# Anew


def test_what_is_reopened_is_asked_anew_and_what_was_done_is_not(cast):
    reported = report(cast)
    tell(cast, reported)
    complete(cast, "first_call")
    end(cast, reported.follow_ups[0], "left", at=MONDAY + hours(1))
    assert open_kinds() == []
    reopen(cast, reported.follow_ups[0], at=MONDAY + hours(2))
    assert open_kinds() == ["confirm", "sign", "task"]
    assert the("task", key="public_health").due_at == MONDAY + hours(24)
    assert Promise.objects.filter(key="public_health").count() == 2


@pytest.mark.parametrize("how", ["fever", "reopened"])
def test_a_clearance_that_does_not_stand_any_more_is_asked_for_anew(cast, how):
    follow_up = follow_up_told_and_confirmed(cast)
    at = log_to_the_end(cast, follow_up)
    with doing(cast.physician, at=at):
        clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=at)
    assert the("sign").kept_at == at
    later = at + hours(1)
    if how == "fever":
        log(cast, at=later, temperature="38.0")
    else:
        reopen(cast, follow_up, at=later)
    assert (the("sign").kept_at, the("sign").kept_by, the("sign").asked_at) == (None, None, later)
    sweep_at(LAST_DAY_IS_OVER + hours(24))
    assert Alert.objects.filter(cause="late_signature", dated_at=LAST_DAY_IS_OVER + hours(24)).exists()


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


@pytest.mark.parametrize(("after", "warnings"), [(-SECOND, 0), (timedelta(0), 4), (hours(3), 4)])
def test_what_is_soon_due_is_said_once_before(cast, bloodborne, after, warnings):
    at = (
        OCCURRED + hours(24) + after
    )  # hiv_first_dose 48h before 72h, source_test and baseline 24h before 48h
    for _round in range(2):
        sweep_at(at)
    entries = [entry for alert in Alert.objects.filter(cause="task_soon") for entry in alert.entries.all()]
    assert len(entries) == warnings
    assert {entry.promise.key for entry in entries} == (
        {"hiv_first_dose", "source_test", "baseline", "hbv_globulin"} if warnings else set()
    )


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
        corrected = follow.correct_exposure(exposure=old, by=cast.nurse, at=MONDAY, **said)
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


# One query


def test_one_query_lists_all_that_waits(cast):
    reported = report(cast)
    override(cast, reported.breach, "none")
    with doing(cast.nurse):
        idris = Worker.objects.create(site=cast.site, number="SG-7", name="Idris Fell")
        said = {"pathogen": "ebola", "tier": "high", "occurred_at": OCCURRED}
        follow.record_exposure(worker=idris, by=cast.nurse, at=MONDAY, **said)
        again = {"answered": False, "note": "", "try_again_at": MONDAY + hours(1)}
        attend.note_call(worker=idris, by=cast.nurse, at=MONDAY, **again)
        Promise.objects.create(
            site=cast.site,
            worker=cast.worker,
            breach=reported.breach,
            kind="review",
            key="k",
            asked_at=MONDAY,
        )
    with CaptureQueriesContext(connection) as statements:
        lines = queue.lines(cast.nurse, at=LAST_DAY_IS_OVER)
    lists = [one["sql"] for one in statements if one["sql"].startswith('SELECT "exposure_promise"')]
    assert len(lists) == 1
    causes = {line.cause for line in lines}
    assert {"to_confirm", "untold", "to_sign", "to_review", "to_ring", "late_task"} <= causes


# In step


def _late_override(cast, at):
    override(cast, Breach.objects.first(), "none", at=at)


def _second_signature(cast, at):
    waiting = Assessment.objects.filter(second_signature_needed=True).last()
    if waiting is not None:
        countersign(cast, waiting, at=at)


DEEDS = {
    "report": lambda cast, at: report(cast, at=at),
    "a mild one": lambda cast, at: report(cast, at=at, facts=LOW),
    "somebody typed in": lambda cast, at: report(cast, at=at, worker=None, person={"name": "W. Alder"}),
    "tell": lambda cast, at: tell(cast, _Reported(), at=at),
    "confirm": lambda cast, at: confirm(cast, _Reported(), at=at),
    "override": _late_override,
    "sign": _second_signature,
    "reading": lambda cast, at: log(cast, at=at),
    "fever": lambda cast, at: log(cast, at=at, temperature="39.1"),
    "task": lambda cast, at: complete(cast, "first_call", at=at, exposure__breach=Breach.objects.first()),
    "sweep": lambda cast, at: sweep_at(at),
    "end": lambda cast, at: end(cast, Breach.objects.first().exposures.get().follow_up, "left", at=at),
    "reopen": lambda cast, at: reopen(cast, Breach.objects.first().exposures.get().follow_up, at=at),
}


class _Reported:
    """The first report."""

    def __init__(self):
        self.breach = Breach.objects.first()


@settings(max_examples=12)
@given(deeds=st.lists(st.tuples(st.sampled_from(sorted(DEEDS)), st.sampled_from([0, 3, 30])), max_size=5))
def test_bringing_promises_in_line_twice_changes_nothing(cast, deeds):
    with transaction.atomic():
        at = MONDAY
        report(cast)
        for name, later in deeds:
            at += hours(later)
            try:
                DEEDS[name](cast, at)
            except (NotYet, BadSubmission, ObjectDoesNotExist):
                continue
            for worker in Worker.objects.all():
                with doing("command:tests", at=at), CaptureQueriesContext(connection) as statements:
                    duties.settle(worker, at=at)
                written = [one["sql"] for one in statements if not one["sql"].startswith("SELECT")]
                assert written == [], name
        transaction.set_rollback(True)
