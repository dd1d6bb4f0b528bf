"""What waits for a person is a promise: asked with its time, following the plan in force, void with its cause.

The hours are those of the published criteria in fixtures/criteria: ebola 2023.1 (high: confirm within 2 hours, none:
within 24; two tasks due 24 hours after the report; 21 days) and bloodborne 2025.2.
"""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.attend.models import Alert, Promise
from exposure.classify.assess import propose_text
from exposure.classify.models import CriteriaVersion, Replay
from exposure.followup.models import FollowUp
from exposure.people.models import Worker
from exposure.pipeline import attend, clear, enter, expose, guide, link
from exposure.web.nurse import queue
from tests.attend.deeds import (
    LAST_DAY_IS_OVER,
    OCCURRED,
    complete,
    countersign,
    end,
    open_kinds,
    override,
    reopen,
    the,
    withdraw,
)
from tests.cast import MONDAY, doing
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
        enter.note_call(worker=cast.worker, by=cast.nurse, at=at, **again)
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
        link.link_worker(worker=typed, same_as=cast.worker, by=cast.nurse, at=MONDAY)
    assert open_kinds() == [kind for kind in before if kind != "identify"]
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


# Ring again


def test_every_unanswered_call_can_name_its_own_next_try_and_the_newest_counts(cast):
    report(cast)
    follow_up = FollowUp.objects.get()
    tries = Promise.objects.filter(kind="call", key__startswith="try")

    def call(at, again=None):
        with doing(cast.nurse, at=at):
            enter.note_call(
                worker=cast.worker, answered=again is None, note=f"{at:%H:%M}", try_again_at=again, by=cast.nurse, at=at
            )  # fmt: skip
        return [promise.due_at for promise in tries.open()]

    tomorrow = MONDAY + hours(26)
    assert call(MONDAY, MONDAY + hours(2)) == [MONDAY + hours(2)]
    assert call(MONDAY + hours(1), tomorrow) == [tomorrow], "the one before it is asked no more"
    assert call(MONDAY + hours(2)) == []
    assert call(MONDAY + hours(3), tomorrow) == [tomorrow], "also at an hour for which one was kept"
    assert call(MONDAY + hours(4), tomorrow + hours(1)) == [tomorrow + hours(1)]
    with doing(cast.physician, at=MONDAY + hours(5)):
        said = {"kind": "lost", "reason": "Moved away.", "basis": "agreed"}
        clear.end_follow_up(follow_up=follow_up, by=cast.physician, at=MONDAY + hours(5), **said)
    assert not tries.open().exists(), "nobody tries again who is followed up no more"


# One query


def test_one_query_lists_all_that_waits(cast):
    reported = report(cast)
    override(cast, reported.breach, "none")
    with doing(cast.nurse):
        idris = Worker.objects.create(site=cast.site, number="SG-7", name="Idris Fell")
        said = {"pathogen": "ebola", "tier": "high", "occurred_at": OCCURRED}
        expose.record_exposure(worker=idris, by=cast.nurse, at=MONDAY, **said)
        again = {"answered": False, "note": "", "try_again_at": MONDAY + hours(1)}
        enter.note_call(worker=idris, by=cast.nurse, at=MONDAY, **again)
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
    assert len([sql for sql in lists if '"exposure_worker"' in sql]) == 1
    assert (
        len(lists) == 2
    )  # the other asks what stands in the way of those that are over, whatever their number
    causes = {line.cause for line in lines}
    assert {"to_confirm", "untold", "to_sign", "to_review", "to_ring", "late_task"} <= causes
