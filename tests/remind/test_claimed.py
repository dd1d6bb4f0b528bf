"""A message is decided again when it is claimed: whatever happened since it was made, on both databases."""

from datetime import UTC, datetime, time, timedelta

import pytest
from django.core import mail
from django.db import OperationalError

from exposure.attend.models import Alert
from exposure.followup.models import Check
from exposure.followup.states import enter_state
from exposure.people.models import Role, Worker
from exposure.pipeline import attend, clear, enter, evaluate
from exposure.record import mark_withdrawn
from exposure.remind import claimed, outbox, reminders
from exposure.remind.channels.refusal import Refused
from exposure.remind.models import Message, Reminder, Reply, SetAside
from exposure.remind.outbox import deliver
from exposure.report.models import Told
from tests.cast import doing
from tests.walk import follow_up_told_and_confirmed, hours, log, sweep_at

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)  # opens 18:00, due 20:00, last call 21:30, closes 22:00
CLOSING = EVENING + hours(4)
LATE = EVENING + hours(1)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def deliver_at(at):
    with doing("command:sender", at=at):
        return deliver(now=lambda: at)


def became():
    """What became of the messages to the worker, the oldest first."""
    return _became(Message.objects.filter(reminder__isnull=False))


def _became(rows):
    return [
        "sent" if row.sent_at else (row.skipped_because or "given up") if row.given_up_at else "waits"
        for row in rows.order_by("pk")
    ]


def answers(cast, follow_up):
    log(cast, at=LATE)


def is_evaluated(cast, follow_up):
    with doing(cast.physician, at=LATE):
        evaluate.begin_evaluation(follow_up=follow_up, reason="Fever.", by=cast.physician, at=LATE)


def leaves(cast, follow_up):
    with doing(cast.physician, at=LATE):
        clear.end_follow_up(
            follow_up=follow_up, kind="left", reason="Moved.", basis="agreed", by=cast.physician, at=LATE
        )


def dies(cast, follow_up):
    with doing(cast.physician, at=LATE):
        enter_state(follow_up, "died", at=LATE, by="physician")


def by_phone(cast, follow_up):
    with doing(cast.nurse, at=LATE):
        cast.worker.phone_only = True
        cast.worker.save()


def sleeps_from(opens, until):
    def sleeps(cast, follow_up):
        with doing(cast.nurse, at=LATE):
            cast.worker.quiet_from, cast.worker.quiet_until = opens, until
            cast.worker.save()

    return sleeps


def is_planned_anew(cast, follow_up):
    with doing(cast.nurse, at=LATE):
        check = follow_up.checks.get(opens_at=EVENING, withdrawn_at=None)
        mark_withdrawn(Check.objects.filter(pk=check.pk), at=LATE)


@pytest.mark.parametrize(
    ("happens", "reason"),
    [
        (answers, "answered"),
        (is_evaluated, "paused"),
        (leaves, "ended"),
        (dies, "ended"),
        (by_phone, "by_phone_only"),
        (sleeps_from(time(18, 30), time(23)), "quiet"),
        (is_planned_anew, "withdrawn"),
    ],
    ids=lambda one: getattr(one, "__name__", str(one)),
)
def test_a_reminder_that_is_needed_no_more_does_not_go_and_says_why(cast, follow_up, happens, reason):
    sweep_at(EVENING)
    happens(cast, follow_up)
    deliver_at(LATE)
    assert became() == [reason]
    assert not [one for one in mail.outbox if "worker@" in one.to[0]]
    assert not Alert.objects.filter(cause="unreachable").exists(), "nobody need ring about it"


def test_of_a_reading_that_was_excused_after_it_closed_nobody_need_ring(cast, follow_up):
    sweep_at(EVENING)
    after = CLOSING + hours(1)
    with doing(cast.nurse, at=after):
        check = follow_up.checks.get(opens_at=EVENING, withdrawn_at=None)
        enter.excuse_check(check=check, reason="Asleep.", by=cast.nurse, at=after)
    deliver_at(after)
    assert became() == ["answered"]
    assert not Alert.objects.filter(cause="unreachable").exists()


