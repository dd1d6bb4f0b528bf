"""What /readyz says: 503 with the name of each thing that is not well, and the same few statements whatever stands."""

from datetime import timedelta

import pytest
from django.db import OperationalError, connection, transaction
from django.test.utils import CaptureQueriesContext

from config.seal_key import new_seal_key
from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.audit import sealing
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.classify.models import CriteriaVersion
from exposure.remind import heartbeat
from exposure.remind.models import ClockJump, Heartbeat, Message, SetAside
from exposure.web.nurse import queue
from tests.cast import MONDAY, doing
from tests.walk import sweep_at

pytestmark = pytest.mark.database

SECOND = timedelta(seconds=1)
BEAT = timedelta(minutes=3)
WAIT = timedelta(minutes=5)
SEALED = timedelta(minutes=10)
DAY = timedelta(days=1)


@pytest.fixture
def well(cast, standing_clock, settings, tmp_path):
    """Everything is well at MONDAY."""
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR = new_seal_key(), tmp_path
    standing_clock(MONDAY)
    sweep_at(MONDAY)
    heartbeat.beat(heartbeat.SENDER, at=MONDAY)
    heartbeat.beat(heartbeat.SEALER, at=MONDAY)
    return cast


def beat(name="sweep", **changes):
    Heartbeat.objects.filter(name=name).update(**changes)


def message(cast, *, created_at, due_at, **outcome):
    with doing("command:tests"):
        alert = alerts.raise_alert(cast.worker, Alert.Cause.CALL_ME, "Why.", site=cast.site, at=MONDAY)
    Message.objects.create(
        site=cast.site, alert=alert, alert_round=1, page_rung=0, user=cast.nurse, channel="email",
        address="n@example.org", subject="s", body="b", created_at=created_at, due_at=due_at,
        pointless_at=MONDAY + timedelta(days=1), **outcome,
    )  # fmt: skip


def set_aside(**changes):
    SetAside.objects.create(
        part="late", row="1", first_at=MONDAY, last_at=MONDAY, retry_at=MONDAY, error="KeyError", **changes
    )


def spoil(cast):
    with doing("command:tests"):
        version = CriteriaVersion.objects.get()
        version.text = version.text.replace("tiers:", "tears:")
        version.save()


def sealed_and_signed(cast, at):
    """A head of that instant, and one entry since that none covers."""
    sealing.seal(at=at, thorough=True)
    with doing(cast.nurse):
        note_look(cast.nurse, AccessEntry.Kind.PERSON, "worker", at=MONDAY)
    sealing.seal(at=MONDAY, thorough=True, head_every=DAY)


def jumped(*, right_at):
    with doing("command:clock", at=right_at):
        ClockJump.objects.create(said_at=MONDAY, right_at=right_at)


CAUSES = {  # what happens -> what is named, and what is said of it
    "nothing": (lambda cast: None, [], {"set_aside": 0, "failed_parts": [], "unreadable_criteria": []}),
    **{
        f"{name}: {when}": (what, failing, {"heartbeat_age": dict.fromkeys(heartbeat.PROCESSES, 0) | {name: age}})
        for name in heartbeat.PROCESSES
        for when, what, failing, age in (
            ("beat three minutes ago", lambda cast, name=name: beat(name, at=MONDAY - BEAT), [], 180),
            ("longer ago", lambda cast, name=name: beat(name, at=MONDAY - BEAT - SECOND), ["heartbeat"], 181),
            (
                "never",
                lambda cast, name=name: Heartbeat.objects.filter(name=name).delete(),
                ["heartbeat"],
                None,
            ),
            ("a little ahead of us", lambda cast, name=name: beat(name, at=MONDAY + BEAT), [], -180),
            (
                "in the future",
                lambda cast, name=name: beat(name, at=MONDAY + BEAT + SECOND),
                ["heartbeat"],
                -181,
            ),
        )
    },
    "nobody asked before": (
        lambda cast: Heartbeat.objects.filter(name=heartbeat.READY).delete(), [], {"clock_jumps": 0},
    ),
    "somebody with a wrong clock asked before": (
        lambda cast: heartbeat.beat(heartbeat.READY, at=MONDAY + 9 * BEAT), [], {"clock_jumps": 0},
    ),
    "a round has begun and not ended": (lambda cast: heartbeat.begin(at=MONDAY - 9 * BEAT), [], {}),
    "the clock jumped a day ago": (lambda cast: jumped(right_at=MONDAY - DAY), [], {"clock_jumps": 0}),
    "within a day, which is over": (
        lambda cast: jumped(right_at=MONDAY - DAY + SECOND), [], {"clock_jumps": 1},
    ),
    "two parts failed": (
        lambda cast: beat(note="late, pages"), ["parts"], {"failed_parts": ["late", "pages"]},
    ),
    "a row is set aside": (lambda cast: set_aside(), ["rows"], {"set_aside": 1}),
    "one was, and went well": (lambda cast: set_aside(settled_at=MONDAY), [], {"set_aside": 0}),
    "a message waits five minutes": (
        lambda cast: message(cast, created_at=MONDAY - WAIT, due_at=MONDAY), [], {"oldest_unsent_age": 300},
    ),
    "a message waits longer and its next try is to come": (
        lambda cast: message(cast, created_at=MONDAY - WAIT - SECOND, due_at=MONDAY + WAIT, attempts_made=3),
        ["outbox"], {"oldest_unsent_age": 301},
    ),
    "one that nobody has tried waits longer": (
        lambda cast: message(cast, created_at=MONDAY - WAIT - SECOND, due_at=MONDAY - WAIT - SECOND),
        ["outbox"], {"oldest_unsent_age": 301},
    ),
    "one waits for the end of quiet hours": (
        lambda cast: message(cast, created_at=MONDAY - 9 * WAIT, due_at=MONDAY + SECOND),
        [], {"oldest_unsent_age": None},
    ),
    "they have ended, and nothing happens": (
        lambda cast: message(cast, created_at=MONDAY - 9 * WAIT, due_at=MONDAY), ["outbox"], {},
    ),
    "an old message was skipped": (
        lambda cast: message(
            cast, created_at=MONDAY - 2 * WAIT, due_at=MONDAY, given_up_at=MONDAY, skipped_because="taken"
        ),
        [], {"oldest_unsent_age": None},
    ),
    "an old message was sent": (
        lambda cast: message(cast, created_at=MONDAY - 2 * WAIT, due_at=MONDAY, sent_at=MONDAY),
        [], {"oldest_unsent_age": None},
    ),
    "an old message was given up": (
        lambda cast: message(cast, created_at=MONDAY - 2 * WAIT, due_at=MONDAY, given_up_at=MONDAY),
        [], {"oldest_unsent_age": None},
    ),
    "all was found sealed ten minutes ago": (
        lambda cast: beat("sealer", at=MONDAY - SEALED), [], {"seal_age": 600},
    ),
    "sealing is late": (
        lambda cast: beat("sealer", at=MONDAY - SEALED - SECOND), ["seals"], {"seal_age": 601},
    ),
    "nothing was ever sealed": (
        lambda cast: Heartbeat.objects.filter(name="sealer").delete(), ["seals"], {"seal_age": None},
    ),
    "an hour old head": (lambda cast: sealed_and_signed(cast, MONDAY - DAY / 24), [], {"seal_age": 0}),
    "no head since": (lambda cast: sealed_and_signed(cast, MONDAY - DAY / 24 - SECOND), ["seals"], {"seal_age": 0}),
    "criteria in use cannot be read": (spoil, ["criteria"], {"unreadable_criteria": ["ebola 2023.1"]}),
}  # fmt: skip


