"""A clock that was wrong: what it used up is asked anew at its right time, once; the jump is recorded."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from exposure import clock
from exposure.attend.models import Alert, AlertEntry, Promise
from exposure.pipeline import attend, remind
from exposure.record import mark_withdrawn
from exposure.remind import heartbeat, jumps, outbox, rounds
from exposure.remind.models import ClockJump, Heartbeat, Message, Planned, Reminder, Rung, SetAside
from tests.cast import MONDAY, doing
from tests.remind.due import due
from tests.report.test_once import at_once
from tests.walk import follow_up_told_and_confirmed, hours, log, pass_time, report, tell

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)  # opens 18:00, due 20:00, last call 21:30, closes 22:00
INSTANTS = [EVENING, EVENING + hours(2), EVENING + hours(3.5)]
DAY = timedelta(days=1)
SECONDS = timedelta(seconds=10)
MINUTE = timedelta(minutes=1)
clocks = {"running": 0.0}


@pytest.fixture(autouse=True)
def new_process(monkeypatch):
    """Returns what makes the next round the first one of its process."""

    def begin():
        monkeypatch.setattr(jumps, "_pace", jumps.Pace())

    begin()
    monkeypatch.setattr(clock, "running", lambda: clocks["running"])
    return begin


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def round_at(at, *, running=None, stopped=0.0):
    clocks["running"] = (running or 0.0) + stopped
    with doing("command:clock", at=at):
        return remind.pass_time(at=at, running=running)


def rounds_at(*instants):
    for at in instants:
        round_at(at)


def reminded(slot=EVENING):
    """When the worker was reminded of that reading: of which instant, and when by the clock."""
    rows = Message.objects.filter(reminder__slot_opens_at=slot).order_by("pk")
    return list(rows.values_list("reminder__rung_at", "reminder__recorded_at"))


def recorded():
    return list(ClockJump.objects.values_list("said_at", "right_at"))


def all_sent(at):
    Message.objects.filter(sent_at=None, given_up_at=None).update(sent_at=at)


def every_half_hour(since, until):
    at = since
    while at <= until:
        round_at(at)
        at += hours(0.5)


# Stories


def test_after_a_clock_that_was_a_day_ahead_each_reminder_goes_out_at_its_right_instant_once(cast, follow_up):
    round_at(EVENING - hours(1))
    rounds_at(*(EVENING - hours(1) + DAY + number * SECONDS for number in (1, 2, 3)))
    assert not Rung.objects.filter(at__lte=EVENING + DAY - hours(1), withdrawn_at=None).exists()
    every_half_hour(EVENING - hours(0.5), EVENING + hours(4))
    assert reminded() == [(at, at) for at in INSTANTS]
    assert recorded() == [(EVENING - hours(1) + DAY + 3 * SECONDS, EVENING - hours(0.5))]


def test_the_reading_that_is_missing_is_noticed_again_when_its_window_closes(cast, follow_up):
    round_at(EVENING + DAY)
    early = Alert.objects.get(cause="missed")
    assert early.raised_at == EVENING + DAY
    with doing(cast.nurse):
        attend.close_alert(
            alert=early, outcome="evaluated", note="The clock was wrong.", by=cast.nurse, at=MONDAY
        )
    closes_at = EVENING + hours(4)
    rounds_at(EVENING - hours(1), closes_at - MINUTE)
    assert not Alert.objects.filter(cause="missed", closed_at=None).exists()
    round_at(closes_at)
    assert Alert.objects.get(cause="missed", closed_at=None).dated_at == closes_at


def test_what_is_late_is_told_again_at_its_time(cast):
    tell(cast, report(cast))  # to confirm within two hours
    due_at = MONDAY + hours(2)
    promise = Promise.objects.get(kind="confirm")
    assert promise.due_at == due_at
    rounds_at(MONDAY + DAY, MONDAY + MINUTE, due_at - MINUTE)
    promise.refresh_from_db()
    assert promise.noticed_at is None
    round_at(due_at)
    promise.refresh_from_db()
    entries = AlertEntry.objects.filter(alert__cause="late_confirmation").order_by("pk")
    assert promise.noticed_at == due_at
    assert list(entries.values_list("kind", "recorded_at")) == [("raised", MONDAY + DAY), ("joined", due_at)]


def test_a_warning_given_ahead_of_its_time_is_given_again(cast):
    [task] = due(cast, "soon", 1)
    round_at(task.warn_at)
    rounds_at(task.warn_at - hours(1), task.warn_at - MINUTE)
    task.refresh_from_db()
    assert task.warned_at is None
    round_at(task.warn_at)
    task.refresh_from_db()
    assert task.warned_at == task.warn_at


def test_an_hour_back_asks_again_what_the_hour_ahead_had_asked(cast, follow_up):
    rounds_at(EVENING - hours(1), EVENING + MINUTE)  # the second is really at 17:01
    rounds_at(EVENING - hours(1) + 2 * MINUTE, EVENING - MINUTE, EVENING, EVENING + MINUTE)
    assert reminded() == [(EVENING, EVENING + MINUTE), (EVENING, EVENING)]


def test_a_clock_that_is_an_hour_behind_for_a_while_asks_nothing_a_second_time_once_it_is_right(
    cast, follow_up
):
    """Before it went back it had asked at the right time: noticed by the seconds that really passed."""
    round_at(EVENING, running=0.0)
    all_sent(EVENING)
    round_at(EVENING - hours(1) + SECONDS, running=10.0)
    assert ClockJump.objects.get().asked_anew > 0
    round_at(EVENING + 2 * SECONDS, running=20.0)
    assert reminded() == [(EVENING, EVENING)]
    assert [(said - right).total_seconds() for said, right in recorded()] == [3600, -3600]


def test_a_reminder_that_had_not_left_when_the_clock_went_back_still_goes(cast, follow_up):
    round_at(EVENING, running=0.0)
    round_at(EVENING - hours(1) + SECONDS, running=10.0)
    assert Message.objects.get(given_up_at__isnull=False).skipped_because == "superseded"
    round_at(EVENING + 2 * SECONDS, running=20.0)
    assert Message.objects.filter(reminder__slot_opens_at=EVENING, given_up_at=None).count() == 1


def test_an_instant_that_a_wrong_clock_had_judged_too_late_is_asked_at_once_when_it_is_right(cast, follow_up):
    """It came in the very moment in which the clock was wrong."""
    round_at(EVENING - SECONDS)
    round_at(EVENING + DAY)
    assert Reminder.objects.get(slot_opens_at=EVENING, rung="opening").skipped_because == "closed"
    round_at(EVENING + 2 * SECONDS)
    assert reminded() == [(EVENING, EVENING + 2 * SECONDS)]


def test_a_reminder_that_went_out_a_day_early_does_not_stand_in_the_way_of_todays(cast, follow_up):
    """Sent too: the newer one has left already, and none of it is due yet."""
    pass_time(EVENING + DAY)
    pass_time(EVENING)
    sent = Message.objects.filter(sent_at__isnull=False, reminder__isnull=False).order_by("sent_at")
    assert list(sent.values_list("reminder__rung_at", "sent_at")) == [
        (EVENING, EVENING),
        (EVENING + DAY, EVENING + DAY),
    ]


def test_a_wrong_clock_at_the_start_after_an_outage_uses_nothing_up_for_good(cast, follow_up, new_process):
    round_at(EVENING - hours(9))
    new_process()
    round_at(EVENING + DAY, running=5.0)
    new_process()
    round_at(EVENING, running=3.0)
    assert reminded() == [(EVENING, EVENING)]


def test_a_round_that_was_killed_before_its_heartbeat_shows_all_the_same(cast, follow_up):
    round_at(EVENING + DAY)
    Heartbeat.objects.filter(name=heartbeat.SWEEP).delete()
    round_at(EVENING)
    assert reminded() == [(EVENING, EVENING)]


def test_the_end_of_a_right_round_does_not_hide_a_wrong_one_beside_it(cast, follow_up):
    round_at(EVENING + DAY)
    with doing("command:clock", at=EVENING):
        heartbeat.beat(heartbeat.SWEEP, at=EVENING)
        heartbeat.begin(at=EVENING)
    round_at(EVENING + SECONDS)
    assert [right_at for _said_at, right_at in recorded()] == [EVENING + SECONDS]


# What is a jump


@pytest.mark.parametrize(
    ("ahead", "noticed"),
    [
        (jumps.TOLERANCE, False),
        (jumps.TOLERANCE + timedelta(seconds=1), True),
        (-jumps.TOLERANCE, False),
        (-jumps.TOLERANCE - timedelta(seconds=1), True),
    ],
)
def test_more_than_two_minutes_that_nobody_has_lived_through_are_a_jump(cast, ahead, noticed):
    round_at(MONDAY, running=1000.0)
    round_at(MONDAY + SECONDS + ahead, running=1010.0)
    assert recorded() == ([(MONDAY + SECONDS, MONDAY + SECONDS + ahead)] if noticed else [])


def test_an_outage_alone_is_no_jump(cast, follow_up, new_process):
    round_at(MONDAY, running=1000.0)
    round_at(MONDAY + DAY, running=1000.0 + DAY.total_seconds())  # it slept
    new_process()
    round_at(MONDAY + 2 * DAY, running=7.0)  # the machine began anew
    assert recorded() == []


def test_a_process_that_was_stopped_after_it_had_read_the_clock_asks_nothing_again(
    cast, follow_up, new_process
):
    """Another one did the work meanwhile."""
    round_at(EVENING + 10 * MINUTE)
    new_process()
    round_at(EVENING - MINUTE, running=1000.0, stopped=661.0)
    assert recorded() == []
    assert not Rung.objects.filter(again__gt=0).exists()


def test_a_process_that_cannot_tell_takes_nothing_for_a_jump_forward(cast):
    rounds_at(MONDAY, MONDAY + 300 * DAY)
    assert recorded() == []


@pytest.mark.parametrize("name", [heartbeat.SWEEP, heartbeat.SENDER, heartbeat.ROUND])
def test_any_process_that_was_ahead_shows_it(cast, name):
    Heartbeat.objects.create(name=name, at=MONDAY + DAY)
    round_at(MONDAY)
    assert recorded() == [(MONDAY + DAY, MONDAY)]
    assert not Heartbeat.objects.filter(at__gt=MONDAY).exists()


def test_what_a_web_server_said_of_the_database_is_no_process(cast):
    heartbeat.beat(heartbeat.READY, at=MONDAY + DAY)
    round_at(MONDAY)
    assert recorded() == []


def test_where_nothing_was_used_up_nothing_is_asked_again(cast, follow_up):
    before = list(Rung.objects.values_list("pk", "withdrawn_at"))
    Heartbeat.objects.create(name=heartbeat.SWEEP, at=MONDAY + hours(2))
    round_at(MONDAY)
    assert list(Rung.objects.values_list("pk", "withdrawn_at")) == before
    assert ClockJump.objects.get().asked_anew == 0


def test_readings_that_are_planned_no_more_are_not_asked_again(cast, follow_up):
    round_at(EVENING + DAY)
    with doing("command:tests"):
        mark_withdrawn(follow_up.checks.all(), at=MONDAY)
    round_at(EVENING)
    assert not Rung.objects.filter(again__gt=0).exists()


def test_a_reading_that_came_meanwhile_is_not_reminded_of(cast, follow_up):
    round_at(EVENING + DAY)
    log(cast, at=EVENING)
    rounds_at(EVENING + MINUTE, EVENING + hours(2))
    assert reminded() == []


@pytest.mark.django_db(transaction=True)
def test_processes_that_notice_at_once_record_it_once_and_ask_once(cast):
    follow_up_told_and_confirmed(cast)
    due(cast, "late", 5)
    round_at(EVENING + DAY)
    used = Rung.objects.exclude(withdrawn_at=None).filter(at__gt=EVENING).count()
    late = Promise.objects.filter(noticed_at__isnull=False, due_at__gt=EVENING).count()

    def one(number):
        with doing("command:clock", at=EVENING + number * SECONDS):
            return jumps.look(at=EVENING + number * SECONDS)

    noticed = [jump for jump in at_once(3, one) if jump is not None]
    assert len(noticed) == ClockJump.objects.count() == 1
    assert Rung.objects.filter(again=1).count() == used + 1  # the opening at 18:00 itself
    assert late > 0
    assert noticed[0].asked_anew == used + 1 + late
    assert not Promise.objects.filter(noticed_at__isnull=False, due_at__gt=EVENING + 2 * SECONDS).exists()


def test_a_second_process_that_notices_the_same_by_its_own_seconds_records_nothing(cast, new_process):
    round_at(MONDAY, running=0.0)
    first = jumps._pace
    new_process()
    round_at(MONDAY, running=0.0)
    round_at(MONDAY + hours(1), running=10.0)
    jumps._pace = first
    round_at(MONDAY + hours(1) + SECONDS, running=20.0)
    assert len(recorded()) == 1


def test_two_machines_whose_clocks_disagree_do_not_remind_for_ever(cast, follow_up):
    for number in range(10):
        round_at(EVENING + number * SECONDS)
        round_at(EVENING + DAY + number * SECONDS)
    asked = Rung.objects.filter(again__gt=0)
    assert max(asked.values_list("again", flat=True)) == jumps.AGAIN_AT_MOST
    opening = Message.objects.filter(reminder__rung_at=EVENING)
    assert opening.count() <= 1 + jumps.AGAIN_AT_MOST


def test_a_round_in_which_the_clock_is_right_takes_two_statements_to_see_it(cast, follow_up):
    round_at(MONDAY)
    with CaptureQueriesContext(connection) as statements, doing("command:clock"):
        jumps.look(at=MONDAY + SECONDS)
    assert len(statements) == 2


def test_asking_anew_is_a_fixed_number_of_statements(cast):
    def taken(count):
        due(cast, "reminders", count)
        at = MONDAY + 2 * DAY
        with doing("command:clock", at=at):
            mark_withdrawn(Rung.objects.all(), at=at)
            heartbeat.beat(heartbeat.SWEEP, at=at)
        with CaptureQueriesContext(connection) as statements, doing("command:clock"):
            assert jumps.look(at=MONDAY + DAY).asked_anew >= count
        return len(statements)

    taken(1)
    assert taken(3) == taken(30)


# What waits in the outbox and elsewhere


@pytest.fixture
def message(cast):
    with doing("command:tests"):
        reminder = Reminder.objects.create(
            worker=cast.worker, slot_opens_at=EVENING, rung="opening", rung_at=EVENING
        )
    return Message.objects.create(
        site=cast.site, reminder=reminder, worker=cast.worker, channel="email", address="w@example.org",
        created_at=MONDAY, due_at=MONDAY, pointless_at=EVENING + hours(4),
    )  # fmt: skip


AHEAD = MONDAY + DAY
OUTBOX = {  # what the wrong clock left -> what is brought back
    "held since tomorrow": (
        {"lease_until": AHEAD, "token": uuid4()}, {"lease_until": MONDAY + outbox.LEASE},
    ),
    "held since just now": (
        {"lease_until": MONDAY + outbox.LEASE, "token": uuid4()}, {"lease_until": MONDAY + outbox.LEASE},
    ),
    "tried tomorrow": ({"due_at": AHEAD, "attempts_made": 1}, {"due_at": MONDAY}),
    "tried just now": (
        {"due_at": MONDAY + outbox.LONGEST_WAIT * 1.25, "attempts_made": 6},
        {"due_at": MONDAY + outbox.LONGEST_WAIT * 1.25},
    ),
    "meant for later": ({"due_at": AHEAD}, {"due_at": AHEAD, "given_up_at": None}),
    "made tomorrow: asked anew": (
        {"due_at": AHEAD, "created_at": AHEAD}, {"given_up_at": MONDAY, "skipped_because": "superseded"},
    ),
    "made tomorrow and held: decided by whoever claims it next": (
        {"due_at": AHEAD, "created_at": AHEAD, "lease_until": AHEAD},
        {"given_up_at": None, "due_at": MONDAY, "created_at": MONDAY},
    ),
    "sent tomorrow": (
        {"created_at": AHEAD, "due_at": AHEAD, "sent_at": AHEAD}, {"sent_at": AHEAD, "given_up_at": None},
    ),
}  # fmt: skip


@pytest.mark.parametrize("left", OUTBOX)
def test_no_message_waits_for_the_wrong_time(message, left):
    before, after = OUTBOX[left]
    Message.objects.update(**before)
    Heartbeat.objects.create(name=heartbeat.SENDER, at=AHEAD)
    with doing("command:clock"):
        jumps.look(at=MONDAY)
    assert Message.objects.values(*after).get() == after


def test_what_is_set_aside_or_planned_anew_does_not_wait_for_the_wrong_time(cast, follow_up):
    SetAside.objects.create(
        part="late",
        row="1",
        first_at=AHEAD,
        last_at=AHEAD,
        retry_at=AHEAD + rounds.FIRST_WAIT,
        error="KeyError",
    )
    Planned.objects.update(at=AHEAD)
    Heartbeat.objects.create(name=heartbeat.SENDER, at=AHEAD)
    with doing("command:clock"):
        jumps.look(at=MONDAY)
    assert SetAside.objects.values_list("first_at", "last_at", "retry_at").get() == (MONDAY,) * 3
    assert set(Planned.objects.values_list("at", flat=True)) == {MONDAY}
    assert rounds.set_aside(at=MONDAY) != []


def test_no_try_is_put_off_for_longer_than_is_taken_for_a_wrong_clock():
    assert outbox.LONGEST_WAIT * 1.25 < jumps.LONGEST_RETRY


# By hand


def test_a_round_by_hand_in_the_past_is_refused_because_it_would_look_like_a_jump(cast, follow_up):
    round_at(EVENING)
    with pytest.raises(CommandError, match="A round was at 2026-03-02T18:00:00"):
        call_command("sweep", at=(EVENING - hours(1)).isoformat())
    assert recorded() == []


# Any jumps

BEGINS = EVENING - hours(3)
STEPS = 26  # of half an hour; the reminders come at the steps 6, 10 and 13, the window closes at 14


@st.composite
def stretches(draw):
    """Steps at which the clock is wrong -> by how many hours; right again at the end."""
    wrong, step = {}, draw(st.integers(1, 9))
    for _stretch in range(draw(st.integers(1, 3))):
        by, steps = draw(st.integers(-30, 30).filter(bool)), draw(st.integers(1, 3))
        wrong |= dict.fromkeys(range(step, step + steps), by)
        step += steps + draw(st.integers(0, 4))
    return wrong


@settings(max_examples=12)
@given(wrong=stretches())
def test_whatever_the_jumps_each_instant_is_asked_once_by_the_clock_that_is_right(follow_up, wrong):
    with transaction.atomic():
        jumps._pace = jumps.Pace()
        known, rightly = set(), set()
        for step in range(STEPS):
            at = BEGINS + step * hours(0.5)
            round_at(at + hours(wrong.get(step, 0)), running=step * 1800.0)
            all_sent(at + hours(wrong.get(step, 0)))
            fresh = set(Reminder.objects.values_list("pk", flat=True)) - known
            known |= fresh
            rightly |= fresh if step not in wrong else set()
        for step, instant in zip((6, 10, 13), INSTANTS, strict=True):
            every = Reminder.objects.filter(rung_at=instant)
            asked = [reminder.recorded_at for reminder in every if reminder.pk in rightly]
            assert every.exists(), f"{instant} was lost"
            assert asked == [instant] if step not in wrong else len(asked) <= 1, f"{instant}: {asked}"
        closed = AlertEntry.objects.filter(alert__cause="missed", recorded_at=EVENING + hours(4))
        assert closed.exists() or 14 in wrong
        transaction.set_rollback(True)
