"""An exposure that no report led to: a person tells the worker first, and until then nothing does."""

from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied

from exposure.attend.models import Alert, OtherDecision
from exposure.pipeline import expose
from exposure.pipeline.tell import tell_of_exposure
from exposure.refusal import BadSubmission, Conflict
from exposure.remind.models import Message, Reminder
from exposure.web.nurse import queue
from exposure.web.worker.situation import situation_of
from tests.cast import MONDAY, doing
from tests.walk import hours, pass_time, report, sweep_at, tell

pytestmark = pytest.mark.database

TWO_HOURS = hours(2)  # within which ebola 2023.1 wants its high tier confirmed
EVENING = MONDAY + hours(9)  # 18:00 in Lisbon, when the first reading opens


@pytest.fixture
def exposure(cast):
    with doing(cast.nurse):
        return expose.record_exposure(
            worker=cast.worker,
            pathogen="ebola",
            occurred_at=MONDAY - hours(20),
            tier="high",
            note="At a market.",
            by=cast.nurse,
            at=MONDAY,
        )


def tell_of(cast, exposure, *, how="phone", by=None, at=MONDAY):
    by = by or cast.nurse
    with doing(by, at=at):
        return tell_of_exposure(exposure=exposure, how=how, by=by, at=at)


def test_no_message_goes_out_before_a_person_has_told_the_worker(cast, exposure):
    pass_time(EVENING)
    assert Reminder.objects.get().skipped_because == "not_told"
    assert not Message.objects.filter(reminder__isnull=False).exists()
    tell_of(cast, exposure, at=EVENING + hours(1))
    pass_time(EVENING + hours(2))
    assert Message.objects.filter(reminder__isnull=False).count() == 1


def test_a_worker_who_was_not_told_reads_only_whom_to_ring(cast, exposure):
    assert situation_of(cast.worker, at=MONDAY).kind == "untold"
    assert not situation_of(cast.worker, at=MONDAY).restrictions
    tell_of(cast, exposure)
    told = situation_of(cast.worker, at=EVENING)
    assert told.kind == "monitored"
    assert told.restrictions


def test_what_was_told_of_a_report_stays_in_view_while_another_exposure_is_untold(cast, exposure):
    tell(cast, report(cast, pathogen="ebola"))
    now = situation_of(cast.worker, at=MONDAY)
    assert now.news_waits
    assert {exposure.breach_id for one in now.overviews for exposure in one.exposures} == {
        one.pk for one in now.unconfirmed
    }


def test_the_nurse_has_a_line_until_it_is_told(cast, exposure):
    [line] = queue.lines(cast.nurse, at=MONDAY)
    assert (line.cause, line.worker, line.by, line.late) == ("untold", cast.worker, MONDAY + TWO_HOURS, False)
    assert not queue.lines(cast.outsider, at=MONDAY)
    tell_of(cast, exposure)
    assert not queue.lines(cast.nurse, at=MONDAY)


@pytest.mark.parametrize(("after", "alerts"), [(TWO_HOURS - timedelta(seconds=1), 0), (TWO_HOURS, 1)])
def test_not_told_in_time_is_an_alert_once(cast, exposure, after, alerts):
    for _round in range(2):
        sweep_at(MONDAY + after)
    assert Alert.objects.filter(cause="untold", follow_up=exposure.follow_up).count() == alerts


def test_telling_closes_the_alert_and_only_the_last_of_two_does(cast, exposure):
    with doing(cast.nurse):
        other = expose.record_exposure(
            worker=cast.worker, pathogen="ebola", occurred_at=MONDAY - hours(3), tier="high", by=cast.nurse, at=MONDAY
        )  # fmt: skip
    sweep_at(MONDAY + TWO_HOURS)
    alert = Alert.objects.get(cause="untold")
    for one, closed in ((exposure, False), (other, True)):
        tell_of(cast, one, at=MONDAY + hours(3))
        alert.refresh_from_db()
        assert (alert.closed_at is not None) == closed
    sweep_at(MONDAY + hours(4))
    assert Alert.objects.filter(cause="untold").count() == 1


def test_telling_again_keeps_the_first_telling(cast, exposure):
    assert tell_of(cast, exposure).told_by == "phone"
    again = tell_of(cast, exposure, at=MONDAY + hours(1))
    assert (again.told_by, again.told_at) == ("phone", MONDAY)
    with pytest.raises(Conflict):
        tell_of(cast, exposure, how="person", at=MONDAY + hours(1))
    assert OtherDecision.objects.get().sent == {"how": "person"}


def test_a_corrected_exposure_was_told_if_the_first_one_was(cast, exposure):
    tell_of(cast, exposure)
    with doing(cast.nurse):
        corrected = expose.correct_exposure(
            exposure=exposure, occurred_at=MONDAY - hours(30), reason="The ticket says so.", by=cast.nurse, at=MONDAY
        )  # fmt: skip
    assert (corrected.told_at, corrected.note) == (MONDAY, "At a market.")
    assert not corrected.promises.open().filter(kind="tell").exists()


def test_how_it_was_told_is_asked_for(cast, exposure):
    with pytest.raises(BadSubmission):
        tell_of(cast, exposure, how="letter")


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator", "outsider"])
def test_only_the_sites_clinicians_tell(cast, exposure, who):
    with pytest.raises(PermissionDenied):
        tell_of(cast, exposure, by=getattr(cast, who))
