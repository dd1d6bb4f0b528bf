"""What /metrics says and to whom; read back by the parser of the library, as whoever scrapes it does."""

import math
import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from prometheus_client.parser import text_string_to_metric_families

from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.pipeline import remind
from exposure.record import insert_many
from exposure.remind import figures, heartbeat, outbox, sweep
from exposure.remind.models import Attempt, AttemptOutcome, ClockJump, Message, Reminder, SetAside
from tests.cast import MONDAY, doing
from tests.remind.due import due
from tests.walk import follow_up_told_and_confirmed, log, pass_time

pytestmark = pytest.mark.database

TOKEN = "0123456789abcdef0123456789abcdef"
SECOND, MINUTE, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(days=1)


@pytest.fixture
def scrape(client, settings, standing_clock):
    """Returns a function that answers with (name, labels) -> value, as of MONDAY."""
    standing_clock(MONDAY)
    settings.METRICS_TOKEN = TOKEN

    def ask():
        answer = client.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"})
        assert (answer.status_code, answer["Content-Type"].partition(";")[0]) == (200, "text/plain")
        return {
            (sample.name.removeprefix("service_"), *sample.labels.values()): sample.value
            for family in text_string_to_metric_families(answer.content.decode())
            for sample in family.samples
        }

    return ask


@pytest.fixture
def write(cast):
    """Returns a function that writes a message to Wim."""

    def one(number=0, **changes):
        values = {"created_at": MONDAY - MINUTE, "due_at": MONDAY - MINUTE, "channel": "email", **changes}
        with doing("command:tests", at=values["created_at"]):
            reminder = Reminder.objects.create(
                worker=cast.worker, slot_opens_at=MONDAY + number * MINUTE, rung="opening", rung_at=MONDAY
            )
        return Message.objects.create(
            site=cast.site, reminder=reminder, worker=cast.worker, address="w@example.org",
            pointless_at=MONDAY + DAY, **values,
        )  # fmt: skip

    return one


# Who may read it


@pytest.mark.parametrize("who", [None, "nurse", "administrator"])
def test_without_a_token_set_there_is_no_such_address(cast, client, settings, who):
    assert settings.METRICS_TOKEN == ""
    if who:
        client.force_login(getattr(cast, who))
    assert client.get("/metrics", headers={"Authorization": "Bearer "}).status_code == 404
    assert client.get("/metrics").status_code == 404


@pytest.mark.parametrize(
    "header",
    [
        "",
        "Bearer",
        "Bearer ",
        f"Bearer {TOKEN}x",
        f"Bearer {TOKEN[:-1]}",
        f"Basic {TOKEN}",
        TOKEN,
        "Bearer \xe9",
    ],
)
def test_whoever_does_not_hold_it_is_told_nothing(cast, client, settings, header):
    settings.METRICS_TOKEN = TOKEN
    client.force_login(cast.administrator)
    answer = client.get("/metrics", headers={"Authorization": header})
    assert (answer.status_code, answer["WWW-Authenticate"], answer.content) == (401, "Bearer", b"")


