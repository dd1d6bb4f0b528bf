"""While clinicians have somebody, evaluating or in hospital: nobody signs, nothing is missing; a physician says what
was found."""

import pytest
from django.test import Client

from exposure.attend.models import Alert, OtherDecision, Promise
from exposure.attend.overview import overview
from exposure.attend.ranked import ranked
from exposure.attend.watched import watched
from exposure.clear.sign import rule_on
from exposure.clear.summary import summary_of
from exposure.followup.models import Fill, FollowUp
from exposure.pipeline import clear, enter, evaluate
from exposure.refusal import BadSubmission, NotYet
from exposure.web.nurse import queue, ring, waits
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.walk import confirm, follow_up_told_and_confirmed, hours, log, log_to_the_end, report, sweep_at
from tests.web.nora import Browser, words

pytestmark = pytest.mark.database

EARLY = "The test was taken 40 hours after onset, before 72 hours: it is usually repeated."
PAUSES = {"evaluated": evaluate.begin_evaluation, "admitted": evaluate.admit}
LEFT = MONDAY + hours(86)  # 74 hours after it began; no window is open


def begin(cast, follow_up, *, at, kind="evaluated", reason="Fever, at the unit.", by=None):
    by = by or cast.nurse
    with doing(by, at=at):
        return PAUSES[kind](follow_up=follow_up, reason=reason, by=by, at=at)


def come_back(cast, follow_up, *, at, by=None, **found):
    by = by or cast.physician
    with doing(by, at=at):
        found = found or {"diagnosis": "Malaria."}
        return evaluate.return_to_monitoring(follow_up=follow_up, by=by, at=at, **found)


def sign(cast, follow_up, *, at, by=None):
    by = by or cast.physician
    with doing(by, at=at):
        return clear.sign_clearance(follow_up=follow_up, by=by, at=at)


def finished(cast):
    """All but the last reading came; who was to give it is being evaluated, or in hospital. When all is over."""
    follow_up = follow_up_told_and_confirmed(cast)
    log_to_the_end(cast, follow_up, but=1)
    last = follow_up.checks.filter(withdrawn_at=None).last()
    return follow_up, last, last.closes_at + hours(12)


# Nobody signs meanwhile


@pytest.mark.parametrize("kind", PAUSES)
def test_who_is_being_evaluated_or_in_hospital_is_not_signed_off_at_any_door(
    cast, client, standing_clock, kind
):
    follow_up, last, over = finished(cast)
    begin(cast, follow_up, kind=kind, at=last.opens_at)
    with doing(cast.nurse, at=over):
        enter.excuse_check(check=last, reason="On the ward.", by=cast.nurse, at=over)
    with pytest.raises(NotYet) as refused:
        sign(cast, follow_up, at=over)
    assert refused.value.reasons == ("being_evaluated",)
    standing_clock(over)
    answer = Caller(cast.physician).post(f"follow-ups/{follow_up.uid}/clear/")
    assert (answer.status_code, answer.json()["reasons"]) == (409, ["being_evaluated"])
    browser = Browser(client, standing_clock).sign_in(cast.physician)
    shown = words(browser.open("clear", follow_up.uid, at=over))
    assert "a physician returns them to readings first." in shown
    assert "Return to readings" in shown
    assert f"{kind.replace('evaluated', 'being evaluated').capitalize()} Fever, at the unit." in shown
    assert "Sign the end" not in shown.partition("This stands in the way")[2]
    [line] = [line for line in queue.lines(cast.nurse, at=over) if line.cause == waits.OBSTRUCTED]
    assert "it waits for 1 obstacle: The worker is being evaluated, or in hospital" in line.why
    come_back(cast, follow_up, at=over)
    assert sign(cast, follow_up, at=over).signed_at == over


@pytest.mark.parametrize("kind", PAUSES)
def test_an_evaluation_before_a_clearance_takes_effect_makes_it_void(cast, kind):
    follow_up = follow_up_told_and_confirmed(cast)
    last = log_to_the_end(cast, follow_up)
    signed = sign(cast, follow_up, at=last)
    begin(cast, follow_up, kind=kind, at=last + hours(1))
    signed.refresh_from_db()
    follow_up.refresh_from_db()
    assert (signed.void_at, signed.void_because) == (last + hours(1), "Fever, at the unit.")
    assert (follow_up.ended_at, follow_up.states.last().kind) == (None, kind)


def test_the_first_of_two_signatures_is_void_too_also_after_the_last_day(cast, monkeypatch):
    monkeypatch.setattr("exposure.clear.sign.wanted_signatures", lambda _overview: "two")
    follow_up = follow_up_told_and_confirmed(cast)
    over = log_to_the_end(cast, follow_up) + hours(12)
    first = sign(cast, follow_up, at=over)
    assert (first.signed_at, first.effective_at) == (None, over)
    begin(cast, follow_up, at=over + hours(1))
    come_back(cast, follow_up, at=over + hours(2))
    first.refresh_from_db()
    assert first.void_at == over + hours(1)
    assert sign(cast, follow_up, by=cast.physician2, at=over + hours(3)).signed_at is None