def test_what_nobody_has_told_the_worker_no_message_tells(cast, follow_up, monkeypatch):
    """The exposure that the person was told of is taken out while the reminder waits."""
    sweep_at(EVENING)
    monkeypatch.setattr(reminders, "told_of", lambda row: Told.objects.none())
    deliver_at(LATE)
    assert became() == ["not_told"]


def test_a_reminder_waits_for_the_end_of_quiet_hours_that_were_set_meanwhile(cast, follow_up):
    sweep_at(EVENING)
    sleeps_from(time(18, 30), time(20))(cast, follow_up)
    deliver_at(LATE)
    assert became() == ["waits"]
    deliver_at(EVENING + hours(2) - timedelta(seconds=1))
    assert became() == ["waits"]
    deliver_at(EVENING + hours(2))
    assert became() == ["sent"]


def test_done_without_a_reading_is_given_half_an_hour(cast, follow_up):
    sweep_at(EVENING)
    deliver_at(EVENING)
    said_at = EVENING + hours(2) - timedelta(minutes=10)
    with doing("link", at=said_at):
        Reply.objects.create(worker=cast.worker, kind="done", road="link", at=said_at)
    sweep_at(EVENING + hours(2))
    deliver_at(EVENING + hours(2))
    deliver_at(said_at + timedelta(minutes=30) - timedelta(seconds=1))
    assert became() == ["sent", "waits"]
    deliver_at(said_at + timedelta(minutes=30))
    assert became() == ["sent", "sent"]


def test_after_an_outage_one_message_goes_and_it_is_the_newest(cast, follow_up):
    sweep_at(EVENING)
    sweep_at(EVENING + hours(2))
    sweep_at(EVENING + hours(3.5))
    deliver_at(EVENING + hours(3.6))
    assert became() == ["superseded", "superseded", "sent"]
    assert len(mail.outbox) == 1


def test_after_a_day_without_sending_nobody_is_reminded_of_what_has_closed_and_a_nurse_knows(cast, follow_up):
    sweep_at(EVENING)
    sweep_at(CLOSING + hours(22))
    deliver_at(CLOSING + hours(22))
    assert became() == ["given up", "sent"], "the next evening's reminder goes"
    assert Alert.objects.filter(cause="unreachable", worker=cast.worker).count() == 1


def test_a_refused_reminder_does_not_follow_the_newer_one_that_was_taken(cast, follow_up, monkeypatch):
    def busy(letter):
        raise Refused("busy", permanent=False)

    sweep_at(EVENING)
    with monkeypatch.context() as patch:
        patch.setitem(outbox.CHANNELS, "email", busy)
        deliver_at(EVENING)
    Message.objects.update(due_at=EVENING + hours(3))  # its next try
    sweep_at(EVENING + hours(2))
    deliver_at(EVENING + hours(2))
    deliver_at(EVENING + hours(3))
    assert became() == ["superseded", "sent"]


def test_several_reminders_of_one_worker_become_one_and_none_starves_the_other(cast, follow_up):
    """The newer one is answered for by its own follow-up: then the older goes."""
    sweep_at(EVENING)
    older = Message.objects.get()
    with doing("command:tests", at=EVENING):
        reminder = Reminder.objects.create(
            worker=cast.worker, slot_opens_at=EVENING - hours(1), rung="due", rung_at=EVENING + timedelta(minutes=1)
        )  # fmt: skip
    Message.objects.create(
        site=older.site, reminder=reminder, worker=cast.worker, channel="email", address=older.address,
        created_at=EVENING, due_at=EVENING, pointless_at=CLOSING,
    )  # fmt: skip
    deliver_at(LATE)
    assert became() == ["sent", "withdrawn"]


# Pages


@pytest.fixture
def alert(cast):
    with doing(cast.nurse):
        return Alert.objects.create(
            site=cast.site,
            worker=cast.worker,
            cause="fever",
            because="39",
            urgent=True,
            raised_at=EVENING,
            round_at=EVENING,
        )


def pages(user):
    return _became(Message.objects.filter(user=user))


