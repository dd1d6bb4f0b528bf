"""What time causes, once: reminders, missing readings, silence, late work; idle, a fixed number of statements."""

import copy
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from exposure.attend.models import Alert, AlertEntry, Promise
from exposure.followup.expected import plan_checks
from exposure.followup.models import Check, FollowUp
from exposure.followup.states import enter_state
from exposure.people.models import Worker
from exposure.pipeline import attend, complete, enter
from exposure.record import create_many, insert_many
from exposure.remind import ladder, missing, reminders
from exposure.remind import sweep as module
from exposure.remind.links import secret_of
from exposure.remind.models import Heartbeat, Message, Reminder, Rung, SetAside
from tests.cast import MONDAY, doing
from tests.report.test_once import everything
from tests.walk import confirm, follow_up_told_and_confirmed, hours, log, pass_time, report, sweep_at, tell

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)  # opens 18:00, due 20:00, closes 22:00; Lisbon keeps UTC
MORNING = datetime(2026, 3, 3, 6, 0, tzinfo=UTC)  # 06:00, 08:00, 10:00
WORKER = "worker@example.org"
NOT_TAKEN = {"temperature": None, "unit": None, "method": None, "could_not": "No thermometer."}


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def causes():
    return sorted(Alert.objects.filter(closed_at=None).values_list("cause", flat=True))


def sent_to_worker():
    return list(Message.objects.filter(address=WORKER).order_by("pk"))


def skipped():
    return {row.rung: row.skipped_because for row in Reminder.objects.all()}


def without_heartbeat():
    return {name: rows for name, rows in everything().items() if name != "Heartbeat"}


@pytest.mark.parametrize("late", [0, 0.5, 14.5, 40, 60])
def test_a_second_sweep_at_the_same_moment_changes_nothing(cast, follow_up, late):
    report(cast, facts={"contact": "splash"})
    sweep_at(EVENING + hours(late))
    before = without_heartbeat()
    sweep_at(EVENING + hours(late))
    assert without_heartbeat() == before


def test_sweeps_every_half_hour_for_three_silent_days_raise_each_thing_once(cast, follow_up):
    at = EVENING
    while at < EVENING + timedelta(days=3):
        sweep_at(at)
        at += hours(0.5)
    entries = {alert.cause: alert.entries.count() for alert in Alert.objects.all()}
    assert entries == {"missed": 6, "silence": 1}  # six readings missing at the highest tier, one silence


@pytest.mark.parametrize(("seconds", "messages"), [(-1, 0), (0, 1)])
def test_the_first_reminder_goes_when_the_reading_opens(cast, follow_up, seconds, messages):
    sweep_at(EVENING + timedelta(seconds=seconds))
    assert len(sent_to_worker()) == messages


def test_a_reading_taken_ends_its_reminders(cast, follow_up):
    log(cast, at=EVENING)
    sweep_at(EVENING + hours(2))
    assert sent_to_worker() == []
    assert skipped() == {"opening": "overtaken", "due": "answered"}


def test_a_masked_reading_is_reminded_of_its_repeat(cast, follow_up):
    log(cast, at=EVENING, fever_reducer="paracetamol")
    sweep_at(EVENING + hours(2))
    assert len(sent_to_worker()) == 1


def test_after_six_hours_without_service_only_the_latest_reminder_that_still_helps_is_sent(cast, follow_up):
    sweep_at(EVENING + hours(3.5))
    assert skipped() == {"opening": "overtaken", "due": "overtaken", "last_call": ""}
    assert [message.pointless_at for message in sent_to_worker()] == [EVENING + hours(4)]


def test_after_an_outage_across_the_closing_nothing_is_sent_for_it_and_its_skips_are_recorded(
    cast, follow_up
):
    sweep_at(EVENING + hours(4))
    assert sent_to_worker() == []
    assert set(skipped().values()) == {"closed"}
    assert len(skipped()) == 3


def test_after_26_hours_without_service_the_worker_gets_one_message(cast, follow_up):
    sweep_at(EVENING + hours(26))
    assert len(sent_to_worker()) == 1
    assert Reminder.objects.filter(slot_opens_at=MORNING, skipped_because="closed").count() == 3


def test_nothing_is_sent_to_a_worker_whom_nobody_has_told(cast):
    confirm(cast, report(cast))
    sweep_at(EVENING)
    assert sent_to_worker() == []
    assert skipped() == {"opening": "not_told"}


