"""A round goes on whatever one row does: poison in every part, outages, rounds at the same moment."""

import logging
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from django.db import OperationalError, connection
from django.test.utils import CaptureQueriesContext

from exposure.attend import promises
from exposure.attend.models import Alert, AlertEntry, Promise
from exposure.classify.assess import propose_text
from exposure.classify.models import Adoption
from exposure.followup.models import FollowUp
from exposure.pipeline import clear, complete, enter, evaluate
from exposure.remind import sweep as sweep_module
from exposure.remind.models import Heartbeat, Message, Planned, Reminder, Rung, SetAside
from exposure.remind.sweep import run_parts
from exposure.web.nurse import queue, waits
from tests.cast import FIXTURES, MONDAY, doing
from tests.remind.due import NOW, PARTS, due
from tests.report.test_once import at_once
from tests.walk import follow_up_told_and_confirmed, hours, log, pass_time, report, sweep_at, tell

pytestmark = pytest.mark.database

SECOND = timedelta(seconds=1)
EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)  # Lisbon keeps UTC: 18:00 to 22:00, then 06:00 to 10:00


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def round_of(*parts, at):
    with doing("command:clock", at=at):
        return run_parts(parts, at=at)


def poisoned(part, row, error=ZeroDivisionError):
    """The part, where this one row raises once everything about its batch was written."""

    def settle(rows, at):
        done = part.settle(rows, at)
        if any(other.pk == row.pk for other in rows):
            raise error("poison")
        return done

    return replace(part, settle=settle)


def waiting_in(part, at=NOW):
    return [row.pk for row in part.notice(at)]


# Poison


@pytest.mark.parametrize("name", PARTS)
def test_a_row_that_raises_is_set_aside_alone_tried_again_later_and_settled_when_it_goes_well(cast, name):
    rows = due(cast, name, 5)
    part, row = PARTS[name], rows[2]
    assert set(waiting_in(part)) >= {other.pk for other in rows}
    broken = poisoned(part, row)
    assert name in round_of(broken, at=NOW), "a row that fails is no failed part"
    assert waiting_in(part) == [row.pk], "the others of its batch are settled"
    aside = SetAside.objects.get()
    assert (aside.part, aside.row, aside.error, aside.tries) == (name, str(row.pk), "ZeroDivisionError", 1)
    round_of(broken, at=aside.retry_at - SECOND)
    aside.refresh_from_db()
    assert aside.tries == 1, "left out until then"
    first_wait = aside.retry_at - aside.last_at
    round_of(broken, at=aside.retry_at)
    aside.refresh_from_db()
    assert (aside.tries, aside.settled_at) == (2, None)
    assert aside.retry_at - aside.last_at > first_wait, "longer each time"
    later = aside.retry_at
    round_of(part, at=later)
    aside.refresh_from_db()
    assert aside.settled_at == later
    assert waiting_in(part, later) == []


@pytest.mark.parametrize("name", PARTS)
def test_a_database_that_cannot_is_nobodys_row(cast, name):
    rows = due(cast, name, 2)
    broken = poisoned(PARTS[name], rows[0], OperationalError)
    assert name not in round_of(broken, at=NOW)
    assert not SetAside.objects.exists()
    assert set(waiting_in(PARTS[name])) >= {row.pk for row in rows}, "nothing half done"


def test_what_is_done_by_somebody_while_it_is_set_aside_is_no_longer_told(cast):
    [promise] = due(cast, "late", 1)
    round_of(poisoned(PARTS["late"], promise), at=NOW)
    with doing(cast.nurse, at=NOW):
        promises.keep([promise], by=cast.nurse, at=NOW)
    aside = SetAside.objects.get()
    round_of(PARTS["late"], at=aside.retry_at - SECOND)
    assert SetAside.objects.get().settled_at is None
    round_of(PARTS["late"], at=aside.retry_at)
    assert SetAside.objects.get().settled_at == aside.retry_at


