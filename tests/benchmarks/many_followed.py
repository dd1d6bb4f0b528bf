"""So many people in follow-up on a PostgreSQL, by INSERT ... SELECT: each with 42 checks and their reminder instants.

Everybody has the story of one who went through the pipeline. Half of the checks are over and answered; that of now is
open, and two of its reminders have passed. Versions and readings, which nothing here asks for, are left out: `on_lists`
is for what clinicians read, with a report, readings and alerts, and without the reminder instants.
"""

from datetime import UTC, datetime, timedelta

from django.db import connection

from exposure.attend.models import Alert, Promise
from exposure.followup.models import Check, Fill, FollowUp, Reading
from exposure.people.models import Worker
from exposure.places.models import Station
from exposure.remind.models import Message, Rung
from exposure.report.models import Breach
from tests.cast import assemble
from tests.walk import follow_up_told_and_confirmed, log

NOW = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
CHECKS, PAST = 42, 21
LARGE = (Rung, Check, Fill)
KINDS = "(VALUES ('opening', 0), ('due', 120), ('last_call', 210), ('closed', 240)) AS l (kind, minutes)"


def build(people):
    """Fill an empty, migrated database. Returns the cast."""
    cast = assemble()
    followed = follow_up_told_and_confirmed(cast)
    check = followed.checks.first()
    fill_of = f"SELECT gen_random_uuid(), c.due_at, 'user:1', 'bench', 'excused', 'Seen.', c.id FROM {_(Check)} AS c"
    with connection.cursor() as cursor:
        cursor.execute(
            "SET session_replication_role = replica"
        )  # the rows hold what triggers and keys ask of them
        kept = [statement for model in LARGE for statement in _without_indexes(cursor, model)]
        # Of a hundred, two are reached by telephone only and one by nothing.
        numbered = {"user_id": "NULL", "number": "'MANY-' || n", "phone_only": "n % 50 = 0"}
        email = "CASE WHEN n % 100 = 1 THEN '' ELSE 'person' || n || '@example.org' END"
        _copies(cursor, cast.worker, f"generate_series(1, {people}) AS n", email=email, **numbered)
        _copies(cursor, followed, f"{_(Worker)} AS w WHERE w.number LIKE 'MANY-%'", worker_id="w.id")
        new = f"{_(FollowUp)} AS f WHERE f.id > {followed.pk}"
        for row in (followed.states.get(until_at=None), followed.exposures.get()):
            _copies(cursor, row, new, follow_up_id="f.id")
        opens = f"timestamptz '{NOW - 3 * HOUR}' + (k - {PAST}) * interval '12 hours'"
        ends = {"due_at": f"{opens} + interval '2 hours'", "closes_at": f"{opens} + interval '4 hours'"}
        checks = f"generate_series(0, {CHECKS - 1}) AS k, {new}"
        _copies(cursor, check, checks, follow_up_id="f.id", opens_at=opens, withdrawn_at="NULL", **ends)
        of_check = f"{_(Check)} AS c WHERE c.follow_up_id > {followed.pk}"
        at = "c.opens_at + l.minutes * interval '1 minute'"
        over = f"CASE WHEN c.closes_at < '{NOW}' THEN {at} END"
        rungs = {"check_id": "c.id", "kind": "l.kind", "at": at, "withdrawn_at": over}
        _copies(cursor, check.rungs.first(), f"{KINDS}, {of_check}", **rungs)
        # Of the checks of now one in twenty is answered.
        cursor.execute(
            f"INSERT INTO {_(Fill)} (uid, recorded_at, recorded_by, origin, state, reason, check_id) {fill_of}"
            f" WHERE c.closes_at < '{NOW}' OR (c.opens_at < '{NOW}' AND c.follow_up_id % 20 = 0)"
        )
        cursor.execute(f"UPDATE {_(Rung)} SET withdrawn_at = at WHERE check_id IN"
                       f" (SELECT id FROM {_(Check)} WHERE follow_up_id = {followed.pk})")  # fmt: skip
        for statement in kept:
            cursor.execute(statement)
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("VACUUM ANALYZE")
    return cast