def test_messages_start_with_the_next_reminder_after_the_worker_was_told(cast):
    reported = report(cast)
    sweep_at(EVENING)
    tell(cast, reported, at=EVENING + hours(1))
    sweep_at(EVENING + hours(2))
    assert len(sent_to_worker()) == 1


def test_two_follow_ups_of_one_worker_are_one_message(cast, follow_up):
    tell(cast, report(cast, pathogen="nipah"))
    assert FollowUp.objects.count() == 2
    sweep_at(EVENING)
    assert len(sent_to_worker()) == 1


def test_a_follow_up_that_pauses_does_not_silence_the_other_one(cast, follow_up):
    with doing(cast.physician):
        enter_state(follow_up, "evaluated", at=MONDAY, by=cast.physician.actor)
    tell(cast, report(cast, pathogen="nipah"))
    sweep_at(EVENING)
    assert len(sent_to_worker()) == 1


def test_a_paused_follow_up_alone_reminds_and_misses_nothing(cast, follow_up):
    with doing(cast.physician):
        enter_state(follow_up, "evaluated", at=MONDAY, by=cast.physician.actor)
    sweep_at(EVENING)
    sweep_at(EVENING + timedelta(days=3))
    assert sent_to_worker() == []
    assert causes() == []


def test_whoever_wants_calls_only_gets_no_message(cast, follow_up):
    with doing(cast.nurse):
        worker = Worker.objects.get(pk=cast.worker.pk)
        worker.phone_only = True
        worker.save()
    sweep_at(EVENING)
    assert skipped() == {"opening": "by_phone_only"}


def test_the_message_names_the_site_and_the_page_and_nothing_else(cast, follow_up, settings):
    pass_time(EVENING)
    [message] = sent_to_worker()
    [letter] = [letter for letter in mail.outbox if letter.to == [WORKER]]
    assert letter.subject == "Saltmarsh: please open your page"
    assert letter.body.split() == [f"{settings.SITE_URL}/r/{secret_of(message)}/"]
    told = (letter.subject + letter.body.replace(secret_of(message), "")).lower()
    for secret in ("ebola", "exposure", "wim", "alder", "heron", "°", "temperature", "breach", "high"):
        assert secret not in told.replace(settings.SITE_URL, "")


def test_a_page_to_a_nurse_names_nothing_either(cast, follow_up):
    log(cast, at=EVENING, temperature="39.5")
    pass_time(EVENING)
    [letter] = [letter for letter in mail.outbox if letter.to == [cast.nurse.email]]
    told = (letter.subject + letter.body.partition("http")[0]).lower()
    assert not any(secret in told for secret in ("ebola", "wim", "fever", "39", "heron"))


def test_a_message_is_made_without_words_and_gets_them_when_it_is_sent(cast, follow_up):
    sweep_at(EVENING)
    log(cast, at=EVENING, temperature="39.5")
    sweep_at(EVENING)
    assert {message.user_id is None for message in Message.objects.all()} == {True, False}
    assert {message.subject + message.body for message in Message.objects.all()} == {""}


def test_an_alert_pages_the_sites_nurses_and_physicians_once_a_round(cast, follow_up):
    log(cast, at=EVENING, temperature="39.5")
    for minutes in (0, 1, 2):
        sweep_at(EVENING + timedelta(minutes=minutes))
    paged = Message.objects.exclude(alert=None).values_list("user__name", flat=True)
    assert sorted(paged) == ["nurse", "nurse2", "physician", "physician2"]


def test_nobody_is_paged_twice_for_a_round_that_an_older_copy_of_the_alert_has_put_back(cast, follow_up):
    log(cast, at=EVENING, temperature="39.5")
    older = Alert.objects.get(cause="fever")
    sweep_at(EVENING)
    pages = Message.objects.exclude(alert=None)
    pages.update(channel="text")  # by which they have gone meanwhile
    with doing(cast.nurse):
        older.save()
    sweep_at(EVENING + timedelta(minutes=1))
    assert pages.count() == 4
    assert Alert.objects.get(cause="fever").paged_round == 1


def test_nobody_is_paged_about_themselves(cast):
    with doing("command:tests"):
        worker = Worker.objects.create(site=cast.site, user=cast.nurse, number="SG-7", name="Nora Teal")
    report(cast, worker=worker.number, shoe_size=43)
    sweep_at(MONDAY)
    paged = set(Message.objects.exclude(alert=None).values_list("user__name", flat=True))
    assert paged == {"nurse2", "physician", "physician2"}