def test_what_goes_well_again_is_settled_at_once_also_where_a_round_takes_so_many_and_no_more(cast):
    [promise] = due(cast, "late", 1)
    round_of(poisoned(PARTS["late"], promise), at=NOW)
    aside = SetAside.objects.get()
    due(cast, "late", 2)
    round_of(replace(PARTS["late"], at_most=1, batch=1), at=aside.retry_at)
    aside.refresh_from_db()
    assert aside.settled_at == aside.retry_at


def test_the_wait_for_the_next_try_ends_at_an_hour(cast):
    [promise] = due(cast, "late", 1)
    broken, at = poisoned(PARTS["late"], promise), NOW
    for _try in range(12):
        round_of(broken, at=at)
        at = SetAside.objects.get().retry_at
    aside = SetAside.objects.get()
    assert (aside.tries, aside.retry_at - aside.last_at) == (12, hours(1))


def test_parts_that_cannot_notice_leave_the_others_their_turn_and_the_heartbeat_names_them(cast, monkeypatch):
    due(cast, "soon", 1)

    def fails(at):
        raise ZeroDivisionError

    parts = [part if part.name == "soon" else replace(part, notice=fails) for part in sweep_module.PARTS]
    monkeypatch.setattr(sweep_module, "PARTS", parts)
    assert sweep_at(NOW) == {"soon": 1}
    assert Heartbeat.objects.get(name="sweep").note == "reminders, missed, late, pages, climbing"


# Statements


@pytest.mark.parametrize("part", sweep_module.PARTS, ids=lambda part: part.name)
def test_a_part_takes_as_many_statements_for_400_rows_as_for_10(cast, part):
    def taken(count):
        due(cast, part.name, count)
        with CaptureQueriesContext(connection) as statements:
            round_of(part, at=NOW)
        assert waiting_in(part) == []
        return len(statements)

    few, many = taken(10), taken(400)
    print(f"{part.name}: {few} statements for 10 rows, {many} for 400")
    if connection.features.max_query_params is None:
        assert few == many <= 40
    else:  # SQLite takes so many parameters in one statement, so that large writes come in pieces
        assert many <= few + 400 // 2


IDLE = 28  # four for each of six parts, savepoints counted, and four for the heartbeat; on both databases


def test_an_idle_round_is_a_fixed_number_of_statements(cast, follow_up):
    at = EVENING + hours(4)
    sweep_at(at)
    with CaptureQueriesContext(connection) as statements:
        sweep_at(at)
    print(f"idle: {len(statements)} statements")
    assert len(statements) == IDLE


# The same moment


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("count", [2, 4])
def test_rounds_at_the_same_moment_do_each_thing_once_and_none_of_them_fails(cast, caplog, count):
    at = EVENING + hours(26)
    follow_up_told_and_confirmed(cast)
    report(cast, facts={"contact": "splash"})  # neither told nor confirmed in time
    due(cast, "late", 20)
    due(cast, "soon", 20)
    due(cast, "missed", 20)
    Planned.objects.update(at=MONDAY - hours(48))
    with caplog.at_level(logging.WARNING):
        done = at_once(count, lambda _number: pass_time(at))
    assert [record.getMessage() for record in caplog.records if record.name.startswith("exposure")] == []
    assert all(set(PARTS) < set(one) for one in done)
    assert Heartbeat.objects.get(name="sweep").note == ""
    assert not SetAside.objects.exists()
    counted = {part: sum(one[part] for one in done) for part in PARTS}
    with doing("command:clock", at=at):
        assert {part: count for part, count in pass_time(at).items() if part in PARTS and count} == {}
    assert counted["late"] == Promise.objects.filter(noticed_at__isnull=False).count()
    raised = AlertEntry.objects.filter(kind="raised").values_list("alert", flat=True)
    assert sorted(raised) == sorted(Alert.objects.values_list("pk", flat=True))
    missed = Alert.objects.get(cause="missed", follow_up__worker=cast.worker)
    assert (missed.times, missed.entries.count()) == (2, 2)
    pages = list(Message.objects.exclude(alert=None).values_list("alert", "alert_round", "user"))
    assert len(pages) == len(set(pages))


# Outages


