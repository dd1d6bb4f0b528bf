"""One alert for one cause: a warning becomes the alert that it is late; an alert that has lost its cause says so, on
every door, and waits to be closed.

The hours are those of bloodborne 2025.2 and ebola 2023.1 in fixtures/criteria.
"""

import re
from html import unescape

import pytest
from django.urls import reverse

from exposure.attend.models import Alert, Promise
from exposure.attend.still import KINDS, gone, still
from exposure.followup.models import FollowUp
from exposure.pipeline import attend, enter, evaluate, reply
from exposure.pipeline.complete import complete_task, mark_not_applicable
from exposure.web.nurse import queue, waits
from tests.api.conftest import Caller
from tests.attend.deeds import OCCURRED, SECOND, complete, countersign, override, the, withdraw
from tests.cast import MONDAY, adopt, doing
from tests.walk import confirm, hours, log, report, sweep_at, tell

pytestmark = pytest.mark.database


@pytest.fixture
def bloodborne(cast):
    with doing("command:tests", at=MONDAY - hours(24)):
        adopt(cast.site, "bloodborne-2025.2", MONDAY - hours(24))
    return report(cast, pathogen="bloodborne", facts={"fluid": "infectious", "portal": "pierced"})


def lines(cast, at):
    """(cause, whether it waits to be closed) of what stands in the queue because of an alert."""
    found = [line for line in queue.lines(cast.nurse, at=at) if line.url.startswith("/alerts/")]
    return [(line.cause, line.gone) for line in found]


def words(page):
    main = page.content.decode().partition("<main")[2].partition("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", main)).split())


def close(cast, cause, at):
    alert = Alert.objects.get(cause=cause, closed_at=None)
    with doing(cast.nurse, at=at):
        attend.close_alert(alert=alert, outcome="evaluated", note="Seen to.", by=cast.nurse, at=at)


def only(cast, at, *but):
    """Everything else that has dates is done, or, where it is too early for that, does not apply."""
    for task in Promise.objects.open().filter(kind="task", due_at__isnull=False).exclude(key__in=but):
        with doing(cast.nurse, at=at):
            if task.not_before is not None and task.not_before > at:
                mark_not_applicable(task=task, reason="Not needed.", by=cast.nurse, at=at)
            else:
                complete_task(task=task, note="Done.", by=cast.nurse, at=at)


# Soon due, then late


def test_what_was_soon_due_stands_once_as_late_and_goes_with_the_deed(cast, bloodborne):
    only(cast, MONDAY, "source_test")  # 48 hours, said 24 hours before
    sweep_at(OCCURRED + hours(24))
    assert ("task_soon", False) in lines(cast, OCCURRED + hours(24))
    late_at = OCCURRED + hours(48)
    sweep_at(late_at)
    assert [line for line in lines(cast, late_at) if "task" in line[0]] == [("late_task", False)]
    complete(cast, "source_test", at=late_at)
    assert not Alert.objects.filter(cause__in=("task_soon", "late_task"), closed_at=None).exists()
    assert {alert.closed_by for alert in Alert.objects.filter(cause__in=("task_soon", "late_task"))} == {
        cast.nurse
    }


def test_until_somebody_has_noticed_that_it_is_late_the_warning_does_not_vanish(cast, bloodborne):
    only(cast, MONDAY, "source_test")
    sweep_at(OCCURRED + hours(24))
    assert ("task_soon", True) in lines(cast, OCCURRED + hours(48))


def test_a_warning_of_several_stays_until_the_last_is_late_or_done_and_names_what_is_left(cast, bloodborne):
    only(cast, MONDAY, "source_test", "hiv_first_dose")  # 48 and 72 hours
    sweep_at(OCCURRED + hours(24))
    sweep_at(OCCURRED + hours(48))
    both = [line for line in lines(cast, OCCURRED + hours(48)) if "task" in line[0]]
    assert sorted(both) == [("late_task", False), ("task_soon", False)]
    complete(cast, "source_test", at=OCCURRED + hours(49))
    alert = Alert.objects.get(cause="task_soon")
    assert (alert.closed_at, alert.words) == (None, the("task", key="hiv_first_dose").title)
    complete(cast, "hiv_first_dose", at=OCCURRED + hours(50))
    alert.refresh_from_db()
    assert alert.closed_at == OCCURRED + hours(50)


