"""A report is stored once per submission id, all of it or nothing, whatever fails or comes at the same time."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from uuid import UUID

import pytest
from django.apps import apps
from django.db import OperationalError, connection

from exposure.attend.models import Alert, Promise
from exposure.followup.models import Exposure, FollowUp
from exposure.pipeline import follow, report
from exposure.pipeline.remove import mark_step, note_deviation, start_removal
from exposure.places.models import FailureType, Protocol
from exposure.refusal import Conflict
from exposure.report.models import Breach, OtherContent
from tests.cast import MONDAY, doing
from tests.walk import pass_time

pytestmark = pytest.mark.database
PLANNED_STATEMENTS = 30  # a report takes more; a sweep over fewer failures would have missed most of it


def send(cast, body, *, at=MONDAY):
    with doing(cast.observer, at=at):
        return report.report_breach(body=body, reporter=cast.observer, at=at)


def everything():
    """Every row of every table of the app, history included."""
    return {
        model.__name__: list(model._base_manager.order_by("pk").values_list())
        for model in apps.get_app_config("exposure").get_models()
    }


class FailingAt:
    """Lets the database fail at its n-th statement."""

    def __init__(self, number):
        self.number, self.count = number, 0

    def __call__(self, execute, sql, params, many, context):
        self.count += 1
        if self.count == self.number:
            raise OperationalError("the connection broke")
        return execute(sql, params, many, context)


@pytest.mark.django_db(transaction=True)
def test_a_failure_at_any_statement_leaves_nothing_and_the_same_report_then_succeeds(cast):
    body = cast.body(person={"name": "Agency Hand"}, worker=None)
    before = everything()
    for number in range(1, 1000):
        failing = FailingAt(number)
        try:
            with connection.execute_wrapper(failing):
                reported = send(cast, body)
        except OperationalError:
            assert everything() == before, f"statement {number} left something behind"
        else:
            break
    assert failing.count < number, "no statement was left to fail"
    assert number > PLANNED_STATEMENTS
    assert reported.created
    assert Breach.objects.count() == FollowUp.objects.count() == Exposure.objects.count() == 1
    assert Promise.objects.filter(kind="task").count() == 2
    assert send(cast, body).created is False


@pytest.mark.django_db(transaction=True)
def test_a_failure_at_any_statement_of_a_reading_leaves_nothing_and_the_same_reading_then_succeeds(cast):
    send(cast, cast.body())
    body, before = cast.reading(temperature="39.2"), everything()
    at = MONDAY + timedelta(hours=10)
    for number in range(1, 1000):
        failing = FailingAt(number)
        try:
            with connection.execute_wrapper(failing), doing(cast.worker.user, at=at):
                logged = follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=at)
        except OperationalError:
            assert everything() == before, f"statement {number} left something behind"
        else:
            break
    assert failing.count < number
    assert logged.triggers == ("fever",)
    assert Alert.objects.filter(cause="fever").count() == 1


def test_the_same_report_again_returns_the_first_record(cast):
    body = cast.body()
    first, again = send(cast, body), send(cast, body, at=MONDAY + timedelta(days=2))
    assert (first.created, again.created) == (True, False)
    assert again.breach == first.breach
    assert again.assessments == first.assessments
    assert again.follow_ups == first.follow_ups
    assert again.ring_now == first.ring_now
    assert Breach.objects.count() == 1


def test_the_submission_id_is_the_records_uid_for_ever(cast):
    body = cast.body()
    assert send(cast, body).breach.uid == UUID(body["submission_id"])


def test_the_same_report_with_defaults_and_nulls_spelled_out_is_the_same(cast):
    body = cast.body()
    send(cast, body)
    assert send(cast, {**body, "drill": False, "case": None, "narrative": ""}).created is False


def test_other_content_under_the_same_id_is_refused_and_both_stay_visible_to_a_nurse(cast):
    body = cast.body()
    first = send(cast, body)
    with pytest.raises(Conflict):
        send(cast, {**body, "narrative": "It was the other hand."})
    first.breach.refresh_from_db()
    assert first.breach.body["facts"] == body["facts"]
    assert OtherContent.objects.get(breach=first.breach).body["narrative"] == "It was the other hand."
    assert Alert.objects.get(breach=first.breach).cause == "other_content"


def test_the_same_other_content_twice_is_kept_once(cast):
    body = cast.body()
    send(cast, body)
    for _again in range(2):
        with pytest.raises(Conflict):
            send(cast, {**body, "narrative": "It was the other hand."})
    assert OtherContent.objects.count() == 1
    assert Alert.objects.get(cause="other_content").entries.count() == 1


@pytest.fixture
def mark(cast):
    """A mark made by the observer at the inner gloves."""
    protocol = Protocol.objects.get(code="coverall-powered")
    with doing(cast.observer):
        removal = start_removal(
            station=cast.station,
            protocol=protocol,
            worker=cast.worker,
            drill=False,
            by=cast.observer,
            at=MONDAY,
        )
        step = protocol.steps.get(code="inner-gloves")
        tear = FailureType.objects.get(code="glove_tear")
        return mark_step(
            removal=removal, step=step, failure=tear, uid=UUID(int=7), by=cast.observer, at=MONDAY
        )


@pytest.mark.parametrize(("minutes", "sent"), [(29, 0), (30, 1)])
def test_a_mark_that_nobody_completed_in_half_an_hour_is_sent_as_it_stands(cast, mark, minutes, sent):
    assert pass_time(MONDAY + timedelta(minutes=minutes))["unfinished_marks"] == sent
    assert Breach.objects.filter(uid=mark.uid).count() == sent


def test_an_unfinished_mark_is_treated_at_the_ceiling_because_nothing_is_answered(cast, mark):
    pass_time(MONDAY + timedelta(minutes=30))
    assert Breach.objects.get(uid=mark.uid).assessments.get().treated_as == "high"


def test_an_unfinished_mark_that_is_sent_keeps_what_was_marked(cast, mark):
    pass_time(MONDAY + timedelta(minutes=30))
    breach = Breach.objects.get(uid=mark.uid)
    assert (breach.what_happened, breach.protocol_step, breach.phase) == (
        "glove_tear",
        "inner-gloves",
        "removal",
    )
    assert (breach.worker, breach.removal, breach.occurred_at) == (cast.worker, mark.removal, MONDAY)
    assert (breach.reported_by, breach.drill, breach.flags) == (cast.observer, False, [])


def test_an_unfinished_mark_of_a_drill_with_somebody_unlisted_stays_a_drill_about_them(cast):
    protocol = Protocol.objects.get(code="coverall-powered")
    with doing(cast.observer):
        removal = start_removal(
            station=cast.station,
            protocol=protocol,
            unlisted="Agency Hand",
            drill=True,
            by=cast.observer,
            at=MONDAY,
        )
        step = protocol.steps.first()
        mark = mark_step(removal=removal, step=step, uid=UUID(int=8), by=cast.observer, at=MONDAY)
    pass_time(MONDAY + timedelta(minutes=30))
    breach = Breach.objects.get(uid=mark.uid)
    assert (breach.drill, breach.worker, breach.worker.name) == (True, removal.worker, "Agency Hand")
    assert (breach.what_happened, breach.protocol_step) == ("", step.code)
    mark.refresh_from_db()
    assert mark.breach == breach


def complete(cast, mark, **changes):
    at = MONDAY + timedelta(minutes=35)
    body = cast.body(submission_id=str(mark.uid), **changes)
    with doing(cast.observer, at=at):
        return report.report_mark(mark=mark, body=body, reporter=cast.observer, at=at)


def test_answers_to_a_mark_that_was_sent_already_are_added_to_the_report(cast, mark):
    pass_time(MONDAY + timedelta(minutes=30))
    reported = complete(cast, mark, facts={"contact": "splash", "skin": "mucosa"}, narrative="Left eye.")
    assert (reported.breach.uid, reported.created, reported.ring_now) == (mark.uid, False, True)
    newest = reported.breach.assessments.filter(pathogen="ebola").last()
    assert (newest.kind, newest.facts["skin"], newest.treated_as) == ("facts", "mucosa", "high")
    assert OtherContent.objects.get().body["narrative"] == "Left eye."
    assert Alert.objects.get(breach=reported.breach, cause="other_content").because.startswith("Answers came")


def test_the_same_later_answers_twice_are_added_once(cast, mark):
    pass_time(MONDAY + timedelta(minutes=30))
    complete(cast, mark)
    complete(cast, mark)
    assert [one.kind for one in Breach.objects.get().assessments.all()].count("facts") == 1
    assert OtherContent.objects.count() == 1


def test_a_mark_answered_with_no_and_then_reported_is_a_report(cast, mark):
    with doing(cast.observer):
        note_deviation(mark=mark, by=cast.observer, at=MONDAY)
    complete(cast, mark)
    mark.refresh_from_db()
    assert (mark.deviation_at, mark.breach) == (None, Breach.objects.get())


def test_somebody_elses_report_under_the_marks_id_is_a_conflict_and_the_mark_is_kept_beside_it(cast, mark):
    with doing(cast.nurse):
        report.report_breach(body=cast.body(submission_id=str(mark.uid)), reporter=cast.nurse, at=MONDAY)
    with pytest.raises(Conflict):
        complete(cast, mark, narrative="Mine.")
    assert OtherContent.objects.get().body["narrative"] == "Mine."


def test_a_mark_whose_id_stands_with_other_content_does_not_stop_the_clock(cast, mark):
    send(cast, cast.body(submission_id=str(mark.uid)))
    assert pass_time(MONDAY + timedelta(minutes=30))["unfinished_marks"] == 1
    assert pass_time(MONDAY + timedelta(minutes=31))["unfinished_marks"] == 0
    mark.refresh_from_db()
    assert mark.breach.uid == mark.uid


def at_once(count, task):
    """Run `task(number)` in as many threads, released together; each has its own connection."""
    barrier = Barrier(count)

    def run(number):
        try:
            barrier.wait(timeout=30)
            return task(number)
        finally:
            connection.close()

    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(run, range(count)))


@pytest.mark.django_db(transaction=True)
def test_twenty_identical_reports_at_once_give_one_record(cast):
    body = cast.body()
    reports = at_once(20, lambda _number: send(cast, body))
    assert [one.created for one in reports].count(True) == 1
    assert {one.breach.pk for one in reports} == {Breach.objects.get().pk}
    assert FollowUp.objects.count() == Exposure.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_several_reports_about_one_worker_at_once_give_one_follow_up_with_an_exposure_each(cast):
    bodies = [cast.body() for _report in range(6)]
    reports = at_once(6, lambda number: send(cast, bodies[number]))
    assert {one.follow_ups[0].pk for one in reports} == {FollowUp.objects.get().pk}
    assert Exposure.objects.count() == 6
    opens = list(FollowUp.objects.get().checks.filter(withdrawn_at=None).values_list("opens_at", flat=True))
    assert len(opens) == len(set(opens))