@pytest.mark.parametrize("cause", CAUSES)
def test_each_thing_that_is_not_well_is_named(well, client, cause):
    happens, failing, said = CAUSES[cause]
    happens(well)
    answer = client.get("/readyz")
    state = answer.json()
    assert state["failing"] == failing
    assert (answer.status_code, state["ready"]) == ((503, False) if failing else (200, True))
    assert {name: state[name] for name in said} == said


def test_all_that_is_not_well_is_named_together(well, client):
    spoil(well)
    set_aside()
    beat(at=MONDAY - 2 * BEAT, note="late")
    message(well, created_at=MONDAY - 2 * WAIT, due_at=MONDAY)
    assert client.get("/readyz").json()["failing"] == ["heartbeat", "parts", "outbox", "rows", "criteria"]


def test_a_cache_that_is_away_is_named(well, client, settings):
    settings.CACHES = {"default": {"BACKEND": "tests.test_cache.GoesOnAlthoughAway"}}
    assert client.get("/readyz").json()["failing"] == ["cache"]


def later(client, standing_clock):
    """What fails an hour later, while nobody beats."""
    standing_clock(MONDAY + DAY / 24)
    failing = client.get("/readyz").json()["failing"]
    standing_clock(MONDAY)
    return failing


def test_a_database_that_takes_no_writes_is_named_and_hides_nothing(well, client, standing_clock):
    """PostgreSQL: a standby, or default_transaction_read_only; SQLite: PRAGMA query_only."""
    on, off = {
        "postgresql": ("SET transaction_read_only = on", None),
        "sqlite": ("PRAGMA query_only = on", "PRAGMA query_only = off"),
    }[connection.vendor]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(on)
        try:
            answer, also = client.get("/readyz"), later(client, standing_clock)
        finally:
            if off:
                cursor.execute(off)
        transaction.set_rollback(True)
    assert also == ["writable", "heartbeat", "seals"]
    assert (answer.status_code, answer.json()["failing"]) == (503, ["writable"])
    assert answer.json()["database"] is True
    assert client.get("/readyz").status_code == 200


def test_a_database_that_does_not_answer_is_named_and_nothing_more_is_asked_of_it(well, client):
    def away(execute, sql, params, many, context):
        raise OperationalError("the server is away")

    with connection.execute_wrapper(away):
        answer = client.get("/readyz")
    assert (answer.status_code, answer.json()["failing"]) == (503, ["database"])


def test_it_takes_the_same_few_statements_whatever_stands(well, client):
    def taken():
        with CaptureQueriesContext(connection) as statements:
            client.get("/readyz")
        return len(statements)

    taken()  # the first one writes a row that later ones change
    few = taken()
    for row in range(50):
        SetAside.objects.create(
            part="late", row=str(row), first_at=MONDAY, last_at=MONDAY, retry_at=MONDAY, error="KeyError"
        )
    message(well, created_at=MONDAY - WAIT, due_at=MONDAY)
    assert taken() == few <= 14


@pytest.mark.parametrize(
    ("ahead", "stopped"),
    [
        (BEAT, False),
        (BEAT + SECOND, True),
        (-BEAT, False),
        (-BEAT - SECOND, True),
        (timedelta(days=400), True),
    ],
)
def test_the_nurses_page_says_so_when_the_clock_is_still_or_wrong(
    well, client, standing_clock, ahead, stopped
):
    beat(at=MONDAY + ahead)
    assert queue.heartbeat(at=MONDAY)["stopped"] is stopped
    client.force_login(well.nurse)
    page = client.get("/needs-action/").content.decode()
    assert ("Reminders may not be going out" in page) is stopped