@pytest.mark.parametrize(("seconds", "found"), [(-1, []), (0, ["late_confirmation"])])
def test_a_report_not_confirmed_in_time_is_an_alert(cast, seconds, found):
    tell(cast, report(cast))
    sweep_at(MONDAY + hours(2) + timedelta(seconds=seconds))  # ebola 2023.1, tier high: confirm_within 2h
    assert causes() == found


@pytest.mark.parametrize(("seconds", "found"), [(-1, []), (0, ["untold"])])
def test_a_worker_not_told_within_the_sites_hour_is_an_alert(cast, seconds, found):
    confirm(cast, report(cast))
    sweep_at(MONDAY + hours(1) + timedelta(seconds=seconds))
    assert causes() == found


def test_telling_and_confirming_answer_their_alerts(cast):
    reported = report(cast)
    sweep_at(MONDAY + hours(3))
    assert causes() == ["late_confirmation", "untold"]
    tell(cast, reported, at=MONDAY + hours(4))
    confirm(cast, reported, at=MONDAY + hours(4))
    sweep_at(MONDAY + hours(4))
    assert causes() == []


@pytest.mark.parametrize(("seconds", "found"), [(-1, []), (0, ["missed"])])
def test_at_the_highest_tier_the_first_missing_reading_pages_when_it_closes(cast, follow_up, seconds, found):
    sweep_at(EVENING + hours(4) + timedelta(seconds=seconds))
    assert causes() == found


@pytest.fixture
def unassessed(cast):
    """A follow-up without criteria that is not at the highest tier of any."""
    reported = report(cast, pathogen="nipah")
    tell(cast, reported)
    confirm(cast, reported)
    exposure = reported.breach.exposures.get()
    exposure.plan = {**exposure.plan, "highest": False}
    with doing(cast.nurse):
        exposure.save()
        for alert in Alert.objects.all():
            attend.close_alert(alert=alert, outcome="evaluated", note="Looked at.", by=cast.nurse, at=MONDAY)
    return reported.follow_ups[0]


def test_at_a_lower_tier_one_missing_reading_is_only_a_line_and_the_second_in_a_row_pages(cast, unassessed):
    sweep_at(EVENING + hours(4))
    assert causes() == []
    sweep_at(MORNING + hours(4))
    assert causes() == ["missed"]


def test_a_reading_between_two_missing_ones_breaks_the_row(cast, unassessed):
    log(cast, at=MORNING + hours(2))
    sweep_at(MORNING + hours(16))
    assert causes() == []


def test_a_missing_reading_after_an_abnormal_one_pages_at_any_tier(cast, unassessed):
    log(cast, at=EVENING, fever_reducer="paracetamol")
    log(cast, at=EVENING + hours(2))
    log(cast, at=EVENING + hours(3), fever_reducer="paracetamol")
    sweep_at(MORNING + hours(4))
    assert causes() == ["missed"]


def test_that_one_could_not_take_a_reading_does_not_hide_the_masked_one_before(cast, unassessed):
    log(cast, at=EVENING)
    log(cast, at=EVENING + hours(3), fever_reducer="paracetamol")
    log(cast, at=EVENING + hours(3.5), **NOT_TAKEN)
    sweep_at(MORNING + hours(4))
    assert "missed" in causes()


def test_an_abnormal_reading_that_was_replaced_counts_no_more(cast, unassessed):
    first = log(cast, at=EVENING, temperature="37.0", fever_reducer="paracetamol")
    log(cast, at=EVENING, replaces=str(first.row.uid), reason="None was taken.", taken_at=EVENING.isoformat())
    sweep_at(MORNING + hours(4))
    assert causes() == []


def test_a_missing_reading_that_was_explained_pages_nobody(cast, follow_up):
    check = follow_up.checks.first()
    with doing(cast.nurse, at=check.closes_at):
        enter.excuse_check(check=check, reason="In theatre.", by=cast.nurse, at=check.closes_at)
    sweep_at(EVENING + hours(4))
    assert causes() == []


def test_each_further_missing_reading_joins_the_alert_once_and_after_the_acknowledgement_pages_again(
    cast, follow_up
):
    for late in (4, 4.1, 16, 16.1):
        sweep_at(EVENING + hours(late))
    alert = Alert.objects.get(cause="missed")
    assert [entry.kind for entry in alert.entries.all()] == ["raised", "joined"]
    with doing(cast.nurse, at=EVENING + hours(17)):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=EVENING + hours(17))
    alert.refresh_from_db()
    sweep_at(alert.next_look_at - timedelta(seconds=1))
    alert.refresh_from_db()
    assert alert.round == 1