@pytest.mark.parametrize(("down", "missing"), [(6, 1), (26, 2), (40, 4), (100, 9)])
def test_after_an_outage_every_window_that_closed_is_noticed_once_in_order(cast, follow_up, down, missing):
    at = EVENING + hours(down)
    for _round in range(2):
        sweep_at(at)
    alert = Alert.objects.get(cause="missed")
    assert (alert.times, alert.entries.count(), alert.dated_at) == (missing, missing, EVENING + hours(4))
    assert not Rung.objects.filter(withdrawn_at=None, at__lte=at).exists()
    assert Rung.objects.filter(withdrawn_at=None, at__gt=at).exists()
    skipped = Reminder.objects.filter(slot_opens_at__lt=at).values("slot_opens_at").distinct().count()
    assert skipped >= missing, "each closed window has its record"


# Silence


def adopt_with_silence(cast, allowed):
    text = (FIXTURES / "criteria" / "ebola-2023.1.yaml").read_text()
    text = text.replace("silence_hours: 48", f"silence_hours: {allowed}").replace('"2023.1"', '"2023.9"')
    start = MONDAY - hours(1)
    with doing("command:tests", at=start):
        former = Adoption.objects.get(site=cast.site, pathogen="ebola", until_at=None)
        former.until_at = start
        former.save()
        version = propose_text(text, by="command:tests", at=start, proposed=True)
        version.approved_at = start
        version.save()
        Adoption.objects.create(site=cast.site, pathogen="ebola", version=version, from_at=start)


@pytest.mark.parametrize("allowed", [24, 72])
@pytest.mark.parametrize(("after", "silent"), [(-SECOND, False), (timedelta(0), True)])
def test_the_criteria_say_after_how_many_hours_somebody_is_silent(cast, allowed, after, silent):
    adopt_with_silence(cast, allowed)
    follow_up_told_and_confirmed(cast)
    log(cast, at=EVENING)
    sweep_at(EVENING + hours(allowed) + after)
    call = Promise.objects.get(kind="call")
    assert (call.due_at, call.basis) == (EVENING + hours(allowed), f"{allowed}h after contact")
    found = Alert.objects.filter(cause="silence")
    assert found.exists() is silent
    assert all(alert.dated_at == EVENING + hours(allowed) for alert in found)


def test_contact_keeps_the_call_and_the_next_silence_is_another_one(cast, follow_up):
    log(cast, at=EVENING)
    sweep_at(EVENING + hours(16))
    first = Promise.objects.get(kind="call")
    log(cast, at=EVENING + hours(17))
    first.refresh_from_db()
    assert (first.kept_at, first.noticed_at) == (EVENING + hours(17), None)
    sweep_at(EVENING + hours(17 + 48) - SECOND)
    assert not Alert.objects.filter(cause="silence").exists()
    sweep_at(EVENING + hours(17 + 48))
    assert Alert.objects.get(cause="silence").dated_at == EVENING + hours(17 + 48)


# Pauses: the first window is open from 0 to 4 hours after EVENING


@pytest.mark.parametrize("pause", [evaluate.begin_evaluation, evaluate.admit])
@pytest.mark.parametrize(
    ("since", "until", "missed"),
    [(-3, -1, True), (-3, 0, True), (1, 2, False), (3.9, 10, False), (4, 10, True)],
)
def test_a_window_open_during_a_pause_is_not_missing_and_one_outside_is(
    cast, follow_up, pause, since, until, missed
):
    began, ended = EVENING + hours(since), EVENING + hours(until)
    with doing(cast.physician, at=began):
        pause(follow_up=follow_up, reason="Looked at.", by=cast.physician, at=began)
    with doing(cast.physician, at=ended):
        evaluate.return_to_monitoring(follow_up=follow_up, finding="Influenza.", by=cast.physician, at=ended)
    sweep_at(EVENING + hours(11))
    assert Alert.objects.filter(cause="missed").exists() is missed


# Whom no reminder reaches, and whom none must


