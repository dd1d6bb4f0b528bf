"""The outbox: claimed with a lease, sent once, tried again until pointless, then a nurse is told."""

from datetime import UTC, datetime, timedelta
from smtplib import SMTPRecipientsRefused, SMTPServerDisconnected
from uuid import uuid4

import pytest
from django.core import mail
from django.core.mail import EmailMessage

from exposure import tasks
from exposure.attend.models import Alert
from exposure.people.models import Role, User
from exposure.remind import outbox
from exposure.remind.channels import email
from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused
from exposure.remind.ladder import LAST_CALL
from exposure.remind.models import Attempt, AttemptOutcome, Message
from exposure.remind.outbox import BATCH, DEADLINE, LEASE, RESTS_AFTER, deliver
from exposure.remind.ways import Way
from tests.cast import doing
from tests.walk import follow_up_told_and_confirmed, hours, sweep_at

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)


def seconds(count):
    return timedelta(seconds=count)


def deliver_at(at):
    with doing("command:clock", at=at):
        return deliver(now=lambda: at)["sent"]


@pytest.fixture
def message(cast):
    """The opening reminder, waiting. It is pointless from 22:00 on, when the reading closes."""
    follow_up_told_and_confirmed(cast)
    sweep_at(EVENING)
    return Message.objects.get()


class Gateway:
    """Says no until told otherwise, and remembers what it was given."""

    def __init__(self, refusal=None):
        self.refusal, self.given = refusal, []

    def __call__(self, letter):
        self.given.append(letter.uid)
        if self.refusal is not None:
            raise self.refusal


@pytest.fixture
def gateway(monkeypatch):
    gateway = Gateway()
    monkeypatch.setitem(outbox.CHANNELS, "email", gateway)
    return gateway


def test_what_waits_is_sent_once_and_marked(message):
    assert deliver_at(EVENING) == 1
    assert deliver_at(EVENING + hours(1)) == 0
    assert len(mail.outbox) == 1
    message.refresh_from_db()
    assert (message.sent_at, message.lease_until) == (EVENING, None)
    assert AttemptOutcome.objects.get(attempt__message=message).accepted


def test_the_attempt_is_on_record_before_the_gateway_is_called(message, gateway, monkeypatch):
    seen = []
    monkeypatch.setitem(
        outbox.CHANNELS,
        "email",
        lambda letter: seen.append(Attempt.objects.get(message__uid=letter.uid).number),
    )
    deliver_at(EVENING)
    assert seen == [1]


@pytest.mark.parametrize(("earlier", "sent"), [(1, 0), (0, 1)])
def test_nothing_is_sent_before_it_is_due(message, earlier, sent):
    assert deliver_at(EVENING - seconds(earlier)) == sent


def test_a_no_is_tried_again_later_and_later(message, gateway):
    gateway.refusal = Refused("busy", permanent=False)
    at, waits = EVENING, []
    while len(waits) < 8:
        deliver_at(at)
        message.refresh_from_db()
        waits.append((message.due_at - at).total_seconds())
        at = message.due_at
    for wait, base in zip(waits, (30, 60, 120, 240, 480, 900, 900, 900), strict=True):
        assert 0.75 * base <= wait <= 1.25 * base
    assert len(set(waits)) > 1
    assert message.attempts_made == message.attempts.count() == 8
    assert not AttemptOutcome.objects.filter(accepted=True).exists()


def test_a_message_refused_before_its_time_waits_its_turn(message, gateway):
    gateway.refusal = Refused("busy", permanent=False)
    deliver_at(EVENING)
    deliver_at(EVENING + seconds(22))
    assert len(gateway.given) == 1
    deliver_at(EVENING + seconds(38))
    assert len(gateway.given) == 2


@pytest.mark.parametrize(("before", "given_up"), [(1, False), (0, True)])
def test_when_the_reading_has_closed_the_message_is_given_up_and_a_nurse_told(
    message, gateway, before, given_up
):
    gateway.refusal = Refused("busy", permanent=False)
    deliver_at(EVENING)
    at = message.pointless_at - seconds(before)
    deliver_at(at)
    message.refresh_from_db()
    assert (message.given_up_at == at) is given_up
    assert Alert.objects.filter(cause="unreachable").exists() is given_up


def test_a_permanent_no_is_given_up_at_once_and_a_nurse_told(message, gateway):
    gateway.refusal = Refused("no such address", permanent=True)
    deliver_at(EVENING)
    message.refresh_from_db()
    assert message.given_up_at == EVENING
    assert Alert.objects.get(cause="unreachable").worker == message.worker
    assert deliver_at(EVENING + hours(1)) == 0
    assert len(gateway.given) == 1


