"""What a round asks of PostgreSQL is answered by indexes, whatever the planner was last told of the tables.

Without statistics it guesses from the size of the files, with old ones from what was there then (PostgreSQL manual,
"How the Planner Uses Statistics"): a query that reads a large table once per row is quadratic then, however the tables
grow.
"""

import json
import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.attend.models import Alert, Call, Promise
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading
from exposure.followup.store_reading import readings_of
from exposure.people.models import Worker
from exposure.pipeline import remind
from exposure.record import create_many, insert_many
from exposure.remind import sweep
from exposure.remind.models import Rung
from exposure.remind.outbox import deliver
from tests.benchmarks.reminders import PROBES
from tests.cast import doing
from tests.remind.due import NOW, PARTS
from tests.walk import follow_up_told_and_confirmed, hours

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif("connection.vendor != 'postgresql'", reason="PostgreSQL's planner"),
]

PEOPLE = 500
DAYS = 4
LARGE = {
    model._meta.db_table
    for model in (Alert, Call, Check, Exposure, Fill, FollowUp, FollowUpState, Promise, Reading, Rung, Worker)
}
INDEXED = {  # part -> the partial index by which it notices
    "reminders": "rung_by_instant",
    "missed": "rung_closed_by_instant",
    "late": "promise_late",
    "soon": "promise_to_warn",
}


@pytest.fixture
def analysed(request):
    """When the tables were last analysed. Each test finds them as new: the rows that another one rolled back would
    leave pages without a row, and autovacuum might tell the planner so at any moment."""
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")  # past the triggers that refuse it
        cursor.execute(f"TRUNCATE {', '.join(sorted(LARGE))} CASCADE")
        cursor.execute("SET LOCAL session_replication_role = origin")
    return getattr(request, "param", "never")


def analyse():
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


@pytest.fixture
def crowd(analysed, cast):
    """500 people with a reading each morning, none of today, and one task each."""
    follow_up_told_and_confirmed(cast)
    if analysed == "while there was one person":
        analyse()
    template = Exposure.objects.get()
    with doing("command:tests", at=NOW - timedelta(days=DAYS)):
        people = create_many(Worker, [Worker(site=cast.site, name=f"Person {n}") for n in range(PEOPLE)])
        followed = create_many(
            FollowUp,
            [
                FollowUp(site=cast.site, worker=one, pathogen="ebola", opened_at=NOW - timedelta(days=DAYS))
                for one in people
            ],
        )
        own = (
            "source",
            "breach_id",
            "assessment_id",
            "occurred_at",
            "zone",
            "day_zero",
            "last_day",
            "tier",
            "plan",
        )
        same = {name: getattr(template, name) for name in own}
        create_many(Exposure, [Exposure(follow_up=one, **same) for one in followed])
        create_many(
            FollowUpState,
            [
                FollowUpState(follow_up=one, kind="monitored", from_at=NOW, by="command:tests")
                for one in followed
            ],
        )
        checks = insert_many(Check, [_check(one, day) for one in followed for day in range(DAYS)])
        answered = [check for check in checks if check.closes_at < NOW - hours(12)]
        readings = insert_many(Reading, [_reading(cast, check) for check in answered])
        insert_many(
            Fill,
            [
                Fill(check_row=check, reading=reading, state="recorded")
                for check, reading in zip(answered, readings, strict=True)
            ],
        )
        insert_many(
            Rung,
            [
                Rung(check_row=check, kind=kind, at=at)
                for check in checks
                for kind, at in (("opening", check.opens_at), ("closed", check.closes_at))
            ],
        )
        create_many(
            Promise,
            [
                Promise(
                    site=cast.site,
                    worker=one.worker,
                    follow_up=one,
                    kind="task",
                    key="blood",
                    title="Blood taken",
                    asked_at=NOW,
                    due_at=NOW,
                    warn_at=NOW,
                )
                for one in followed
            ],
        )
    if analysed == "with all people":
        analyse()
    return cast


def _check(follow_up, day):
    opens_at = NOW - hours(6) - timedelta(days=DAYS - 1 - day)
    return Check(
        follow_up=follow_up,
        day=day,
        window="morning",
        local_date=opens_at.date(),
        zone="Europe/Lisbon",
        opens_at=opens_at,
        due_at=opens_at + hours(2),
        closes_at=opens_at + hours(4),
    )