@pytest.mark.parametrize(("seconds", "silent"), [(-1, False), (0, True)])
def test_silence_is_48_hours_since_the_last_contact_made(cast, follow_up, seconds, silent):
    log(cast, at=EVENING)
    sweep_at(EVENING + hours(48) + timedelta(seconds=seconds))
    assert ("silence" in causes()) is silent


def test_a_call_that_another_round_asks_for_in_the_same_moment_is_asked_for_once(
    cast, follow_up, monkeypatch
):
    log(cast, at=EVENING)
    looked = missing._not_asked_yet

    def asked_elsewhere_meanwhile(calls):
        wanted = looked(calls)
        create_many(Promise, copy.deepcopy(wanted))
        return wanted

    monkeypatch.setattr(missing, "_not_asked_yet", asked_elsewhere_meanwhile)
    sweep_at(EVENING + hours(48))
    assert not SetAside.objects.exists()
    [call] = Promise.objects.filter(kind="call", void_at=None)
    assert call.follow_up == follow_up
    assert causes().count("silence") == 1


def test_that_one_could_not_take_a_reading_is_no_contact(cast, follow_up):
    log(cast, at=MONDAY + hours(24), **NOT_TAKEN)
    sweep_at(MONDAY + hours(48))
    assert "silence" in causes()


@pytest.mark.parametrize(("answered", "silent"), [(True, False), (False, True)])
def test_only_an_answered_call_is_contact(cast, follow_up, answered, silent):
    log(cast, at=EVENING)
    with doing(cast.nurse, at=EVENING + hours(30)):
        enter.note_call(worker=cast.worker, answered=answered, note="", by=cast.nurse, at=EVENING + hours(30))
    sweep_at(EVENING + hours(48))
    assert ("silence" in causes()) is silent


@pytest.mark.parametrize(("seconds", "found"), [(-1, []), (0, ["late_task"])])
def test_a_task_past_its_time_is_an_alert(cast, seconds, found):
    reported = report(cast)
    tell(cast, reported)
    confirm(cast, reported)
    log(cast, at=EVENING)
    log(cast, at=MORNING)
    sweep_at(MONDAY + hours(24) + timedelta(seconds=seconds))  # first_call, due 24h from the report
    assert causes() == found


def test_doing_the_last_late_task_answers_its_alert(cast):
    reported = report(cast)
    sweep_at(MONDAY + hours(24))
    at = MONDAY + hours(25)
    first, second = reported.breach.exposures.get().promises.filter(kind="task")
    for task, still_late in ((first, True), (second, False)):
        with doing(cast.nurse, at=at):
            complete.complete_task(task=task, note="Done.", by=cast.nurse, at=at)
        assert ("late_task" in causes()) is still_late


@pytest.mark.parametrize(("seconds", "rounds"), [(-1, 1), (0, 2)])
def test_the_next_look_of_an_acknowledged_fever_pages_again(cast, follow_up, seconds, rounds):
    log(cast, at=EVENING, temperature="38.5")
    alert = Alert.objects.get(cause="fever")
    with doing(cast.nurse, at=EVENING):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=EVENING)
    sweep_at(EVENING + hours(4) + timedelta(seconds=seconds))  # ebola 2023.1: next_look_hours 4
    alert.refresh_from_db()
    assert alert.round == rounds
    assert Message.objects.filter(alert=alert, alert_round=2).exists() is (rounds == 2)


def test_an_alert_that_somebody_closed_since_the_round_read_its_look_does_not_ask_again(cast, follow_up):
    log(cast, at=EVENING, temperature="39.0")
    with doing(cast.nurse, at=EVENING):
        alert = attend.acknowledge_alert(
            alert=Alert.objects.get(cause=Alert.Cause.FEVER), by=cast.nurse, at=EVENING
        )
    at = alert.next_look_at
    due = list(alert.promises.open())
    with doing(cast.nurse, at=at):
        attend.close_alert(alert=alert, outcome="evaluated", note="Influenza.", by=cast.nurse, at=at)
    with doing("sweep", at=at), transaction.atomic():
        module.settle_late(due, at)
    alert.refresh_from_db()
    assert (alert.round, alert.closed_at) == (1, at)
    assert not alert.entries.filter(kind=AlertEntry.Kind.LOOK_DUE).exists()
    assert not Alert.objects.filter(closed_at=None).exists()


