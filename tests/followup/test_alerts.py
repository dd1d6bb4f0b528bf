"""An alert: joined until somebody has seen it, a new round after that, closed only with an outcome."""

from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.followup.models import FollowUp
from exposure.people.access import visible
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.pipeline import attend
from exposure.refusal import BadSubmission, Conflict
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, report

pytestmark = pytest.mark.database


def raised(cast, *, cause="symptom", because="headache", at=MONDAY, urgent=False, subject=None):
    with doing("command:tests", at=at):
        return raise_alert(subject or cast.worker, cause, because, site=cast.site, at=at, urgent=urgent)


def acknowledge(cast, alert, *, by=None, at=MONDAY):
    by = by or cast.nurse
    with doing(by, at=at):
        return attend.acknowledge_alert(alert=alert, by=by, at=at)


def close(cast, alert, *, by=None, outcome="evaluated", at=MONDAY):
    by = by or cast.physician
    with doing(by, at=at):
        return attend.close_alert(alert=alert, outcome=outcome, note="Seen.", by=by, at=at)


def kinds(alert):
    return [entry.kind for entry in alert.entries.all()]


def test_a_cause_that_repeats_joins_the_alert_until_it_is_acknowledged(cast):
    first, again = raised(cast), raised(cast, because="vomiting", at=MONDAY + hours(1))
    assert first == again
    assert (again.round, again.newest, again.times, kinds(again)) == (1, "vomiting", 2, ["raised", "joined"])


def test_a_new_trigger_after_the_acknowledgement_opens_a_round_that_nobody_has_seen(cast):
    acknowledge(cast, raised(cast))
    again = raised(cast, because="vomiting", at=MONDAY + hours(1))
    assert (again.round, again.round_at, again.because) == (2, MONDAY + hours(1), "vomiting")
    assert (again.acknowledged_at, again.held_by, again.next_look_at) == (None, None, None)
    assert kinds(again) == ["raised", "acknowledged", "round"]


def test_after_closing_the_cause_is_a_new_alert(cast):
    first = raised(cast)
    close(cast, first)
    assert raised(cast, at=MONDAY + hours(1)) != first


def test_who_takes_an_alert_that_was_closed_meanwhile_gets_it_as_it_stands(cast):
    alert = raised(cast)
    close(cast, alert)
    after = acknowledge(cast, alert, at=MONDAY + hours(1))
    assert (after.pk, after.closed_at) == (alert.pk, MONDAY)
    assert kinds(after) == ["raised", "closed"]


def test_another_cause_is_another_alert(cast):
    assert raised(cast) != raised(cast, cause="fever")


def test_what_becomes_urgent_stays_urgent(cast):
    assert not raised(cast).urgent
    assert raised(cast, urgent=True).urgent
    assert raised(cast).urgent


def test_the_database_holds_one_open_alert_per_subject_and_cause(cast):
    raised(cast)
    with doing("command:tests"), pytest.raises(IntegrityError), transaction.atomic():
        Alert.objects.create(
            site=cast.site, worker=cast.worker, cause="symptom", because="", raised_at=MONDAY, round_at=MONDAY
        )


def test_an_acknowledged_alert_is_held_by_one_person_and_not_closed(cast):
    alert = acknowledge(cast, raised(cast))
    assert (alert.held_by, alert.closed_at) == (cast.nurse, None)
    assert alert.next_look_at == MONDAY + hours(4)  # where no criteria name another number


def test_the_same_person_acknowledging_again_changes_nothing(cast):
    alert = acknowledge(cast, raised(cast))
    again = acknowledge(cast, alert, at=MONDAY + hours(1))
    assert again.acknowledged_at == MONDAY
    assert kinds(again) == ["raised", "acknowledged"]


def test_what_somebody_holds_is_taken_over_only_knowingly(cast):
    alert = acknowledge(cast, raised(cast))
    with pytest.raises(Conflict) as conflict:
        acknowledge(cast, alert, by=cast.physician, at=MONDAY + hours(1))
    assert conflict.value.standing.held_by == cast.nurse
    with doing(cast.physician):
        taken = attend.take_alert(alert=alert, holder=cast.nurse, by=cast.physician, at=MONDAY + hours(1))
    assert (taken.held_by, taken.acknowledged_at, kinds(taken)[-1]) == (cast.physician, MONDAY, "taken")


def test_who_would_take_it_over_learns_that_another_holds_it_by_now(cast):
    alert = acknowledge(cast, raised(cast), by=cast.physician)
    with doing(cast.nurse), pytest.raises(Conflict) as conflict:
        attend.take_alert(alert=alert, holder=cast.observer, by=cast.nurse, at=MONDAY)
    assert conflict.value.standing.held_by == cast.physician


@pytest.mark.parametrize("outcome", ["", "fine", "acknowledged"])
def test_closing_needs_an_outcome(cast, outcome):
    with pytest.raises(BadSubmission):
        close(cast, raised(cast), outcome=outcome)


def test_closing_keeps_who_when_and_what_came_of_it(cast):
    alert = close(cast, raised(cast), at=MONDAY + hours(2))
    assert (alert.closed_by, alert.closed_at, alert.outcome) == (
        cast.physician,
        MONDAY + hours(2),
        "evaluated",
    )
    assert close(cast, alert, by=cast.nurse, at=MONDAY + hours(3)).closed_by == cast.physician


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator", "outsider"])
def test_only_the_sites_clinicians_act_on_an_alert(cast, who):
    alert = raised(cast)
    for act in (acknowledge, close):
        with pytest.raises(PermissionDenied):
            act(cast, alert, by=getattr(cast, who))


def test_an_alert_about_a_worker_is_also_for_the_other_site_that_follows_them_up(cast):
    with doing("command:tests"):
        FollowUp.objects.create(
            site=cast.other_site, worker=cast.worker, pathogen="measles", opened_at=MONDAY
        )
    alert = raised(cast, subject=cast.worker)
    assert visible(cast.outsider, Alert.objects.all(), View.FOLLOWING, at=MONDAY).get() == alert
    assert acknowledge(cast, alert, by=cast.outsider).held_by == cast.outsider


def test_nobody_acknowledges_or_closes_an_alert_about_themselves(cast):
    with doing("command:tests"):
        own = Worker.objects.create(site=cast.site, user=cast.nurse, name="Nora Teal", number="SG-7")
    breach = report(cast, worker="SG-7", shoe_size=43).breach
    for alert in (raised(cast, subject=own), breach.alerts.get(cause="to_look_at")):
        for act in (acknowledge, close):
            with pytest.raises(PermissionDenied):
                act(cast, alert, by=cast.nurse)


def test_a_follow_ups_next_look_is_that_of_its_criteria(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    alert = acknowledge(cast, raised(cast, subject=follow_up, cause="missed"))
    assert alert.next_look_at - MONDAY == timedelta(hours=4)  # ebola 2023.1: next_look_hours 4
