"""Two at the same moment, each in a thread and on a connection of its own: one decision stands, the other is refused
with that one, nothing is lost, and no deadlock or doubled row reaches anybody."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
from django.db import connection, transaction

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert, Handover, OtherDecision
from exposure.attend.overview import overview
from exposure.attend.standing import describe
from exposure.clear.models import Clearance
from exposure.followup.models import Fill, FollowUp, Reading
from exposure.people import invitations, roles
from exposure.people.models import Role, User, Worker
from exposure.pipeline import attend, enter
from exposure.pipeline.link import link_worker
from exposure.refusal import BadSubmission, Conflict, NotYet
from exposure.report.models import Breach, OtherContent
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.pipeline.decisions import DECISIONS, SIGN
from tests.walk import follow_up_told_and_confirmed, hours, log, report, sweep_at

pytestmark = [pytest.mark.database, pytest.mark.django_db(transaction=True)]
RACED = [decision for decision in DECISIONS if decision.race]


def at_once(*tasks):
    """What each task returns, or how it was refused; anything else that it raises is raised here."""
    barrier = Barrier(len(tasks))

    def run(task):
        try:
            barrier.wait(timeout=60)
            return task()
        except (BadSubmission, Conflict, NotYet) as refused:
            return refused
        finally:
            connection.close()

    with ThreadPoolExecutor(len(tasks)) as pool:
        return list(pool.map(run, tasks))


@pytest.mark.parametrize("decision", RACED, ids=lambda decision: decision.code)
def test_of_two_different_decisions_one_stands_and_the_other_learns_which(cast, decision):
    subject = decision.subject(cast)
    actors, contents = decision.actors(cast), (decision.one, decision.other)
    done = at_once(
        *(
            lambda by=by, content=content: decision.decide(subject, by, content)
            for by, content in zip(actors, contents, strict=True)
        )
    )
    [loser] = [place for place, outcome in enumerate(done) if isinstance(outcome, Conflict)]
    standing, winner = done[loser].standing, 1 - loser
    if decision.stands == "done":
        assert standing == done[winner]
    if decision.code != "countersign":  # there the first signature stands behind both
        assert describe(type(standing).objects.get(pk=standing.pk)).by == str(actors[winner])
    kept = OtherDecision.objects.get()
    assert (kept.recorded_by, kept.subject.rpartition(":")[2]) == (actors[loser].actor, str(standing.uid))


def test_answers_of_two_at_once_are_both_kept_as_assessments(cast):
    [decision] = [decision for decision in DECISIONS if decision.code == "facts"]
    breach, actors = decision.subject(cast), decision.actors(cast)
    at_once(
        lambda: decision.decide(breach, actors[0], decision.one),
        lambda: decision.decide(breach, actors[1], decision.other),
    )
    answered = breach.assessments.filter(kind="facts")
    assert {row.recorded_by for row in answered} == {by.actor for by in actors}
    assert {row.facts["skin"] for row in answered} == {"pierced", "broken"}


def test_two_signatures_at_once_are_one_clearance(cast):
    follow_up = SIGN.subject(cast)
    done = at_once(*(lambda by=by: SIGN.decide(follow_up, by, {}) for by in SIGN.actors(cast)))
    assert done == [Clearance.objects.get()] * 2


def test_the_same_report_with_eight_other_contents_at_once_is_eight_conflicts_all_kept_once(
    cast, standing_clock
):
    standing_clock(MONDAY)
    caller, body = Caller(cast.observer), cast.body()
    assert caller.post("breaches/", body).status_code == 201
    others = [{**body, "narrative": f"Finger {number}."} for number in range(8)]

    def sent(other):
        return [caller.post("breaches/", other).status_code for _again in range(2)]

    assert at_once(*(lambda other=other: sent(other) for other in others)) == [[409, 409]] * 8
    kept = OtherContent.objects.values_list("body__narrative", flat=True)
    assert sorted(kept) == [other["narrative"] for other in others]
    alert = Alert.objects.get(cause="other_content")
    assert (alert.times, alert.entries.count()) == (8, 8)


def test_eight_contents_at_once_before_any_stands_are_one_report_and_seven_kept(cast):
    body = cast.body()

    def sent(number):
        return report(cast, submission_id=body["submission_id"], narrative=f"Finger {number}.")

    done = at_once(*(lambda number=number: sent(number) for number in range(8)))
    assert sum(isinstance(outcome, Conflict) for outcome in done) == 7
    assert (Breach.objects.count(), OtherContent.objects.count()) == (1, 7)


def typed(cast, *names):
    return [report(cast, worker=None, person={"name": name}).breach.worker for name in names]


def link(cast, worker, same_as, by):
    with doing(by):
        return link_worker(worker=worker, same_as=same_as, by=by, at=MONDAY)


def test_nobody_becomes_their_own_double(cast):
    """Linked in a ring: each pair of them is the same person, whoever comes first."""
    ring = typed(cast, "W. A.", "Wim A.", "Alder")
    done = at_once(
        lambda: link(cast, ring[0], ring[1], cast.nurse),
        lambda: link(cast, ring[1], ring[0], cast.nurse2),
        lambda: link(cast, ring[1], ring[2], cast.physician),
        lambda: link(cast, ring[2], ring[0], cast.physician2),
    )
    assert all(isinstance(outcome, Worker | Conflict) for outcome in done)
    rows = list(Worker.objects.filter(pk__in=[worker.pk for worker in ring]))
    [known] = [row for row in rows if row.same_as_id is None]
    assert {row.same_as_id for row in rows if row != known} == {known.pk}
    assert set(FollowUp.objects.filter(ended_at=None).values_list("worker", flat=True)) == {known.pk}


def test_a_report_while_its_worker_is_linked_twice_is_about_the_person_on_the_list(cast):
    [worker] = typed(cast, "W. Alder")
    done = at_once(
        lambda: report(cast, worker=str(worker.uid)),
        lambda: link(cast, worker, cast.worker, cast.nurse),
        lambda: link(cast, worker, cast.worker, cast.nurse2),
        lambda: report(cast, worker=str(worker.uid)),
    )
    assert done[1:3] == [cast.worker] * 2
    assert set(Breach.objects.values_list("worker", flat=True)) == {cast.worker.pk}
    assert FollowUp.objects.filter(ended_at=None).get().exposures.count() == 3


def test_a_fever_that_comes_while_its_reading_is_excused_is_never_hidden(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    check = follow_up.checks.first()
    at = check.closes_at + hours(0.5)

    def excused():
        with doing(cast.nurse, at=at):
            return enter.excuse_check(check=check, reason="In theatre.", by=cast.nurse, at=at)

    refused, logged = at_once(
        excused, lambda: log(cast, at=at, temperature="38.4", taken_at=check.due_at.isoformat())
    )
    assert logged.triggers == ("fever",)
    assert isinstance(refused, Fill) or refused.reasons == ("answered",)
    assert Alert.objects.get(cause="fever", closed_at=None).acknowledged_at is None
    [line] = [line for line in overview(follow_up, at=at).lines if line.check == check]
    assert (line.state, line.reading) == ("recorded", Reading.objects.get())


def fever_seen(cast, at):
    follow_up_told_and_confirmed(cast)
    log(cast, at=at, temperature="38.4")
    with doing(cast.nurse, at=at):
        return attend.acknowledge_alert(
            alert=Alert.objects.get(cause="fever"), by=cast.nurse, at=at
        ).next_look_at


def test_a_sweep_and_a_reading_that_raise_the_same_leave_one_open_alert_unseen(cast):
    look_at = fever_seen(cast, MONDAY + hours(10))
    at_once(
        lambda: sweep_at(look_at),
        lambda: log(cast, at=look_at, temperature="38.9"),
        lambda: sweep_at(look_at),
    )
    alert = Alert.objects.get(cause="fever", closed_at=None)
    assert (alert.acknowledged_at, alert.held_by, alert.times) == (None, None, 2)
    assert alert.entries.filter(reading__isnull=False).count() == 2


def test_an_alert_is_closed_while_its_next_look_comes(cast):
    look_at = fever_seen(cast, MONDAY + hours(10))
    alert = Alert.objects.get(cause="fever")

    def closed():
        with doing(cast.nurse, at=look_at):
            said = {"outcome": "evaluated", "note": "Influenza."}
            return attend.close_alert(alert=alert, by=cast.nurse, at=look_at, **said)

    done = at_once(lambda: sweep_at(look_at), closed, lambda: sweep_at(look_at))
    assert done[1].closed_at == look_at
    sweep_at(look_at + timedelta(minutes=1))
    alert.refresh_from_db()
    assert (alert.closed_at, alert.outcome) == (look_at, "evaluated")
    assert not alert.promises.open().exists()


def test_of_two_who_close_a_fever_at_once_the_evaluation_begins_only_with_the_outcome_that_stands(cast):
    look_at = fever_seen(cast, MONDAY + hours(10))
    alert = Alert.objects.get(cause="fever")

    def closed(by, outcome):
        with doing(by, at=look_at):
            return attend.close_alert(alert=alert, outcome=outcome, note="Shivers.", by=by, at=look_at)

    done = at_once(lambda: closed(cast.nurse, "fell_ill"), lambda: closed(cast.physician, "evaluated"))
    assert [isinstance(one, Conflict) for one in done].count(True) == 1
    alert.refresh_from_db()
    begun = FollowUp.objects.get().states.filter(kind="evaluated").exists()
    assert begun is (alert.outcome == "fell_ill")
    assert OtherDecision.objects.get().sent["outcome"] != alert.outcome


def test_what_a_sweep_and_three_others_raise_at_once_is_one_open_alert(cast):
    breach = report(cast).breach
    late = breach.promises.get(kind="tell").due_at + timedelta(minutes=1)

    def raised():
        with doing("command:tests", at=late), transaction.atomic():
            return raise_alert(breach, Alert.Cause.UNTOLD, "Not told.", site=cast.site, at=late)

    at_once(lambda: sweep_at(late), raised, raised, raised)
    alert = Alert.objects.get(cause="untold", closed_at=None)
    assert (alert.times, alert.entries.count()) == (4, 4)


def test_of_two_who_take_a_list_over_at_once_one_has_it_and_the_other_learns_who(cast):
    def take(by):
        with doing(by):
            return attend.take_list(site=cast.site, seen="", by=by, at=MONDAY)

    done = at_once(lambda: take(cast.nurse), lambda: take(cast.nurse2))
    [refused] = [outcome for outcome in done if isinstance(outcome, Conflict)]
    [taken] = Handover.objects.all()
    assert refused.standing == taken


def test_of_two_who_come_in_by_one_invitation_at_once_one_has_it(cast):
    with doing(cast.nurse):
        clara = Worker.objects.create(site=cast.site, name="Clara Reed", number="SG-77")
        _secret, invitation = invitations.invite(worker=clara, at=MONDAY)
        users = [User.objects.create_user(name, None, full_name=name) for name in ("one", "two")]

    def come_in(user):
        with doing(user):
            return invitations.use(invitation, user, at=MONDAY)

    done = at_once(*(lambda user=user: come_in(user) for user in users))
    assert sorted(type(outcome).__name__ for outcome in done) == ["Conflict", "NoneType"]
    clara.refresh_from_db()
    assert clara.user in users


def test_of_two_who_settle_a_role_at_once_one_has(cast):
    with doing(cast.administrator):
        user = User.objects.create_user("nell", None, full_name="Nell Sedge")
        role = Role.objects.create(
            user=user, site=cast.site, kind="nurse", from_at=MONDAY, waiting=True, asked_by=cast.administrator
        )

    def settle(by, agreed):
        with doing(by):
            return roles.settle(role, agreed=agreed, by=by, at=MONDAY)

    done = at_once(lambda: settle(cast.physician, True), lambda: settle(cast.physician2, False))
    assert sum(isinstance(outcome, Conflict) for outcome in done) == 1
    role.refresh_from_db()
    assert role.waiting is (role.confirmed_by == cast.physician2)
