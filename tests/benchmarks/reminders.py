"""How fast due reminders are written, what an idle round costs, and what it needs: ratios of one run, on PostgreSQL.

    python -m tests.benchmarks.reminders --people 100000

In a database of its own on the server of DATABASE_URL, else on a private one from the wheel with memory for these
tables (`SETTINGS`), and with fsync. Prints a table and the plan of every statement of a batch. Everybody is invented.
"""

import argparse
import multiprocessing
import re
import resource
import statistics
import time
from collections import Counter
from dataclasses import replace
from datetime import timedelta

NAME = "reminders_benchmark"
SAMPLE = 2000
SENDING = 20  # seconds
SETTINGS = {
    "shared_buffers": "3GB",
    "work_mem": "32MB",
    "max_wal_size": "8GB",
    "checkpoint_timeout": "30min",
    "random_page_cost": "1.1",
}


if __name__ == "__main__":
    from tests.benchmarks.database import prepare

    prepare(NAME, SETTINGS)

import django  # noqa: E402

django.setup()  # in the sending processes too, which are given the environment

from django.db import connection, transaction  # noqa: E402
from django.db.models import Count  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402
from django.urls import reverse  # noqa: E402

from exposure.attend.models import Alert  # noqa: E402
from exposure.people.models import Role, User, Worker  # noqa: E402
from exposure.record import acting  # noqa: E402
from exposure.remind import outbox, sweep  # noqa: E402
from exposure.remind.channels import registry as channels  # noqa: E402
from exposure.remind.channels.recording import Recording  # noqa: E402
from exposure.remind.models import Attempt, Message, Reminder, Rung  # noqa: E402
from exposure.remind.rounds import run  # noqa: E402
from tests.benchmarks import as_objects  # noqa: E402
from tests.benchmarks.database import lay_out  # noqa: E402
from tests.benchmarks.many_followed import HOUR, NOW, build, overdue, undo  # noqa: E402

PARTS = {part.name: part for part in sweep.PARTS}
# What each part asks of its index alone.
PROBES = {
    "reminders": "SELECT id FROM exposure_rung WHERE withdrawn_at IS NULL AND at <= %s ORDER BY at LIMIT 1",
    "missed": "SELECT id FROM exposure_rung WHERE withdrawn_at IS NULL AND kind = 'closed' AND at <= %s"
    " ORDER BY at LIMIT 1",
    "late": "SELECT id FROM exposure_promise WHERE kept_at IS NULL AND void_at IS NULL AND noticed_at IS NULL"
    " AND due_at <= %s ORDER BY due_at LIMIT 1",
    "soon": "SELECT id FROM exposure_promise WHERE kept_at IS NULL AND void_at IS NULL AND warned_at IS NULL"
    " AND warn_at <= %s ORDER BY warn_at LIMIT 1",
    "pages": "SELECT id FROM exposure_alert WHERE closed_at IS NULL AND acknowledged_at IS NULL"
    " AND paged_round < round AND NOT (cause IN ('rise', 'drill')) AND %s IS NOT NULL ORDER BY id LIMIT 1",
    "climbing": "SELECT id FROM exposure_alert WHERE closed_at IS NULL AND acknowledged_at IS NULL"
    " AND climbs_at IS NOT NULL AND climbs_at <= %s ORDER BY climbs_at LIMIT 1",
}


def line(what, seen, wanted=""):
    print(f"{what:78} {seen:>24}  {wanted}", flush=True)


def seconds(work):
    began = time.perf_counter()
    result = work()
    return time.perf_counter() - began, result