def test_a_page_of_an_alert_that_somebody_has_taken_is_not_sent(cast, alert):
    sweep_at(EVENING)
    with doing(cast.nurse, at=EVENING):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=EVENING)
    deliver_at(EVENING)
    assert pages(cast.physician) == ["taken"]
    assert mail.outbox == []


def test_a_page_of_an_alert_that_was_closed_is_not_sent(cast, alert):
    sweep_at(EVENING)
    with doing(cast.physician, at=EVENING):
        attend.close_alert(
            alert=alert, outcome=Alert.Outcome.EVALUATED, note="Seen.", by=cast.physician, at=EVENING
        )
    deliver_at(EVENING)
    assert pages(cast.nurse) == ["closed"]


def test_of_an_alert_that_asks_again_only_the_newest_page_goes(cast, alert):
    sweep_at(EVENING)
    with doing(cast.nurse):
        alert.round, alert.round_at = 2, LATE
        alert.save()
    sweep_at(LATE)
    deliver_at(LATE)
    assert pages(cast.nurse) == ["renewed", "sent"]


def test_whoever_has_no_role_any_more_is_not_paged(cast, alert):
    sweep_at(EVENING)
    with doing(cast.administrator, at=EVENING):
        for role in Role.objects.filter(user=cast.nurse):
            role.until_at = EVENING
            role.save()
    deliver_at(EVENING)
    assert pages(cast.nurse) == ["no_role"]
    assert pages(cast.physician) == ["sent"]


def test_after_an_outage_a_clinician_gets_one_message_that_says_how_much_waits(cast, alert):
    with doing(cast.nurse):
        for cause in ("symptom", "missed", "silence"):
            Alert.objects.create(
                site=cast.site, worker=cast.worker, cause=cause, because="x", raised_at=EVENING, round_at=EVENING
            )  # fmt: skip
    sweep_at(EVENING)
    deliver_at(LATE)
    to_nurse = [one for one in mail.outbox if one.to == [cast.nurse.email]]
    assert len(to_nurse) == 1
    assert "4" in to_nurse[0].body
    assert sorted(pages(cast.nurse)) == ["sent", "together", "together", "together"]
    assert pages(cast.nurse)[0] == "sent", "the urgent one"


def test_however_many_alerts_wait_the_first_page_goes_after_as_many_claims_as_for_a_few(
    cast, alert, monkeypatch
):
    with doing(cast.nurse):
        for number in range(100):
            worker = Worker.objects.create(site=cast.site, name=f"Person {number}")
            Alert.objects.create(
                site=cast.site, worker=worker, cause="missed", because="x", raised_at=EVENING, round_at=EVENING
            )  # fmt: skip
    sweep_at(EVENING)
    claims = []
    monkeypatch.setattr(claimed, "standing", seen(claimed.standing, claims))
    deliver_at(LATE)
    paged = set(Message.objects.filter(alert__isnull=False).values_list("user", flat=True))
    sent = Message.objects.filter(sent_at__isnull=False, alert__isnull=False)
    assert set(sent.values_list("user", "alert")) == {(user, alert.pk) for user in paged}
    assert Message.objects.filter(skipped_because="together").count() == 100 * len(paged)
    assert len(claims) <= 3


def seen(call, into):
    """The call, noting each."""

    def noting(*given, **named):
        into.append(given)
        return call(*given, **named)

    return noting


def test_where_the_page_that_was_to_speak_for_others_does_not_go_another_does(cast, alert, monkeypatch):
    with doing(cast.nurse):
        Alert.objects.create(
            site=cast.site, worker=cast.worker, cause="missed", because="x", raised_at=EVENING, round_at=EVENING
        )  # fmt: skip
    sweep_at(EVENING)
    with monkeypatch.context() as away:
        away.setitem(outbox.CHANNELS, "email", refusing)
        deliver_at(EVENING)
    assert pages(cast.nurse) == ["waits", "together"]
    with doing(cast.physician, at=LATE):
        attend.close_alert(
            alert=alert, outcome=Alert.Outcome.EVALUATED, note="Seen.", by=cast.physician, at=LATE
        )
    deliver_at(LATE)
    assert pages(cast.nurse) == ["closed", "sent"]


def refusing(letter):
    raise Refused("HTTP 503", permanent=False)