def test_a_channel_that_breaks_is_a_no_and_the_other_messages_leave(cast, message, monkeypatch):
    other = a_page(cast, an_alert(cast), cast.nurse)
    sent = []

    def breaks(letter):
        if letter.uid == message.uid:
            raise KeyError("of our own making")
        sent.append(letter.uid)

    monkeypatch.setitem(outbox.CHANNELS, "email", breaks)
    assert deliver_at(EVENING) == 1
    assert sent == [other.uid]
    message.refresh_from_db()
    assert message.due_at > EVENING
    assert "KeyError" in AttemptOutcome.objects.get(attempt__message=message).detail


def an_alert(cast):
    with doing(cast.nurse):
        return Alert.objects.create(
            site=cast.site,
            worker=cast.worker,
            cause="fever",
            because="39",
            raised_at=EVENING,
            round_at=EVENING,
        )


def test_a_crash_between_the_gateways_yes_and_our_mark_is_sent_once_more_under_the_same_key(
    message, monkeypatch
):
    class Crash(BaseException):
        """The process is gone: nothing after it runs."""

    def crashes(one):
        email.send(one)
        raise Crash

    with monkeypatch.context() as patch:
        patch.setitem(outbox.CHANNELS, "email", crashes)
        with pytest.raises(Crash):
            deliver_at(EVENING)
    assert deliver_at(EVENING + LEASE - seconds(1)) == 0, "the lease still runs"
    assert deliver_at(EVENING + LEASE) == 1
    assert deliver_at(EVENING + 2 * LEASE) == 0
    keys = {one.extra_headers["Message-ID"] for one in mail.outbox}
    assert len(mail.outbox) == 2
    assert len(keys) == 1
    assert str(message.uid) in keys.pop()
    assert list(Attempt.objects.values_list("number", flat=True)) == [1, 2]
    assert AttemptOutcome.objects.count() == 1, "the cut-off attempt has none"


def test_a_process_whose_token_is_no_longer_the_messages_marks_nothing(message, monkeypatch):
    def paused_too_long(letter):
        Message.objects.filter(uid=letter.uid).update(token=uuid4())

    monkeypatch.setitem(outbox.CHANNELS, "email", paused_too_long)
    deliver_at(EVENING)
    message.refresh_from_db()
    assert message.sent_at is None
    assert message.lease_until == EVENING + LEASE


def test_a_process_whose_token_is_no_longer_the_messages_gives_nothing_up(message, monkeypatch):
    def paused_too_long(letter):
        Message.objects.filter(uid=letter.uid).update(token=uuid4(), sent_at=EVENING)
        raise Refused("no such address", permanent=True)

    monkeypatch.setitem(outbox.CHANNELS, "email", paused_too_long)
    deliver_at(EVENING)
    message.refresh_from_db()
    assert message.given_up_at is None
    assert not Alert.objects.filter(cause="unreachable").exists()


def test_what_another_process_has_claimed_meanwhile_is_not_sent(cast, message, gateway, monkeypatch):
    """A claim holds several messages; by the time of the second another process has it."""
    other = a_page(cast, an_alert(cast), cast.nurse)

    def slow(letter):
        Message.objects.exclude(uid=letter.uid).update(token=uuid4())
        gateway.given.append(letter.uid)

    monkeypatch.setitem(outbox.CHANNELS, "email", slow)
    deliver_at(EVENING)
    assert gateway.given == [other.uid], "pages go first"
    assert not message.attempts.exists()


def test_what_was_claimed_so_long_ago_that_the_lease_has_run_out_is_not_sent(message, gateway):
    """A process that was stopped and goes on: another may be sending the message now."""
    moments = iter([EVENING, EVENING + LEASE, EVENING + LEASE])
    with doing("command:clock", at=EVENING):
        deliver(now=lambda: next(moments, EVENING + LEASE), going_on=iter([True, True, False]).__next__)
    assert gateway.given == []
    assert deliver_at(EVENING + LEASE) == 1


def a_page(cast, alert, user):
    return Message.objects.create(
        site=cast.site, alert=alert, alert_round=alert.round, page_rung=0, user=user, channel="email",
        address=user.email, created_at=EVENING, due_at=EVENING, pointless_at=EVENING + hours(12),
    )  # fmt: skip


def waiting(cast, count):
    """A page for each of so many nurses."""
    alert = an_alert(cast)
    with doing(cast.nurse):
        for number in range(count):
            user = User.objects.create_user(
                f"night{number}", full_name=f"Night {number}", email=f"{number}@n.test"
            )
            Role.objects.create(user=user, site=cast.site, kind="nurse", from_at=EVENING - hours(1))
            a_page(cast, alert, user)


def test_a_page_that_was_refused_waits_two_minutes_at_most(cast, gateway):
    waiting(cast, 1)
    [page] = Message.objects.all()
    gateway.refusal = Refused("busy", permanent=False)
    at, waits = EVENING, []
    while len(waits) < 5:
        deliver_at(at)
        page.refresh_from_db()
        waits.append((page.due_at - at).total_seconds())
        at = page.due_at
    for wait, base in zip(waits, (30, 60, 120, 120, 120), strict=True):
        assert 0.75 * base <= wait <= 1.25 * base