def test_a_next_look_and_what_is_late_are_settled_in_one_round(cast, follow_up):
    log(cast, at=EVENING, temperature="38.5")
    with doing(cast.nurse, at=EVENING):
        attend.acknowledge_alert(alert=Alert.objects.get(cause="fever"), by=cast.nurse, at=EVENING)
        Promise.objects.create(
            site=cast.site, worker=cast.worker, follow_up=follow_up, kind="task", key="blood", title="Blood taken",
            asked_at=EVENING, due_at=EVENING + hours(4),
        )  # fmt: skip
    sweep_at(EVENING + hours(4))
    assert Alert.objects.get(cause="fever").round == 2
    assert "late_task" in causes()


def statements(at):
    with CaptureQueriesContext(connection) as queries:
        sweep_at(at)
    return len(queries)


def add_workers(cast, count):
    """As many more workers in a follow-up, told, of whom the first reading is missing."""
    with doing("command:tests"):
        created = create_many(
            Worker,
            [Worker(site=cast.site, name=f"Worker {n}", email=f"w{n}@example.org") for n in range(count)],
        )
        followed = create_many(
            FollowUp,
            [FollowUp(site=cast.site, worker=one, pathogen="ebola", opened_at=MONDAY) for one in created],
        )
        insert_many(
            Check,
            [
                Check(
                    follow_up=one,
                    day=0,
                    window="evening",
                    local_date=EVENING.date(),
                    zone="Europe/Lisbon",
                    opens_at=EVENING,
                    due_at=EVENING + hours(2),
                    closes_at=EVENING + hours(4),
                )
                for one in followed
            ],
        )


def test_an_idle_sweep_takes_the_same_number_of_statements_however_many_follow_ups_there_are(cast, follow_up):
    at = EVENING + hours(30)
    sweep_at(at)
    few = statements(at)
    add_workers(cast, 30)
    sweep_at(at)
    assert statements(at) == few


def test_one_part_that_fails_does_not_silence_the_others_and_the_heartbeat_names_it(
    cast, follow_up, monkeypatch
):
    def fails(at):
        raise ZeroDivisionError

    parts = [replace(part, notice=fails) if part.name == "late" else part for part in module.PARTS]
    monkeypatch.setattr(module, "PARTS", parts)
    done = sweep_at(EVENING)
    assert "late" not in done
    assert len(sent_to_worker()) == 1
    assert Heartbeat.objects.get(name="sweep").note == "late"


def test_the_heartbeat_is_the_moment_of_the_last_sweep(cast):
    for at in (MONDAY, MONDAY + hours(1)):
        sweep_at(at)
    assert (Heartbeat.objects.get(name="sweep").at, Heartbeat.objects.get(name="sweep").note) == (at, "")


walls = st.times().map(lambda wall: time(wall.hour, wall.minute))
zones = st.sampled_from(["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"])


@given(
    quiet=st.none() | st.tuples(walls, walls), zone=zones, day=st.integers(0, 300), due=st.integers(0, 300)
)
def test_the_stored_reminder_instants_are_those_of_the_ladder(cast, follow_up, quiet, zone, day, due):
    at = EVENING + timedelta(days=1000 + day)
    worker = Worker.objects.get(pk=cast.worker.pk)
    worker.own_zone = zone
    worker.quiet_from, worker.quiet_until = quiet or (None, None)
    check = Check(
        follow_up=follow_up,
        day=0,
        window="w",
        local_date=at.date(),
        zone=zone,
        opens_at=at,
        due_at=at + timedelta(minutes=due),
        closes_at=at + timedelta(minutes=300),
    )
    with doing("command:tests"), transaction.atomic():
        check.save()
        reminders.plan_rungs([check], worker)
        stored = list(check.rungs.order_by("at", "pk").values_list("kind", "at"))
        transaction.set_rollback(True)
    assert stored.pop() == ("closed", check.closes_at)
    assert stored == [(rung.kind, rung.at) for rung in ladder.rungs(check, quiet, ZoneInfo(zone))]


def test_withdrawn_readings_take_their_reminders_with_them(cast, follow_up):
    exposure = follow_up.exposures.get()
    with doing(cast.nurse):
        exposure.withdrawn_at = MONDAY
        exposure.save()
        gone = plan_checks(follow_up, at=MONDAY).withdrawn
        reminders.withdraw_rungs(gone, at=MONDAY)
    assert not Rung.objects.filter(withdrawn_at=None, check_row__withdrawn_at__isnull=False).exists()
    sweep_at(EVENING)
    assert sent_to_worker() == []