# What was asked meanwhile


def flags(follow_up, at):
    """As the page of the person and the list show them, which agree."""
    [seen] = watched([FollowUp.objects.get(pk=follow_up.pk)], at=at)
    [listed] = ranked(FollowUp.objects.filter(pk=follow_up.pk), at=at)
    assert [(flag.cause, flag.count) for flag in seen.found] == [
        (flag.cause, flag.count) for flag in listed.found
    ]
    return {flag.cause: flag.count for flag in seen.found}


def to_ring(cast, at):
    running = FollowUp.objects.select_related("worker", "site").running(at=at)
    return ring.to_ring(queue.lines(cast.nurse, at=at), running, at=at)


def three_days(cast, *, moved=False):
    """A reading on the first evening, then evaluated from 21:00, perhaps admitted meanwhile, until day 3, 23:00."""
    follow_up = follow_up_told_and_confirmed(cast)
    log(cast, at=MONDAY + hours(10))
    begin(cast, follow_up, at=MONDAY + hours(12))
    if moved:
        begin(cast, follow_up, kind="admitted", reason="To the ward.", at=MONDAY + hours(40))
    sweep_at(LEFT)
    return follow_up


@pytest.mark.parametrize("moved", [False, True])
def test_who_comes_back_has_nothing_missing_and_silence_counts_from_then(cast, moved):
    follow_up = three_days(cast, moved=moved)
    come_back(cast, follow_up, at=LEFT)
    for at in (LEFT, LEFT + hours(1)):
        sweep_at(at)
        assert (flags(follow_up, at), to_ring(cast, at)) == ({}, [])
    closed = follow_up.checks.filter(closes_at__lte=LEFT, closes_at__gt=MONDAY + hours(12))
    explained = Fill.objects.filter(state="excused")
    assert set(explained.values_list("check_row", flat=True)) == {
        check.pk for check in closed if not check.fills.filter(reading__isnull=False).exists()
    }
    assert len(explained) >= 5
    assert {(fill.reason, fill.recorded_by) for fill in explained} == {("Malaria.", cast.physician.actor)}
    now = overview(follow_up, at=LEFT)
    assert (rule_on(now).gap, now.last_contact_at) == (False, LEFT)
    assert summary_of(now).longest_silence < hours(48)
    assert not Alert.objects.filter(closed_at=None).exists()
    assert "silent" not in flags(follow_up, LEFT + hours(47.9))
    assert flags(follow_up, LEFT + hours(48))["silent"] == 48


def test_a_window_that_is_open_as_they_come_back_is_asked_for_and_one_before_the_evaluation_stays_missing(
    cast,
):
    follow_up = follow_up_told_and_confirmed(cast)
    checks = list(follow_up.checks.filter(withdrawn_at=None)[:4])
    begin(cast, follow_up, at=checks[0].closes_at)
    come_back(cast, follow_up, at=checks[2].opens_at + hours(1))
    lines = overview(follow_up, at=checks[2].opens_at + hours(1)).lines
    assert [line.state for line in lines[:4]] == ["no_reading", "excused", "open", "upcoming"]


@pytest.mark.parametrize("kind", ["ruled_out", "fell_ill", "left"])
def test_what_ends_an_evaluation_explains_what_was_asked_meanwhile(cast, kind):
    follow_up = three_days(cast)
    with doing(cast.physician, at=LEFT):
        clear.end_follow_up(
            follow_up=follow_up, kind=kind, reason="Two tests.", basis="agreed", by=cast.physician, at=LEFT
        )
    states = summary_of(overview(follow_up, at=LEFT)).states
    assert (states["no_reading"], states["excused"]) == (0, Fill.objects.filter(reading=None).count())
    assert set(Fill.objects.filter(reading=None).values_list("reason", flat=True)) == {"Two tests."}


# What was found

FOUND = [
    ({"finding": "Malaria; test 40 h after onset"}, "Malaria; test 40 h after onset"),
    ({"diagnosis": "Malaria."}, "Malaria."),
    ({"test": "Negative.", "hours_since_onset": 40}, f"Negative. {EARLY}"),
    ({"test": "Negative.", "hours_since_onset": 72}, "Negative. The test was taken 72 hours after onset."),
    (
        {"diagnosis": "Malaria.", "test": "Negative.", "hours_since_onset": 80},
        "Malaria.\nNegative. The test was taken 80 hours after onset.",
    ),
]
NOT_FOUND = [
    ({"finding": " "}, "/diagnosis"),
    ({"test": "Negative."}, "/hours_since_onset"),
    ({"test": "Negative.", "hours_since_onset": -1}, "/hours_since_onset"),
    ({"diagnosis": "Malaria.", "hours_since_onset": 40}, "/test"),
]


@pytest.mark.parametrize(("found", "kept"), FOUND)
def test_what_was_found_is_kept_in_words(cast, found, kept):
    follow_up = follow_up_told_and_confirmed(cast)
    begin(cast, follow_up, at=MONDAY)
    assert come_back(cast, follow_up, at=MONDAY + hours(1), **found).reason == kept