def test_closing_what_is_late_closes_the_warning_that_it_took_over(cast, bloodborne):
    only(cast, MONDAY, "source_test")
    sweep_at(OCCURRED + hours(24))
    sweep_at(OCCURRED + hours(48))
    close(cast, "late_task", OCCURRED + hours(48))
    warning = Alert.objects.get(cause="task_soon")
    assert (warning.closed_by, warning.note) == (cast.nurse, "Seen to.")


# The cause has gone


def lowered(cast, breach):
    """The deadline of 2 hours has passed; two physicians lower the tier, whose plan gives 24."""
    at = MONDAY + hours(3)
    sweep_at(at)
    countersign(cast, override(cast, breach, "none", at=at), at=at)


def told(cast, breach):
    """Withdrawn after an hour in which nobody was told: nobody has to be any more."""
    sweep_at(MONDAY + hours(1))
    withdraw(cast, breach)


def rung(cast, breach):
    """Silent for two days and more, then heard from."""
    sweep_at(MONDAY + hours(60))
    log(cast, at=MONDAY + hours(61))


def read_late(cast, breach):
    """The evening's reading did not come, and was entered at night."""
    tell(cast, breach)
    confirm(cast, breach)
    sweep_at(MONDAY + hours(16))
    log(cast, at=MONDAY + hours(17))


def evaluated(cast, breach):
    """The evening's reading did not come; at night the worker is at the unit."""
    tell(cast, breach)
    sweep_at(MONDAY + hours(16))
    follow_up = FollowUp.objects.get()
    with doing(cast.nurse, at=MONDAY + hours(17)):
        evaluate.begin_evaluation(follow_up=follow_up, reason="Unwell.", by=cast.nurse, at=MONDAY + hours(17))


def could(cast, breach):
    """No thermometer at first, and then there was one."""
    log(cast, at=MONDAY + hours(11), temperature=None, unit=None, method=None, could_not="It is broken.")
    log(cast, at=MONDAY + hours(12))


def called(cast, breach):
    """Asked to be rung, and was."""
    at = MONDAY + hours(11)
    with doing("command:tests", at=at):
        reply.tell_phone_only(cast.worker, at=at)
    with doing(cast.nurse, at=MONDAY + hours(12)):
        enter.note_call(worker=cast.worker, answered=True, note="", by=cast.nurse, at=MONDAY + hours(12))


ROADS = {
    "missed": (read_late, hours(17), ""),
    "missed while evaluated": (evaluated, hours(17), ""),
    "could_not": (could, hours(12), ""),
    "call_me": (called, hours(12), ""),
    "late_confirmation": (lowered, hours(3), "To be done by Tue 3 Mar 2026, 09:00 now."),
    "untold": (told, hours(1), "Nobody asks for it any more."),
    "silence": (rung, hours(61), "Done: "),
}


def test_every_cause_that_can_go_has_a_road():
    about_the_tier = {"late_task", "task_soon", "late_review", "late_signature", "late_call"}
    lost = {*KINDS, Alert.Cause.MISSED, Alert.Cause.COULD_NOT, Alert.Cause.CALL_ME}
    assert {str(cause) for cause in lost} - about_the_tier == {road.split()[0] for road in ROADS}


@pytest.mark.parametrize("named", ROADS)
def test_an_alert_that_has_lost_its_cause_says_so_on_every_door_and_closes_by_hand_alone(
    cast, client, standing_clock, named
):
    road, after, said = ROADS[named]
    cause = named.split()[0]
    reported = report(cast)
    breach = reported if road in (read_late, evaluated) else reported.breach
    road(cast, breach)
    at = standing_clock(MONDAY + after)
    alert = Alert.objects.get(cause=cause)
    assert (alert.closed_at, gone([alert], at=at)) == (None, {alert.pk})
    assert (cause, True) in lines(cast, at)
    client.force_login(cast.nurse)
    page = words(client.get(reverse("alert", args=[alert.uid])))
    assert "This is no longer so" in page
    assert said in page
    assert "No longer so; it waits to be closed" in words(client.get(reverse("needs_action")))
    assert "No longer so; it waits to be closed" in words(
        client.get(reverse("person", args=[cast.worker.uid]))
    )
    nurse = Caller(cast.nurse)
    listed = {row["cause"]: row["cause_gone"] for row in nurse.get("alerts/").json()["results"]}
    assert listed[cause] is True
    close(cast, cause, at)
    assert cause not in dict(lines(cast, at))
    listed = {row["cause"]: row["cause_gone"] for row in nurse.get("alerts/").json()["results"]}
    assert listed[cause] is False