def test_it_is_only_read(client, settings, db):
    settings.METRICS_TOKEN = TOKEN
    assert client.post("/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).status_code in (403, 405)


# What it says


def test_a_service_in_which_nothing_has_happened_says_so(cast, scrape):
    said = scrape()
    assert {value for key, value in said.items() if "age" not in key[0] and "back" not in key[0]} == {0}
    assert said["counted_back_seconds",] == DAY.total_seconds()
    assert said["heartbeat_age_seconds", "sweep"] == said["heartbeat_age_seconds", "sender"] == math.inf


@pytest.mark.parametrize(
    ("changes", "waited"),
    [
        ({}, 60),
        ({"due_at": MONDAY + MINUTE, "attempts_made": 1}, 60),
        ({"due_at": MONDAY + MINUTE}, 0),  # for the end of quiet hours
        ({"sent_at": MONDAY}, 0),
        ({"given_up_at": MONDAY}, 0),
    ],
)
def test_how_long_the_oldest_message_has_waited(scrape, write, changes, waited):
    write(**changes)
    assert scrape()["oldest_unsent_seconds",] == waited


@pytest.mark.parametrize(("ago", "counted"), [(timedelta(0), 1), (DAY - SECOND, 1), (DAY, 0), (-SECOND, 0)])
def test_what_was_sent_given_up_and_skipped_is_counted_for_a_day(scrape, write, ago, counted):
    at = MONDAY - ago
    write(1, channel="text", sent_at=at)
    write(2, channel="push", given_up_at=at)
    write(3, given_up_at=at, skipped_because="answered")
    said = scrape()
    assert said["messages_sent_last_day", "text"] == counted
    assert said["messages_given_up_last_day", "push"] == counted
    assert said["messages_skipped_last_day", "answered"] == counted
    assert said["messages_sent_last_day", "email"] == said["messages_given_up_last_day", "email"] == 0


def test_reminders_that_became_no_message_are_counted_by_reason(cast, scrape):
    follow_up_told_and_confirmed(cast)
    with doing("command:tests"):
        for number, reason in enumerate(["closed", "closed", "overtaken", ""]):
            Reminder.objects.create(
                worker=cast.worker,
                slot_opens_at=MONDAY,
                rung=f"r{number}",
                rung_at=MONDAY,
                skipped_because=reason,
            )
    said = {key[1]: value for key, value in scrape().items() if key[0] == "reminders_skipped_last_day"}
    assert {reason: count for reason, count in said.items() if count} == {"closed": 2, "overtaken": 1}


@pytest.mark.parametrize(
    ("ago", "accepted", "outcome"),
    [
        (timedelta(0), True, "accepted"),
        (timedelta(0), False, "refused"),
        (outbox.LEASE - SECOND, None, "under_way"),
        (outbox.LEASE, None, "cut_off"),
        (DAY - SECOND, False, "refused"),
        (DAY, False, None),
        (DAY, None, None),
    ],
)
def test_attempts_are_counted_by_channel_and_outcome(scrape, write, ago, accepted, outcome):
    with doing("command:tests", at=MONDAY - ago):
        attempt = Attempt.objects.create(message=write(), number=1, channel="text")
        if accepted is not None:
            AttemptOutcome.objects.create(attempt=attempt, accepted=accepted, detail="550 no such person")
    said = {key[1:]: value for key, value in scrape().items() if key[0] == "attempts_last_day" and value}
    assert said == ({("text", outcome): 1} if outcome else {})


def test_rows_set_aside_beats_alerts_promises_and_jumps(cast, scrape):
    for number, settled_at in enumerate((None, None, MONDAY)):
        SetAside.objects.create(
            part="late", row=str(number), first_at=MONDAY, last_at=MONDAY, retry_at=MONDAY, error="KeyError",
            settled_at=settled_at,
        )  # fmt: skip
    heartbeat.beat(heartbeat.SWEEP, at=MONDAY - 7 * SECOND, seconds=1.25)
    heartbeat.beat(heartbeat.SENDER, at=MONDAY + 7 * SECOND)
    with doing("command:tests"):
        for task in due(cast, "late", 3)[1:]:
            task.due_at = MONDAY
            task.save()
    with doing("command:tests"):
        alerts.raise_alert(cast.worker, Alert.Cause.CALL_ME, "Why.", site=cast.site, at=MONDAY)
        alerts.raise_alert(cast.worker, Alert.Cause.FEVER, "Why.", site=cast.site, at=MONDAY, urgent=True)
        ClockJump.objects.create(said_at=MONDAY, right_at=MONDAY)
    said = scrape()
    assert said["rows_set_aside", "late"] == 2
    assert said["heartbeat_age_seconds", "sweep"] == 7
    assert said["heartbeat_age_seconds", "sender"] == -7
    assert said["round_seconds", "sweep"] == 1.25
    assert ("round_seconds", "sender") not in said
    assert said["promises_late",] == 2
    assert (said["alerts_unseen", "urgent"], said["alerts_unseen", "other"]) == (1, 1)
    assert said["clock_jumps_last_day",] == 1


def test_each_process_says_how_long_its_round_lasted(cast, scrape):
    pass_time(MONDAY)
    said = scrape()
    assert 0 < said["round_seconds", "sweep"] < 60
    assert 0 < said["round_seconds", "sender"] < 60


# Nothing about anybody

NAMED = (
    "wim", "alder", "saltmarsh", "heron", "w@example", "550", "sg-1042", "39", "keyerror", "planted",
    "ebola", "fever", "temperature", "exposure", "breach", "ill", "disease", "patient", "worker", "reading",
)  # fmt: skip


def test_no_person_site_or_clinical_word_stands_in_any_name_or_label(cast, scrape, write, client):
    follow_up_told_and_confirmed(cast)
    log(cast, at=MONDAY, temperature="39.3")
    write(1, channel="planted", sent_at=MONDAY)
    write(2, given_up_at=MONDAY, skipped_because="Wim Alder planted")
    with doing("command:tests"):
        attempt = Attempt.objects.create(message=write(3), number=1, channel="planted")
        AttemptOutcome.objects.create(attempt=attempt, accepted=False, detail="550 Wim Alder")
        insert_many(
            Reminder,
            [
                Reminder(
                    worker=cast.worker, slot_opens_at=MONDAY, rung="x", rung_at=MONDAY, skipped_because="Wim"
                )
            ],
        )
    SetAside.objects.create(
        part="planted", row="Wim", first_at=MONDAY, last_at=MONDAY, retry_at=MONDAY, error="KeyError"
    )
    heartbeat.beat("planted", at=MONDAY, note="Wim Alder")
    said = scrape()
    found = [key for key in said for part in key for word in re.split(r"[_ ]", part.lower()) if word in NAMED]
    assert found == []
    for other in (
        ("messages_sent_last_day", "other"),
        ("messages_skipped_last_day", "other"),
        ("reminders_skipped_last_day", "other"),
        ("attempts_last_day", "other", "refused"),
        ("rows_set_aside", "other"),
    ):
        assert said[other] == 1, other
    text = client.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).content.decode().lower()
    assert [
        word for word in ("wim", "alder", "planted", "saltmarsh", "550", "39.3", "keyerror") if word in text
    ] == []


def test_every_part_of_a_round_has_its_label():
    parts = {part.name for part in (*remind.PARTS, *sweep.PARTS)} | {outbox.PART}
    assert parts == set(figures.PARTS)


# What it costs


def test_it_takes_the_same_few_statements_whatever_stands(cast, scrape, write):
    def taken():
        with CaptureQueriesContext(connection) as statements:
            scrape()
        return len(statements)

    write(sent_at=MONDAY)
    few = taken()
    for number in range(1, 20):
        write(number, sent_at=MONDAY)
    due(cast, "late", 20)
    assert taken() == few <= 30


def test_a_day_is_counted_among_the_newest_rows_and_says_how_far_back(scrape, write, monkeypatch):
    for number, hours_ago in enumerate((30, 20, 10, 5, 1)):
        at = MONDAY - timedelta(hours=hours_ago)
        write(number, created_at=at, sent_at=at)
    assert scrape()["messages_sent_last_day", "email"] == 4
    assert scrape()["counted_back_seconds",] == DAY.total_seconds()
    monkeypatch.setattr(figures, "NEWEST", 3)
    said = scrape()
    assert said["messages_sent_last_day", "email"] == 3
    assert said["counted_back_seconds",] == 10 * 3600