@pytest.mark.parametrize(("found", "pointer"), NOT_FOUND)
def test_a_finding_that_lacks_something_is_refused_at_the_field(cast, found, pointer):
    follow_up = follow_up_told_and_confirmed(cast)
    begin(cast, follow_up, at=MONDAY)
    with pytest.raises(BadSubmission) as refused:
        come_back(cast, follow_up, at=MONDAY + hours(1), **found)
    assert [problem.pointer for problem in refused.value.problems] == [pointer]
    assert follow_up.states.last().kind == "evaluated"


@pytest.mark.parametrize(
    ("confirmed", "becomes"), [(None, "provisional"), (MONDAY + hours(2), "monitored"), (MONDAY, "monitored")]
)
def test_the_state_afterwards_is_what_it_was_before_but_for_what_was_confirmed(cast, confirmed, becomes):
    reported = report(cast)
    [follow_up] = reported.follow_ups
    if confirmed == MONDAY:
        confirm(cast, reported)
    begin(cast, follow_up, at=MONDAY + hours(1))
    if confirmed and confirmed > MONDAY:
        confirm(cast, reported, at=confirmed)
    assert come_back(cast, follow_up, at=MONDAY + hours(3)).kind == becomes
    assert come_back(cast, follow_up, at=MONDAY + hours(4)).from_at == MONDAY + hours(3)


@pytest.mark.parametrize("confirmed", [False, True])
def test_who_was_not_evaluated_does_not_return(cast, confirmed):
    reported = report(cast)
    if confirmed:
        confirm(cast, reported)
    [follow_up] = reported.follow_ups
    before = list(follow_up.states.values_list("kind", "until_at"))
    with pytest.raises(NotYet) as refused:
        come_back(cast, follow_up, at=MONDAY + hours(1))
    assert refused.value.reasons == ("not_paused",)
    assert list(follow_up.states.values_list("kind", "until_at")) == before


# The pages


@pytest.fixture
def physician(cast, client, standing_clock):
    return Browser(client, standing_clock).sign_in(cast.physician)


def test_the_page_asks_for_a_diagnosis_or_a_test_and_cautions_about_an_early_one_first(cast, physician):
    follow_up = follow_up_told_and_confirmed(cast)
    begin(cast, follow_up, at=MONDAY)
    page, at = ("follow_up_return", follow_up.uid), MONDAY + hours(1)
    assert "It stands nevertheless" not in words(physician.open(*page, at=at))
    assert "Name the diagnosis, or the test and its result." in words(physician.send(*page, at=at))
    test = {"test": "Negative.", "hours_since_onset": "40"}
    cautioned = words(physician.send(*page, at=at, **test))
    assert EARLY in cautioned
    assert "It stands nevertheless" in cautioned
    assert follow_up.states.last().kind == "evaluated"
    assert "Back to readings." in words(physician.send(*page, at=at, **test, sure="on"))
    assert (follow_up.states.last().kind, follow_up.states.last().reason) == (
        "monitored",
        f"Negative. {EARLY}",
    )
    again = physician.send(*page, at=at, diagnosis="Dengue.")
    assert "Somebody was before you (" in words(again)
    assert OtherDecision.objects.get().sent == {"reason": "Dengue."}
    other = words(physician.open("person", cast.worker.uid, at=at))
    assert "Dengue." in other.partition("what was found")[2]


@pytest.mark.parametrize(
    ("hours_given", "said"), [("", "Give the hours to the test."), ("40", EARLY), ("72", "")]
)
def test_ruled_out_asks_for_the_hours_to_the_test(cast, physician, hours_given, said):
    follow_up = follow_up_told_and_confirmed(cast)
    sent = {"kind": "ruled_out", "basis": "agreed", "reason": "Negative.", "hours_since_onset": hours_given}
    first = words(physician.send("follow_up_end", follow_up.uid, **sent))
    if said:
        assert said in first
        assert follow_up.states.last().kind == "monitored"
        physician.send("follow_up_end", follow_up.uid, **sent, sure="on")
    ended = follow_up.states.last()
    assert ended.kind == "ruled_out"
    taken = f"The test was taken {hours_given} hours after onset" if hours_given else ""
    assert ended.reason.startswith(f"Negative. {taken}".strip())


def test_a_second_clinician_with_other_words_is_told_and_what_they_sent_is_shown(cast, standing_clock):
    follow_up = follow_up_told_and_confirmed(cast)
    first, second = (Browser(Client(), standing_clock).sign_in(who) for who in (cast.nurse, cast.physician))
    page = ("follow_up_evaluation", follow_up.uid)
    assert "Noted." in words(first.send(*page, reason="Fever, at the unit."))
    told = words(second.send(*page, reason="Bleeding gums, isolate."))
    assert "being evaluated: Fever, at the unit. What you sent is kept beside it." in told
    assert "Bleeding gums, isolate." in words(first.open("person", cast.worker.uid))
    assert "Noted." in words(second.send(*page, reason="Fever, at the unit."))
    assert OtherDecision.objects.count() == 1
    assert not Promise.objects.open().filter(kind="call").exists()
