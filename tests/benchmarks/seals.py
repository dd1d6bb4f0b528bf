"""What sealing, verifying, the history's page and versions cost: ratios of one run, on PostgreSQL.

    python -m tests.benchmarks.seals --versions 100000

In a database of its own on the server of DATABASE_URL, else on a private one from the wheel. Everybody is invented.
"""

import argparse
import statistics
import sys
import time
from contextlib import ExitStack, contextmanager, nullcontext
from datetime import timedelta
from types import FunctionType
from unittest import mock

NAME = "seals_benchmark"
NEW = 10_000
READINGS = 40
TURNS = 3


if __name__ == "__main__":
    from tests.benchmarks.database import prepare

    prepare(NAME)

import django  # noqa: E402
import pymerkle  # noqa: E402

django.setup()

from django.conf import settings  # noqa: E402
from django.db import connection, models  # noqa: E402
from django.test import Client  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402
from django.urls import reverse  # noqa: E402

from config.seal_key import new_seal_key  # noqa: E402
from exposure import clock, record  # noqa: E402
from exposure.audit import comparing, sealing  # noqa: E402
from exposure.audit.models import SealedBytes, SealEntry  # noqa: E402
from exposure.audit.verification import Verification  # noqa: E402
from exposure.people import access  # noqa: E402
from exposure.people.models import Worker  # noqa: E402
from tests.benchmarks.database import lay_out  # noqa: E402
from tests.cast import MONDAY, assemble  # noqa: E402
from tests.walk import follow_up_told_and_confirmed  # noqa: E402

AT = MONDAY + timedelta(hours=10)
VERSION = Worker.history.model


def line(*cells):
    print("| " + " | ".join(str(cell) for cell in cells) + " |", flush=True)


def seconds(work):
    """Wall and own processor seconds of a call."""
    wall, own = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - own


def add_versions(worker, count):
    """So many more versions of a worker, as changed by the nurse; most of them copied by the database."""
    if count > NEW:
        add_versions(worker, NEW)
        copied = ", ".join(
            f'"{field.column}"' for field in VERSION._meta.concrete_fields if not field.primary_key
        )
        table = VERSION._meta.db_table
        with connection.cursor() as cursor:
            cursor.execute(
                f"INSERT INTO {table} ({copied}) SELECT {copied} FROM (SELECT * FROM {table}"
                f" ORDER BY history_id DESC LIMIT {NEW}) one, generate_series(1, {count // NEW - 1})"
            )
        return
    values = {field.attname: getattr(worker, field.attname) for field in VERSION.tracked_fields}
    written = {
        "history_user_id": "user:3",
        "origin": "api 192.0.2.7",
        "history_type": "~",
        "history_date": AT,
    }
    rows = (
        VERSION(**{**values, "phone": f"+351 900 {number:06}"}, **written, history_change_reason="rang")
        for number in range(count)
    )
    models.QuerySet(VERSION).bulk_create(rows, batch_size=2_000)


def seal_all():
    while not sealing.seal(at=AT).caught_up:
        pass


def copy_out():
    """What verify must read, copied by the database: versions, entries, bytes."""
    with connection.cursor() as cursor:
        for model in (VERSION, SealEntry, SealedBytes):
            with cursor.copy(f"COPY {model._meta.db_table} TO STDOUT (FORMAT binary)") as rows:
                for _block in rows:
                    pass


def verify(thorough=False):
    verification = Verification(at=AT, thorough=thorough)
    findings = list(verification.findings())
    assert not findings, findings[:3]
    assert verification.size >= NEW


def peer_s_tree():
    """The same bytes through pymerkle: read, hashed, and the root, which is all that it does of `verify`."""
    tree = pymerkle.InmemoryTree(algorithm="sha256")
    for stretch in comparing.stretches(sealing.size()):
        for _sequence, _hash, content in stretch:
            tree.append_entry(content)
    return tree.get_root()