def test_somebody_without_an_address_is_one_call_for_the_nurse(cast, follow_up):
    with doing("command:tests"):
        account = cast.worker.user
        account.email = None
        account.save()
    for late in (0, 2, 12, 14):
        sweep_at(EVENING + hours(late))
    assert not Message.objects.filter(worker=cast.worker).exists()
    assert not SetAside.objects.exists(), "that they are asked already is no fault of a row"
    call = Promise.objects.get(kind="call", key__startswith="no_address")
    assert (call.follow_up, call.due_at) == (follow_up, EVENING + hours(4))
    lines = [line for line in queue.lines(cast.nurse, at=EVENING) if line.cause == waits.TO_RING]
    assert [line.why for line in lines] == [call.title]
    with doing(cast.nurse, at=EVENING + hours(15)):
        said = {"note": "A text, from now on.", "by": cast.nurse, "at": EVENING + hours(15)}
        assert complete.complete_task(task=call, **said).kept_at == EVENING + hours(15)
    assert not [
        line for line in queue.lines(cast.nurse, at=EVENING + hours(15)) if line.cause == waits.TO_RING
    ]


def test_an_answered_call_settles_it_for_the_day_and_as_long_as_nothing_reaches_them_it_is_asked_again(
    cast, follow_up
):
    with doing("command:tests"):
        cast.worker.user.email = None
        cast.worker.user.save()
    calls = Promise.objects.open().filter(kind="call", key__startswith="no_address")
    sweep_at(EVENING)
    with doing(cast.nurse, at=EVENING + hours(1)):
        enter.note_call(worker=cast.worker, answered=True, note="", by=cast.nurse, at=EVENING + hours(1))
    assert not calls.exists()
    sweep_at(EVENING + hours(2))
    assert not calls.exists(), "not twice a day"
    sweep_at(EVENING + hours(12))
    sweep_at(EVENING + hours(36))
    assert calls.count() == 1, "one at a time, however long"


def test_nothing_is_asked_of_the_dead_whichever_follow_up_says_so(cast, follow_up):
    tell(cast, report(cast, pathogen="nipah"))
    other = FollowUp.objects.get(pathogen="nipah")
    with doing(cast.physician):
        said = {"kind": "died", "reason": "On the ward.", "basis": "agreed"}
        clear.end_follow_up(follow_up=follow_up, by=cast.physician, at=MONDAY, **said)
    assert not Promise.objects.open().filter(follow_up=other).exists()
    assert not Promise.objects.open().filter(worker=cast.worker).exists()
    sweep_at(EVENING)
    sweep_at(EVENING + hours(60))
    assert not Message.objects.filter(worker=cast.worker).exists()
    assert not Alert.objects.filter(cause__in=("missed", "silence")).exists()


# Planning anew


@pytest.mark.parametrize(("before", "planned"), [(-SECOND, 0), (timedelta(0), 1)])
def test_what_was_planned_a_day_ago_is_planned_anew(cast, follow_up, before, planned):
    at = MONDAY + hours(24) + before
    assert pass_time(at)["replan"] == planned
    assert (Planned.objects.get().at == at) is bool(planned)
    assert pass_time(at)["replan"] == 0


def test_a_round_plans_only_so_many_anew_and_the_next_ones_the_rest(cast):
    due(cast, "replan", 5)
    part = replace(PARTS["replan"], at_most=3)
    assert [round_of(part, at=NOW)["replan"] for _round in range(3)] == [3, 2, 0]


def test_a_round_needs_no_cache(cast, follow_up, settings):
    settings.CACHES = {"default": {"BACKEND": "tests.test_cache.GoesOnAlthoughAway"}}
    done = pass_time(MONDAY + hours(24))
    assert set(PARTS) < set(done)
    assert (done["replan"], Heartbeat.objects.get(name="sweep").note) == (1, "")


def test_an_answered_call_keeps_the_call_that_silence_asked_for(cast, follow_up):
    sweep_at(EVENING + hours(4))
    with doing(cast.nurse, at=EVENING + hours(5)):
        enter.note_call(worker=cast.worker, answered=True, note="", by=cast.nurse, at=EVENING + hours(5))
    assert Promise.objects.get(kind="call").kept_at == EVENING + hours(5)