def peak():
    """The most memory that this process has held, in MiB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def writing():
    part = PARTS["reminders"]
    due = part_due().count()
    run(replace(part, at_most=part.batch), at=NOW)  # what is built once, and read once
    undo()
    before = peak()
    ours, made = seconds(lambda: run(part, at=NOW))
    assert (Reminder.objects.count(), Message.objects.count()) == (due, made)
    line(f"{due:,} due reminders, {made:,} of them messages: set-based", f"{ours:.2f} s")
    line("memory of that, above what it was", f"{peak() - before:.1f} MiB", "flat")
    undo()
    objects = replace(part, settle=as_objects.bulk, batch=1000)
    theirs, same = seconds(lambda: run(objects, at=NOW))
    assert same == made
    line("the same by bulk_create(ignore_conflicts=True)", f"{theirs:.2f} s = {theirs / ours:.1f}", "5")
    undo()
    keys = list(part_due().order_by("at").values_list("pk", flat=True))
    for what, loop, count in (
        ("objects.create", as_objects.loop, SAMPLE),
        ("one at a time, looked at and written", as_objects.one_by_one, SAMPLE // 10),
    ):
        sample = list(Rung.objects.filter(pk__in=keys[:: max(1, len(keys) // count)][:count]))
        took, _made = seconds(lambda loop=loop, sample=sample: loop(sample, NOW))
        scaled = took * due / len(sample)
        line(
            f"the same in a loop: {what} ({len(sample):,}, scaled)",
            f"{scaled:.2f} s = {scaled / ours:.1f}",
            "80",
        )
        undo()


def part_due():
    return Rung.objects.filter(withdrawn_at=None, at__lte=NOW).exclude(kind="closed")


def timed(statement, parameters=()):
    """Milliseconds that the server takes to plan and run it, the middle one of fifteen."""
    taken = []
    for _ in range(15):
        with connection.cursor() as cursor:
            cursor.execute(f"EXPLAIN (ANALYZE, FORMAT JSON) {statement}", parameters)
            plan = cursor.fetchone()[0]
        taken.append(plan[0]["Execution Time"])
    return statistics.median(taken)


def idle(when):
    for name, part in PARTS.items():
        with transaction.atomic(), CaptureQueriesContext(connection) as statements:
            assert not list(part.notice(NOW)[: part.batch])
        asked = timed(statements[0]["sql"])
        probe = timed(PROBES[name], [NOW])
        line(
            f"idle, {when}: {name} / its index alone",
            f"{asked:.3f} / {probe:.3f} ms = {asked / probe:.1f}",
            "2 at most",
        )


def idle_rounds(cast):
    for part in PARTS.values():
        run(part, at=NOW)
    idle("nothing overdue")
    sweep.sweep(at=NOW)
    with CaptureQueriesContext(connection) as few:
        sweep.sweep(at=NOW)
    late = min(20_000, Worker.objects.filter(number__startswith="MANY-").count())
    overdue(cast, late)
    idle(f"{late:,} late and unseen")
    with CaptureQueriesContext(connection) as many:
        took, _done = seconds(lambda: sweep.sweep(at=NOW))
    line(
        f"statements of an idle round, before and with {late:,} late", f"{len(few)} / {len(many)}", "the same"
    )
    line("an idle round", f"{took * 1000:.1f} ms")


def paging(cast):
    """1,000 alerts that ask anew, with few and with many clinicians."""
    for count in (4, 40):
        for number in range(
            Role.objects.filter(site=cast.site, kind__in=("nurse", "physician")).count(), count
        ):
            user = User.objects.create(
                name=f"nurse-{number}", full_name="A nurse", email=f"n{number}@example.org"
            )
            Role.objects.create(user=user, site=cast.site, kind="nurse", from_at=NOW - HOUR)
        some = Alert.objects.order_by("pk").values_list("pk", flat=True)[:1000]
        with connection.cursor() as cursor:
            cursor.execute("UPDATE exposure_alert SET round = round + 1 WHERE id = ANY(%s)", [list(some)])
        with CaptureQueriesContext(connection) as statements:
            took, told = seconds(lambda: run(PARTS["pages"], at=NOW))
        line(
            f"1,000 alerts, {count} clinicians: {told:,} pages",
            f"{took:.2f} s",
            f"{len(statements)} statements",
        )


def send(seconds_to_run):
    """What one sending process takes in so long, with a channel that only keeps what it is given."""
    channels.CHANNELS["email"] = Recording()
    began = time.monotonic()
    with acting("command:benchmark", "benchmark", at=NOW):
        done = outbox.deliver(
            now=lambda: NOW + timedelta(seconds=time.monotonic() - began),
            going_on=lambda: time.monotonic() < began + seconds_to_run,
        )
    return done["sent"]


def sending():
    """One process that sends, and four."""
    run(PARTS["reminders"], at=NOW)
    for count in (1, 2, 4):
        connection.close()
        with multiprocessing.get_context("spawn").Pool(
            count, initializer=reverse, initargs=["today"]
        ) as pool:
            pool.map(time.sleep, [3] * count, chunksize=1)  # each has read the addresses by then
            sent = pool.map(send, [SENDING] * count, chunksize=1)
        rate = sum(sent) / SENDING
        twice = Attempt.objects.values("message").annotate(n=Count("pk")).filter(n__gt=1).count()
        line(f"sending processes: {count}", f"{rate:.0f} messages a second", f"{twice} sent twice")
    undo()


def split():
    """Where the time goes: the writing statements as PostgreSQL measures them, and the same reminders stored when
    nothing is left to decide. Nothing of it is a version: what is written here once is its own."""
    with CaptureQueriesContext(connection) as statements, connection.cursor() as cursor:
        run(PARTS["reminders"], at=NOW)
        cursor.execute("CREATE TEMP TABLE stored AS SELECT * FROM exposure_reminder")
    taken = Counter()
    for several in (
        [one["sql"] for one in statements if one["sql"].split()[0] in ("INSERT", "UPDATE")],
        ["INSERT INTO exposure_reminder SELECT * FROM stored"],
    ):
        undo()  # so that the keys that the statements name are given again
        with transaction.atomic(), connection.cursor() as cursor:
            for sql in several:
                name = re.sub(r'"', "", " ".join(sql.split()[:3])) + (
                    " alone" if "FROM stored" in sql else ""
                )
                cursor.execute(f"EXPLAIN (ANALYZE, FORMAT JSON) {sql}")
                taken[name] += cursor.fetchone()[0][0]["Execution Time"] / 1000
            took, _none = seconds(lambda cursor=cursor: cursor.execute("SET CONSTRAINTS ALL IMMEDIATE"))
            taken[f"foreign keys after {name}"] += took
            transaction.set_rollback(True)
    undo()
    for name, took in taken.items():
        line(f"of that: {name}", f"{took:.2f} s")


def plans():
    """Of each statement of one batch of reminders."""
    part = PARTS["reminders"]
    with CaptureQueriesContext(connection) as statements:
        run(replace(part, at_most=1, batch=part.batch), at=NOW)
    asked = [one["sql"] for one in statements if one["sql"].split()[0] in ("SELECT", "INSERT", "UPDATE")]
    undo()
    for sql in asked:
        print(f"\n{shortened(sql)}")
        with connection.cursor() as cursor:
            cursor.execute(f"EXPLAIN {sql}")
            for (row,) in cursor.fetchall():
                print("   ", shortened(row))


def shortened(text):
    return re.sub(r"(\d+, ?){9,}", "..., ", text)[:3000]


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--people", type=int, default=5000)
    people = options.parse_args().people
    lay_out()
    with acting("command:benchmark", "benchmark", at=NOW - 72 * HOUR):
        took, cast = seconds(lambda: build(people))
        line(f"built: {people:,} people, {people * 42:,} checks, {people * 168:,} instants", f"{took:.0f} s")
        with acting("command:benchmark", "benchmark", at=NOW):
            writing()
            split()
            sending()
            plans()
            idle_rounds(cast)
            paging(cast)


if __name__ == "__main__":
    main()