def measure_seals(cast, versions, thorough):
    seal_all()
    add_versions(cast.worker, NEW)
    wall, own = seconds(seal_all)
    line(f"sealing {NEW:,} new versions", f"{wall:.2f} s, {own:.2f} s of one core here", "1 s of one core")
    add_versions(cast.worker, max(versions - NEW, 0))
    seal_all()
    with connection.cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")
    ways = {"copy": copy_out, "verify": verify, "peer": peer_s_tree}
    took = {name: [] for name in ways}
    for _turn in range(TURNS):
        for name, work in ways.items():
            took[name].append(seconds(work)[0])
    copied, verified, peer = (statistics.median(took[name]) for name in ways)
    size = f"{sealing.size():,} entries"
    ratio = f"{verified / copied:.2f} times ({verified:.1f} s; {copied:.1f} s)"
    line(f"verifying {size} against copying them out, {TURNS} by turns", ratio, "at most 2.5")
    line("against pymerkle's tree over them", f"{peer / verified:.2f} times faster ({peer:.1f} s)", "3")
    if thorough:
        wall = seconds(lambda: verify(thorough=True))[0]
        line("`--thorough`", f"{wall / copied:.1f} times ({wall:.1f} s)", "-")


def measure_page(cast):
    client = Client()
    client.force_login(cast.auditor)
    client.get(reverse("history"))
    with CaptureQueriesContext(connection) as statements:
        assert client.get(reverse("history")).status_code == 200
    begun = sum(query["sql"].startswith(("BEGIN", "COMMIT")) for query in statements)
    line(
        "statements of History's first page, without its BEGIN and COMMIT",
        len(statements) - begun,
        "at most 12",
    )


def measure_readings(cast):
    """The same view, the same without versions, and without the policy too, by turns."""
    follow_up_told_and_confirmed(cast)
    client = Client()
    client.force_login(cast.worker.user)
    at = AT + timedelta(hours=2)

    def one():
        nonlocal at
        at += timedelta(minutes=1)
        with mock.patch.object(clock, "now", return_value=at):
            body = cast.reading(taken_at=at.isoformat())
            answer = client.post("/api/v1/readings/", body, content_type="application/json")
        assert answer.status_code == 201, answer.content

    ways = (nullcontext, without_versions, without_both)
    took = {way: [] for way in ways}
    for turn in range(READINGS + 1):
        for way, found in took.items():
            with way():  # entered before the clock starts
                spent = seconds(one)[0]
            if turn:  # the first is for warming up
                found.append(spent)
    whole, versionless, bare = (statistics.median(found) for found in took.values())
    for what, other, wanted in (
        ("versions", versionless, "-"),
        ("versions and policy", bare, "at most 1.35"),
    ):
        times = f"{whole / other:.2f} times ({whole * 1000:.0f} ms, {other * 1000:.0f} ms)"
        line(f"one reading over HTTP against the same without {what}", times, wanted)


@contextmanager
def without_versions():
    settings.SIMPLE_HISTORY_ENABLED = False
    with mock.patch.object(record, "_write_versions"):
        yield
    settings.SIMPLE_HISTORY_ENABLED = True


@contextmanager
def without_both():
    with without_versions(), without_policy():
        yield


@contextmanager
def without_policy():
    """Every row is visible and every deed allowed, wherever a module of ours asks."""
    free = {
        access.visible: lambda _user, rows, *_views, at: rows,
        access.require: lambda *_asked, at: None,
        access.require_on: lambda _user, _deed, row, *, at: getattr(row, "site_id", None),
    }
    with ExitStack() as patches:
        for module in [one for name, one in sys.modules.items() if name.startswith("exposure.")]:
            for name, asked in list(vars(module).items()):
                if isinstance(asked, FunctionType) and asked in free:
                    patches.enter_context(mock.patch.object(module, name, free[asked]))
        yield


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--versions", type=int, default=100_000)
    options.add_argument("--thorough", action="store_true", help="also without the database's comparison")
    asked = options.parse_args()
    versions = asked.versions
    settings.SEAL_KEY = new_seal_key()
    settings.REST_FRAMEWORK = {**settings.REST_FRAMEWORK, "DEFAULT_THROTTLE_CLASSES": []}
    lay_out()
    cast = assemble()
    line(f"{versions:,} versions (2 cores, PostgreSQL {connection.pg_version // 10000})", "seen", "wanted")
    line("---", "---", "---")
    measure_seals(cast, versions, asked.thorough)
    measure_page(cast)
    measure_readings(cast)


if __name__ == "__main__":
    main()