def test_a_page_that_somebody_else_is_sending_is_left_to_them(cast, alert):
    with doing(cast.nurse):
        other = Alert.objects.create(
            site=cast.site, worker=cast.worker, cause="missed", because="x", raised_at=EVENING, round_at=EVENING
        )  # fmt: skip
    sweep_at(EVENING)
    held = Message.objects.filter(alert=other)
    held.update(lease_until=LATE + hours(1))
    deliver_at(LATE)
    assert pages(cast.nurse) == ["sent", "waits"]


def test_a_page_is_never_quiet(cast, alert):
    with doing(cast.nurse, at=EVENING):
        Worker.objects.create(
            site=cast.site, user=cast.nurse, name="N", quiet_from=time(17), quiet_until=time(23)
        )
    sweep_at(EVENING)
    deliver_at(EVENING)
    assert pages(cast.nurse) == ["sent"]


# Ways


@pytest.fixture
def gateways(monkeypatch):
    """Every channel is set up; what it was given, and which refuse for good."""
    given, refuse = [], set()

    def channel(name):
        def send(letter):
            given.append((name, letter.address))
            if name in refuse:
                raise Refused("no such address", permanent=True)

        return send

    for name in ("email", "text", "push"):
        monkeypatch.setitem(outbox.CHANNELS, name, channel(name))
    monkeypatch.setattr("exposure.remind.ways.available", lambda: ("email", "text", "push"))
    return given, refuse


def reach(cast, **ways):
    with doing(cast.nurse):
        for name, value in ways.items():
            setattr(cast.worker, name, value)
        cast.worker.save()


def test_the_wished_channel_is_the_first(cast, follow_up, gateways):
    given, _refuse = gateways
    reach(cast, mobile="+44 1632 960001", reach_by="text")
    sweep_at(EVENING)
    deliver_at(EVENING)
    assert given == [("text", "+44 1632 960001")]


def test_a_channel_that_refuses_for_good_is_followed_by_the_next_and_then_by_the_nurse(
    cast, follow_up, gateways
):
    given, refuse = gateways
    refuse |= {"email", "text"}
    reach(cast, mobile="+44 1632 960001")
    sweep_at(EVENING)
    deliver_at(EVENING)
    deliver_at(EVENING)
    assert [name for name, _address in given] == ["email", "text"]
    assert became() == ["given up", "given up"]
    assert Alert.objects.filter(cause="unreachable").count() == 1


def test_an_address_that_was_changed_meanwhile_is_the_one_that_counts(cast, follow_up, gateways):
    given, _refuse = gateways
    sweep_at(EVENING)
    reach(cast, email="new@example.org")
    deliver_at(EVENING)
    assert given == [("email", "new@example.org")]


def test_a_database_that_is_locked_or_away_is_nobodys_fault_and_the_next_round_goes_on(
    cast, follow_up, monkeypatch
):
    def away(messages, *, at):
        raise OperationalError("the database is locked")

    sweep_at(EVENING)
    with monkeypatch.context() as patch:
        patch.setattr(claimed, "standing", away)
        with pytest.raises(OperationalError):
            deliver_at(EVENING)
    assert not SetAside.objects.exists()
    assert not Message.objects.exclude(lease_until=None).exists()
    deliver_at(EVENING)
    assert became() == ["sent"]


def test_one_message_that_cannot_be_decided_about_is_set_aside_and_the_others_go(
    cast, follow_up, alert, monkeypatch
):
    sweep_at(EVENING)
    sound = claimed.standing

    def poisoned(messages, *, at):
        if any(message.reminder_id for message in messages):
            raise KeyError("a row that nobody expected")
        return sound(messages, at=at)

    with monkeypatch.context() as patch:
        patch.setattr(claimed, "standing", poisoned)
        deliver_at(EVENING)
    assert became() == ["waits"]
    assert set(pages(cast.nurse)) == {"sent"}
    assert SetAside.objects.get(settled_at=None).part == "messages"
    deliver_at(EVENING + hours(0.5))
    assert became() == ["sent"]
    assert not SetAside.objects.filter(settled_at=None).exists()