def test_what_is_late_again_has_its_cause_again(cast):
    breach = report(cast).breach
    lowered(cast, breach)
    alert = Alert.objects.get(cause="late_confirmation")
    due_at = MONDAY + hours(24)
    assert gone([alert], at=due_at - SECOND) == {alert.pk}
    assert [promise.kind for promise in still([alert], at=due_at)[alert.pk]] == ["confirm"]
    sweep_at(due_at)
    alert.refresh_from_db()
    assert (alert.times, alert.closed_at) == (2, None)


@pytest.mark.parametrize(
    ("cause", "then"),
    [("missed", lambda cast: None),
     ("could_not", lambda cast: rung_only(cast, answered=True)),
     ("call_me", lambda cast: rung_only(cast, answered=False))],
)  # fmt: skip
def test_what_does_not_answer_it_leaves_it_so(cast, cause, then):
    """A reading of before, a call without a reading, a call that nobody took."""
    tell(cast, report(cast))
    then_at = MONDAY + hours(11)
    if cause == "could_not":
        log(cast, at=then_at, temperature=None, unit=None, method=None, could_not="It is broken.")
    elif cause == "call_me":
        with doing("command:tests", at=then_at):
            reply.tell_phone_only(cast.worker, at=then_at)
    else:
        then(cast)
        sweep_at(MONDAY + hours(16))
    if cause != "missed":
        then(cast)
    assert not gone([Alert.objects.get(cause=cause)], at=MONDAY + hours(16))


def rung_only(cast, answered):
    at = MONDAY + hours(12)
    with doing(cast.nurse, at=at):
        enter.note_call(worker=cast.worker, answered=answered, note="", by=cast.nurse, at=at)


def test_a_fever_that_was_corrected_stays_as_urgent_and_says_so(cast, client, standing_clock):
    tell(cast, report(cast))
    at = MONDAY + hours(11)
    fever = log(cast, at=at, temperature="39.4").row
    log(cast, at=at + hours(1), temperature="36.4", replaces=str(fever.uid), reason="Misread.")
    standing_clock(at + hours(1))
    [line] = [line for line in queue.lines(cast.nurse, at=at + hours(1)) if line.cause == "fever"]
    assert (line.group, line.gone, line.why[:15]) == (waits.URGENT, False, "Corrected since")
    client.force_login(cast.nurse)
    assert "Corrected since" in words(client.get(reverse("person", args=[cast.worker.uid])))
    log(cast, at=at + hours(2), temperature="38.9")
    [line] = [line for line in queue.lines(cast.nurse, at=at + hours(2)) if line.cause == "fever"]
    assert "Corrected" not in line.why, "another stands"


def test_while_it_is_so_no_alert_says_otherwise(cast, client, standing_clock):
    """Every cause that time has raised by then."""
    reported = report(cast)
    tell(cast, reported)
    at = standing_clock(MONDAY + hours(60))
    sweep_at(at)
    causes = set(Alert.objects.values_list("cause", flat=True))
    assert causes >= {"late_confirmation", "late_task", "silence"}
    assert not gone(Alert.objects.all(), at=at)
    client.force_login(cast.nurse)
    for alert in Alert.objects.all():
        assert "This is no longer so" not in words(client.get(reverse("alert", args=[alert.uid])))
    confirm(cast, reported, at=at)
    assert "late_confirmation" not in dict(lines(cast, at))


def test_the_api_of_one_follow_up_says_it_of_its_alerts_too(cast, standing_clock):
    follow_up = report(cast).follow_ups[0]
    rung(cast, None)
    standing_clock(MONDAY + hours(61))
    shown = Caller(cast.nurse).get(f"follow-ups/{follow_up.uid}/").json()["alerts"]
    assert {row["cause"]: row["cause_gone"] for row in shown}["silence"] is True
