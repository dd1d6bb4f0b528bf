"""What must be true of the database whatever was killed, asked by SQL."""

from collections import Counter
from datetime import datetime
from typing import Any
from uuid import UUID

import psycopg
from django.apps import apps

from exposure.record import Recorded
from tests.faults.load import Load

Connection = psycopg.Connection[tuple[Any, ...]]


def column(database: Connection, query: str, *values: Any) -> list[Any]:
    return [row[0] for row in database.execute(query, values).fetchall()]


def what_was_acknowledged_is_there(database: Connection, load: Load) -> None:
    reports = column(database, "SELECT uid FROM exposure_breach")
    assert len(reports) == len(set(reports))
    assert load.acknowledged["reports"] <= set(reports) <= load.sent
    readings = column(
        database, "SELECT uid FROM exposure_reading UNION ALL SELECT uid FROM exposure_unplacedreading"
    )
    assert len(readings) == len(set(readings))
    assert load.acknowledged["readings"] <= set(readings)
    told = column(database, "SELECT b.uid FROM exposure_told t JOIN exposure_breach b ON b.id = t.breach_id")
    assert max(Counter(told).values()) == 1
    assert load.acknowledged["told"] <= set(told)
    confirmed = column(database, "SELECT uid FROM exposure_breach WHERE confirmed_at IS NOT NULL")
    assert load.acknowledged["confirmed"] <= set(confirmed)
    seen = column(
        database,
        "SELECT a.uid FROM exposure_alertentry e JOIN exposure_alert a ON a.id = e.alert_id "
        "WHERE e.kind = 'acknowledged'",
    )
    assert load.acknowledged["seen"] <= set(seen)


def every_report_has_its_assessment_and_follow_up(database: Connection) -> None:
    """A report is stored with all that follows from it or not at all."""
    half = column(
        database,
        "SELECT b.uid FROM exposure_breach b WHERE NOT EXISTS (SELECT 1 FROM exposure_assessment a "
        "WHERE a.breach_id = b.id) OR NOT EXISTS (SELECT 1 FROM exposure_exposure e WHERE e.breach_id = b.id)",
    )
    assert half == []


def the_newest_version_is_the_live_row(database: Connection) -> int:
    """Of every recorded model. Returns how many rows were compared."""
    compared = 0
    for model in apps.get_models():
        if not issubclass(model, Recorded):
            continue
        live, history = model._meta.db_table, model.history.model._meta.db_table
        names = [field.column for field in model.history.model.tracked_fields]
        row = {side: ", ".join(f'{side}."{name}"' for name in names) for side in ("l", "h")}
        differing = column(
            database,
            f'SELECT l.id FROM "{live}" l LEFT JOIN LATERAL (SELECT * FROM "{history}" v WHERE v.id = l.id '
            f"ORDER BY v.history_id DESC LIMIT 1) h ON true "
            f"WHERE h.history_id IS NULL OR h.history_type = '-' OR ROW({row['l']}) IS DISTINCT FROM ROW({row['h']})",
        )
        assert differing == [], live
        compared += column(database, f'SELECT count(*) FROM "{live}"')[0]
    return compared


def one_open_alert_per_subject_and_cause(database: Connection) -> None:
    twice = column(
        database,
        "SELECT count(*) FROM exposure_alert WHERE closed_at IS NULL "
        "GROUP BY breach_id, follow_up_id, worker_id, cause HAVING count(*) > 1",
    )
    assert twice == []


def every_rung_that_has_passed_is_settled(database: Connection, at: datetime) -> None:
    assert column(
        database, "SELECT count(*) FROM exposure_rung WHERE withdrawn_at IS NULL AND at <= %s", at
    ) == [0]


def a_message_that_came_twice_was_cut_off_by_a_crash(database: Connection, received: Counter[UUID]) -> int:
    """Every message has left or says why not; more often than once, or without a yes on record, only where an attempt
    has no outcome. Returns how many came twice."""
    lost = "SELECT uid FROM exposure_message WHERE sent_at IS NULL AND skipped_because = ''"
    assert column(database, lost) == []
    found = database.execute(
        "SELECT m.uid, m.sent_at IS NOT NULL, count(t.id), count(o.id), count(o.id) FILTER (WHERE o.accepted) "
        "FROM exposure_message m LEFT JOIN exposure_attempt t ON t.message_id = m.id "
        "LEFT JOIN exposure_attemptoutcome o ON o.attempt_id = t.id GROUP BY m.uid, m.sent_at"
    ).fetchall()
    assert set(received) <= {uid for uid, *_ in found}
    for uid, sent, attempts, outcomes, accepted in found:
        assert accepted == sent, uid
        assert sent <= received[uid] <= attempts, uid
        assert received[uid] == sent or outcomes < attempts, uid
    return sum(count > 1 for count in received.values())


def nothing_is_asked_of_an_ended_follow_up(database: Connection) -> None:
    assert column(database, "SELECT count(*) FROM exposure_followup WHERE ended_at IS NOT NULL")[0] > 0
    asked = column(
        database,
        "SELECT p.id FROM exposure_promise p LEFT JOIN exposure_exposure e ON e.id = p.exposure_id "
        "JOIN exposure_followup f ON f.id = coalesce(p.follow_up_id, e.follow_up_id) "
        "WHERE f.ended_at IS NOT NULL AND p.kept_at IS NULL AND p.void_at IS NULL",
    )
    assert asked == []


def nothing_was_set_aside(database: Connection) -> None:
    assert column(database, "SELECT part || ' ' || row || ' ' || error FROM exposure_setaside") == []