def test_a_gateway_that_takes_messages_gets_all_that_wait(cast, gateway):
    waiting(cast, 2 * BATCH + 1)
    assert deliver_at(EVENING) == 2 * BATCH + 1
    assert len(set(gateway.given)) == 2 * BATCH + 1


def test_a_gateway_that_takes_nothing_is_left_alone_after_a_few(cast, gateway):
    gateway.refusal = Refused("down", permanent=False)
    waiting(cast, 2 * BATCH + 1)
    assert deliver_at(EVENING) == 0
    assert len(gateway.given) == RESTS_AFTER == 3
    assert Message.objects.filter(due_at=EVENING).count() == BATCH + 1, (
        "nobody claims the next ones to put them off"
    )
    gateway.refusal = None
    assert deliver_at(EVENING + seconds(60)) == 2 * BATCH + 1


def test_only_refusals_in_a_row_rest_a_gateway(cast, monkeypatch):
    answers, given = ["no", "no", "yes", "no", "no", "yes", *["no"] * RESTS_AFTER, "yes"], []

    def moody(letter):
        given.append(letter.uid)
        if answers[len(given) - 1] != "yes":
            raise Refused("down", permanent=False)

    monkeypatch.setitem(outbox.CHANNELS, "email", moody)
    waiting(cast, len(answers))
    assert deliver_at(EVENING) == 2
    assert len(given) == len(answers) - 1, "after three in a row the rest waits"


def test_whoever_stops_gives_back_what_was_not_sent(cast, gateway):
    waiting(cast, 3)
    answers = iter([True, True, False, False, False])
    with doing("command:clock", at=EVENING):
        done = deliver(now=lambda: EVENING, going_on=lambda: next(answers))
    assert done["sent"] == 1
    assert Message.objects.filter(sent_at=None, lease_until=None).count() == 2
    assert deliver_at(EVENING) == 2


@pytest.mark.parametrize(
    ("error", "permanent", "because"),
    [
        (
            SMTPRecipientsRefused({"a@example.org": (550, b"no such user")}),
            True,
            "RFC 5321: 5yz is permanent",
        ),
        (SMTPRecipientsRefused({"a@example.org": (450, b"busy")}), False, "RFC 5321: 4yz is transient"),
        (SMTPServerDisconnected("gone"), False, "the line broke"),
        (TimeoutError("slow"), False, "no answer"),
        (ValueError("header with a line break"), True, "the message itself is wrong"),
    ],
)
def test_email_says_whether_trying_again_can_help(message, monkeypatch, error, permanent, because):
    def fails(self, fail_silently=False):
        raise error

    monkeypatch.setattr(EmailMessage, "send", fails)
    with pytest.raises(Refused) as refusal:
        email.send(Letter(uid=message.uid, address="a@example.org", subject="s", body="b"))
    assert refusal.value.permanent is permanent, because


def test_a_message_is_held_until_no_process_can_still_be_sending_it_and_no_longer_than_the_last_call(
    settings,
):
    """One claim is a batch, sent one by one; a process of the queue is ended at its time limit."""
    slowest = BATCH * DEADLINE
    assert seconds(max(slowest, settings.CELERY_TASK_TIME_LIMIT)) < LEASE < LAST_CALL
    assert tasks.SEND_FOR + slowest < settings.CELERY_TASK_TIME_LIMIT


@pytest.mark.parametrize("cause", Alert.Cause)
def test_every_cause_pages_the_clinicians_but_a_watch_and_a_drill(cast, cause):
    alert = an_alert(cast)
    alert.cause = cause
    with doing(cast.nurse):
        alert.save()
    sweep_at(EVENING)
    paged = set(Message.objects.filter(alert=alert).values_list("user__name", flat=True))
    clinicians = {"nurse", "nurse2", "physician", "physician2"}
    assert paged == (set() if cause in ("rise", "drill") else clinicians)


@pytest.mark.parametrize(
    ("made", "tried", "goes_by"),
    [
        (0, set(), "push"),
        (1, set(), "text"),
        (1, {"text"}, "push"),
        (1, {"text", "push"}, "email"),
        (0, {"push"}, "text"),
    ],
)
def test_a_message_goes_on_by_the_channel_that_it_has_begun_with(made, tried, goes_by):
    ways = [Way("push", "7"), Way("text", "+351900000042"), Way("email", "w@example.org")]
    message = Message(channel="text", attempts_made=made)
    assert outbox._way(message, ways, tried).channel == goes_by
    assert outbox._way(message, ways, {"push", "text", "email"}) is None