def _reading(cast, check):
    return Reading(
        worker=check.follow_up.worker,
        taken_at=check.due_at,
        value="36.8",
        unit="C",
        method="oral",
        window="morning",
        local_date=check.local_date,
        state="recorded",
        entered_by=cast.nurse,
        body_sha256="0",
    )


def plan_of(sql):
    with connection.cursor() as cursor:
        cursor.execute(f"EXPLAIN (FORMAT JSON) {sql}")
        plan = cursor.fetchone()[0]
    return (json.loads(plan) if isinstance(plan, str) else plan)[0]["Plan"]


def nodes(plan, hashed="", repeated=False):
    """(node, whether it is run once per row of another one). What is hashed or materialised is read once."""
    hashed = hashed or json.dumps(plan)
    if plan.get("Parent Relationship") == "SubPlan":
        repeated = f"hashed {plan['Subplan Name']}" not in hashed
    if plan["Node Type"] in ("Hash", "Materialize"):
        repeated = False
    yield plan, repeated
    for place, inner in enumerate(plan.get("Plans", ())):
        again = plan["Node Type"] == "Nested Loop" and place == 1
        yield from nodes(inner, hashed, repeated or again)


def reads_a_large_table_per_row(plan):
    return [
        node["Relation Name"]
        for node, repeated in nodes(plan)
        if repeated and node["Node Type"] == "Seq Scan" and node.get("Relation Name") in LARGE
    ]


@pytest.mark.parametrize("part", INDEXED)
def test_what_is_due_is_noticed_by_its_index(crowd, part):
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
    with CaptureQueriesContext(connection) as statements:
        list(PARTS[part].notice(NOW)[:1000])
    used = {node.get("Index Name"): node for node, _repeated in nodes(plan_of(statements[0]["sql"]))}
    assert INDEXED[part] in used
    assert "Index Cond" in used[INDEXED[part]]


def test_the_benchmark_measures_every_part_against_its_index():
    assert set(PROBES) == {part.name for part in sweep.PARTS}


def test_what_is_to_be_paged_is_noticed_by_an_index_that_holds_nothing_else(crowd):
    with doing("command:clock", at=NOW):
        remind.pass_time(at=NOW)
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
        cursor.execute("SELECT count(*) FROM exposure_alert WHERE paged_round < round")
        assert cursor.fetchone() == (0,)
    with CaptureQueriesContext(connection) as statements:
        assert not list(PARTS["pages"].notice(NOW)[:1000])
    assert "alert_to_page" in {
        node.get("Index Name") for node, _repeated in nodes(plan_of(statements[0]["sql"]))
    }


def test_a_workers_readings_are_found_by_index_and_not_by_reading_all(crowd):
    with CaptureQueriesContext(connection) as statements:
        list(readings_of(Worker.objects.order_by("pk").last()).order_by())
    assert "Seq Scan" not in {
        node["Node Type"]
        for node, _repeated in nodes(plan_of(statements[-1]["sql"]))
        if node.get("Relation Name") == Reading._meta.db_table
    }


def a_round_and_a_few_messages(at):
    """What time causes for all, and what is asked about messages when some of them leave."""
    asked = iter([True] * 20)
    with doing("command:clock", at=at):
        done = remind.pass_time(at=at)
        deliver(now=lambda: at, going_on=lambda: next(asked, False))
    return done


def test_a_round_over_500_people_reads_no_large_table_once_per_row(crowd):
    with CaptureQueriesContext(connection) as statements:
        a_round_and_a_few_messages(NOW)
    read = {
        re.sub(r"\d+", "N", one["sql"]): one["sql"] for one in statements if one["sql"].startswith("SELECT")
    }
    slow = {
        sql[:300]: tables for sql in read.values() if (tables := reads_a_large_table_per_row(plan_of(sql)))
    }
    assert slow == {}


@pytest.mark.parametrize(
    "analysed", ["never", "while there was one person", "with all people"], indirect=True
)
def test_a_round_over_500_people_ends_in_time(crowd):
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL statement_timeout = '30s'")
    done = a_round_and_a_few_messages(NOW)
    assert set(PARTS) == set(done)
    assert done["missed"] == PEOPLE + 2  # the two of the one whose follow-up the others were copied from
    assert done["late"] == 2 * PEOPLE  # the task, and the silence
