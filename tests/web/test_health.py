"""What /readyz says: 503 with the name of each thing that is not well, and the same few statements whatever stands."""

from datetime import timedelta

import pytest
from django.db import OperationalError, connection, transaction
from django.test.utils import CaptureQueriesContext

from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.classify.models import CriteriaVersion
from exposure.remind.models import Heartbeat, Message, SetAside
from exposure.web.nurse import queue
from tests.cast import MONDAY, doing
from tests.walk import sweep_at

pytestmark = pytest.mark.database

SECOND = timedelta(seconds=1)
BEAT = timedelta(minutes=3)
WAIT = timedelta(minutes=5)


@pytest.fixture
def well(cast, standing_clock):
    """Everything is well at MONDAY."""
    standing_clock(MONDAY)
    sweep_at(MONDAY)
    return cast


def beat(**changes):
    Heartbeat.objects.filter(name="sweep").update(**changes)


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


def never_beaten(cast):
    Heartbeat.objects.filter(name="sweep").delete()


CAUSES = {  # what happens -> what is named, and what is said of it
    "nothing": (lambda cast: None, [], {"set_aside": 0, "failed_parts": [], "unreadable_criteria": []}),
    "the clock beat three minutes ago": (lambda cast: beat(at=MONDAY - BEAT), [], {"heartbeat_age": 180}),
    "longer ago": (lambda cast: beat(at=MONDAY - BEAT - SECOND), ["heartbeat"], {"heartbeat_age": 181}),
    "never": (never_beaten, ["heartbeat"], {"heartbeat_age": None}),
    "a little ahead of us": (lambda cast: beat(at=MONDAY + BEAT), [], {"heartbeat_age": -180}),
    "in the future": (lambda cast: beat(at=MONDAY + BEAT + SECOND), ["heartbeat"], {"heartbeat_age": -181}),
    "two parts failed": (
        lambda cast: beat(note="late, pages"), ["parts"], {"failed_parts": ["late", "pages"]},
    ),
    "a row is set aside": (lambda cast: set_aside(), ["rows"], {"set_aside": 1}),
    "one was, and went well": (lambda cast: set_aside(settled_at=MONDAY), [], {"set_aside": 0}),
    "a message waits five minutes": (
        lambda cast: message(cast, created_at=MONDAY - WAIT, due_at=MONDAY), [], {"oldest_unsent_age": 300},
    ),
    "a message waits longer and its next try is to come": (
        lambda cast: message(cast, created_at=MONDAY - WAIT - SECOND, due_at=MONDAY + WAIT),
        ["outbox"], {"oldest_unsent_age": 301},
    ),
    "an old message was sent": (
        lambda cast: message(cast, created_at=MONDAY - 2 * WAIT, due_at=MONDAY, sent_at=MONDAY),
        [], {"oldest_unsent_age": None},
    ),
    "an old message was given up": (
        lambda cast: message(cast, created_at=MONDAY - 2 * WAIT, due_at=MONDAY, given_up_at=MONDAY),
        [], {"oldest_unsent_age": None},
    ),
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
    assert client.get("/readyz").json()["failing"] == ["heartbeat", "parts", "rows", "criteria"]


def test_a_cache_that_is_away_is_named(well, client, settings):
    settings.CACHES = {"default": {"BACKEND": "tests.test_cache.GoesOnAlthoughAway"}}
    assert client.get("/readyz").json()["failing"] == ["cache"]


def test_a_database_that_takes_no_writes_is_named(well, client):
    """PostgreSQL: a standby, or default_transaction_read_only; SQLite: PRAGMA query_only."""
    on, off = {
        "postgresql": ("SET transaction_read_only = on", None),
        "sqlite": ("PRAGMA query_only = on", "PRAGMA query_only = off"),
    }[connection.vendor]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(on)
        try:
            answer = client.get("/readyz")
        finally:
            if off:
                cursor.execute(off)
        transaction.set_rollback(True)
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
    assert taken() == few <= 12


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