def on_lists(people, of_station):
    """Another filling of an empty database: everybody reported, told and read, `of_station` of them at a station of
    their own. Of the windows that are over one in eleven has no reading; one in 200 has a
    fever that somebody must see, and one in 500 a symptom that somebody has seen. Returns the cast and that station."""
    cast = assemble()
    followed = follow_up_told_and_confirmed(cast)
    station = Station.objects.create(site=cast.site, code="lapwing", name="Lapwing")
    check = followed.checks.order_by("opens_at").first()
    log(cast, at=check.due_at)
    reading = Reading.objects.get()
    alerts = [
        Alert.objects.create(
            site=cast.site, follow_up=followed, cause=cause, because="38.4 \u00b0C", urgent=True, raised_at=NOW - HOUR,
            round_at=NOW - HOUR, paged_round=1, acknowledged_at=seen_at, held_by=cast.nurse if seen_at else None,
        )
        for cause, seen_at in (("fever", None), ("symptom", NOW))
    ]  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        kept = [
            statement for model in (Check, Reading, Fill) for statement in _without_indexes(cursor, model)
        ]
        numbered = {"user_id": "NULL", "number": "'MANY-' || n", "name": "'Wim of ' || n"}
        _copies(cursor, cast.worker, f"generate_series(1, {people}) AS n", **numbered)
        some = f"{_(Worker)} AS w WHERE w.number LIKE 'MANY-%'"
        of_few = f"CASE WHEN substr(w.number, 6)::int <= {of_station} THEN {station.pk} ELSE t.station_id END"
        breach = {"worker_id": "w.id", "reference": "'B-' || w.id", "station_id": of_few}
        _copies(cursor, followed.exposures.get().breach, some, **breach)
        _copies(cursor, followed, some, worker_id="w.id")
        new = f"{_(FollowUp)} AS f WHERE f.id > {followed.pk}"
        _copies(cursor, followed.states.get(until_at=None), new, follow_up_id="f.id")
        reported = f"{_(FollowUp)} AS f JOIN {_(Breach)} AS b ON b.worker_id = f.worker_id WHERE f.id > {followed.pk}"
        _copies(cursor, followed.exposures.get(), reported, follow_up_id="f.id", breach_id="b.id")
        first = f"(timestamptz '{check.opens_at}' + k * interval '12 hours')"
        rows = {
            "opens_at": first,
            "due_at": f"{first} + interval '2 hours'",
            "closes_at": f"{first} + interval '4 hours'",
        }
        rows |= {
            "local_date": f"({first} AT TIME ZONE t.zone)::date",
            "withdrawn_at": "NULL",
            "follow_up_id": "f.id",
        }
        rows["window"] = "CASE WHEN k % 2 = 0 THEN t.window ELSE 'evening' END"
        _copies(cursor, check, f"generate_series(0, {CHECKS - 1}) AS k, {new}", **rows)
        given = (
            f"{_(Check)} AS c JOIN {_(FollowUp)} AS f ON f.id = c.follow_up_id WHERE c.follow_up_id > {followed.pk}"
            f" AND c.id % 11 > 0 AND c.closes_at <= '{NOW}'"
        )
        values = {"worker_id": "f.worker_id", "window": "c.window", "local_date": "c.local_date"}
        values |= {"taken_at": "c.due_at", "recorded_at": "c.due_at", "value": "36.2 + (c.id % 9) * 0.1"}
        _copies(cursor, reading, given, **values)
        cursor.execute(
            f"INSERT INTO {_(Fill)} (uid, recorded_at, recorded_by, origin, state, reason, check_id, reading_id)"
            f" SELECT gen_random_uuid(), c.due_at, 'user:1', 'bench', 'recorded', '', c.id, r.id FROM {_(Reading)} AS r"
            f" JOIN {_(FollowUp)} AS f ON f.worker_id = r.worker_id JOIN {_(Check)} AS c ON c.follow_up_id = f.id"
            f" AND c.due_at = r.taken_at WHERE f.id > {followed.pk}"
        )
        for alert, every in zip(alerts, (200, 500), strict=True):
            _copies(cursor, alert, f"{new} AND f.id % {every} = 0", follow_up_id="f.id")
        for statement in kept:
            cursor.execute(statement)
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("VACUUM ANALYZE")
    return cast, station


def overdue(cast, count):
    """So many people more whose task is late, and an alert of each that nobody has seen: noticed and paged already."""
    task = Promise.objects.create(
        site=cast.site, worker=cast.worker, kind="task", key="late", title="Late", asked_at=NOW - 2 * HOUR,
        due_at=NOW - HOUR, warn_at=NOW - 2 * HOUR, noticed_at=NOW, warned_at=NOW,
    )  # fmt: skip
    alert = Alert.objects.create(
        site=cast.site, worker=cast.worker, cause="late_task", because="Late", raised_at=NOW, round_at=NOW,
        paged_round=1,
    )  # fmt: skip
    page = Message.objects.create(
        site=cast.site, alert=alert, alert_round=1, page_rung=0, user=cast.nurse, channel="email",
        address="nurse@example.org", created_at=NOW, due_at=NOW, pointless_at=NOW, sent_at=NOW,
    )  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        some = f"(SELECT id FROM {_(Worker)} WHERE number LIKE 'MANY-%' ORDER BY id LIMIT {count}) AS w"
        for row in (task, alert):
            _copies(cursor, row, some, worker_id="w.id")
        _copies(cursor, page, f"{_(Alert)} AS a WHERE a.id > {alert.pk}", alert_id="a.id")
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("VACUUM ANALYZE")


def undo():
    """No reminder is written, and those that had passed at NOW wait again."""
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute("TRUNCATE exposure_message, exposure_reminder RESTART IDENTITY CASCADE")
        cursor.execute("UPDATE exposure_rung SET withdrawn_at = NULL WHERE withdrawn_at = %s", [NOW])
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("VACUUM ANALYZE exposure_rung, exposure_message, exposure_reminder")


def _(model):
    return model._meta.db_table


def _copies(cursor, row, source, **own):
    """A copy of the row for each row of `source`, with these columns of its own (as SQL)."""
    own = {"uid": "gen_random_uuid()", **own}
    columns = [field.column for field in row._meta.concrete_fields if not field.primary_key]
    values = ", ".join(own.get(column, f't."{column}"') for column in columns)
    names = ", ".join(f'"{column}"' for column in columns)
    joined = f"(SELECT * FROM {_(row)} WHERE id = {row.pk}) AS t, {source}"
    cursor.execute(f"INSERT INTO {_(row)} ({names}) SELECT {values} FROM {joined}")


def _without_indexes(cursor, model):
    """Take the indexes of a table away, which are slow to keep in step; returns what puts them back."""
    constraints = (
        "SELECT format('ALTER TABLE %I DROP CONSTRAINT %I CASCADE', conrelid::regclass, conname),"
        " format('ALTER TABLE %I ADD CONSTRAINT %I %s', conrelid::regclass, conname, pg_get_constraintdef(oid))"
        f" FROM pg_constraint WHERE conrelid = '{_(model)}'::regclass AND contype IN ('f', 'u')"
    )
    indexes = (
        "SELECT format('DROP INDEX %I', indexname), indexdef FROM pg_indexes"
        f" WHERE tablename = '{_(model)}' AND indexname <> '{_(model)}_pkey'"
    )
    back = []
    for query in (constraints, indexes):
        cursor.execute(query)
        for drop, create in cursor.fetchall():
            cursor.execute(drop)
            back.append(create)
    return back
