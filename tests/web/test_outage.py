"""A database that is locked, full or away: 503 with Retry-After, as a page or as problem details (RFC 9457), and
nothing half done. What is our own fault stays 500.

Codes: PostgreSQL manual, appendix A; SQLite, "Result and Error Codes"; Retry-After: RFC 9110, section 10.2.3.
"""

import sqlite3

import psycopg.errors
import pytest
from django.apps import apps
from django.db import (
    DataError,
    IntegrityError,
    InterfaceError,
    InternalError,
    OperationalError,
    ProgrammingError,
    connection,
)
from django.test import Client
from django.urls import reverse

from exposure.outage import is_outage
from exposure.pipeline import report
from exposure.report.models import Breach
from tests.api.conftest import Caller
from tests.cast import MONDAY

pytestmark = pytest.mark.database


def everything():
    """Every row of every table of the app, but what was looked at."""
    return {
        model.__name__: list(model._base_manager.order_by("pk").values_list())
        for model in apps.get_app_config("exposure").get_models()
    }


class FailingFrom:
    """The database is gone from its n-th statement on, or, `once`, for that statement alone."""

    def __init__(self, number, error=OperationalError, *, once=False):
        self.number, self.count, self.error, self.once = number, 0, error, once

    def __call__(self, execute, sql, params, many, context):
        self.count += 1
        if self.count == self.number or (self.count > self.number and not self.once):
            raise self.error("the connection is lost")
        return execute(sql, params, many, context)


@pytest.fixture
def program(cast, standing_clock):
    standing_clock(MONDAY)
    caller = Caller(cast.observer)
    caller.client.raise_request_exception = False
    return caller


@pytest.fixture
def browser(cast, standing_clock):
    standing_clock(MONDAY)
    client = Client(raise_request_exception=False)
    client.force_login(cast.nurse)
    return client


def is_problem(answer, status):
    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json()["status"] == status
    assert answer.json()["title"]
    return True


def is_away(answer):
    assert answer.status_code == 503
    assert int(answer["Retry-After"]) > 0
    return True


@pytest.mark.parametrize(
    ("number", "error"),
    [
        (1, InterfaceError),
        (2, OperationalError),
        (5, OperationalError),
        (20, InterfaceError),
        (40, OperationalError),
    ],
)
def test_a_report_that_meets_no_database_is_told_so_and_leaves_nothing(program, cast, number, error):
    body, before = cast.body(), everything()
    with connection.execute_wrapper(FailingFrom(number, error, once=True)):
        answer = program.post("breaches/", body)
    assert is_away(answer)
    assert is_problem(answer, 503)
    assert everything() == before
    assert program.post("breaches/", body).status_code == 201


@pytest.mark.django_db(transaction=True)
def test_a_report_half_way_through_which_the_database_goes_for_good_leaves_nothing(program, cast):
    body, before = cast.body(), everything()
    with connection.execute_wrapper(FailingFrom(30)):
        assert is_away(program.post("breaches/", body))
    assert everything() == before
    assert program.post("breaches/", body).status_code == 201


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_call_that_reads_is_told_so_too(program, number):
    with connection.execute_wrapper(FailingFrom(number)):
        answer = program.get("breaches/")
    assert is_away(answer)
    assert is_problem(answer, 503)


@pytest.mark.parametrize("number", [1, 2, 4, 8])
@pytest.mark.parametrize("page", ["needs_action", "monitoring", "reports", "cases", "home"])
def test_a_page_says_whom_to_telephone_and_keeps_its_headers(browser, page, number):
    failing = FailingFrom(number)
    with connection.execute_wrapper(failing):
        answer = browser.get(reverse(page))
    if failing.count < number:
        assert answer.status_code < 400, "it asked no more"
        return
    assert is_away(answer)
    assert "telephone occupational health" in answer.content.decode()
    assert "default-src 'self'" in answer["Content-Security-Policy"]


def test_a_form_sent_meanwhile_is_told_so(browser, cast):
    with connection.execute_wrapper(FailingFrom(3)):
        answer = browser.post(reverse("case_open"), {"code": "K1A"})
    assert is_away(answer)


def test_an_error_of_our_own_is_a_500_as_problem_details_to_programs_and_a_page_to_people(
    program, browser, cast, monkeypatch
):
    def broken(**_anything):
        raise RuntimeError("a mistake of ours")

    monkeypatch.setattr(report, "report_breach", broken)
    assert is_problem(program.post("breaches/", cast.body()), 500)
    monkeypatch.setattr("exposure.web.nurse.queue.lines", lambda *_any, **_how: broken())
    answer = browser.get(reverse("needs_action"))
    assert answer.status_code == 500
    assert answer["Content-Type"].startswith("text/html")
    assert "Retry-After" not in answer


def test_a_statement_that_is_wrong_is_our_own_fault(program, cast, monkeypatch):
    def too_many(*_anything, **_how):
        with connection.cursor() as cursor:
            cursor.execute("SELECT nothing FROM nowhere")

    monkeypatch.setattr(report, "report_breach", too_many)
    assert is_problem(program.post("breaches/", cast.body()), 500)


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "sqlite", reason="SQLite's lock")
def test_a_locked_sqlite_answers_and_takes_the_report_once_it_is_free(program, cast):
    body = cast.body()
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(connection.settings_dict["NAME"], isolation_level=None)
    try:
        other.execute("BEGIN IMMEDIATE")
        answer = program.post("breaches/", body)
        other.execute("ROLLBACK")
    finally:
        other.close()
    assert is_away(answer)
    assert is_problem(answer, 503)
    assert not Breach.objects.exists()
    assert program.post("breaches/", body).status_code == 201


def sqlite_s(pragma):
    """What it answers."""
    with connection.cursor() as cursor:
        return cursor.execute(f"PRAGMA {pragma}").fetchone()[0]


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "sqlite", reason="a database file that may grow no further")
def test_a_full_sqlite_answers_and_takes_the_report_once_there_is_room(program, cast):
    body, before = cast.body(narrative="x" * 1_000_000), everything()
    most = sqlite_s("max_page_count")
    sqlite_s(f"max_page_count = {sqlite_s('page_count')}")
    try:
        answer = program.post("breaches/", body)
        assert everything() == before, "what is there can be read"
    finally:
        sqlite_s(f"max_page_count = {most}")
    assert is_away(answer)
    assert is_problem(answer, 503)
    assert program.post("breaches/", body).status_code == 201


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="PostgreSQL's locks")
@pytest.mark.parametrize("limit", ["lock_timeout", "statement_timeout"])
def test_a_locked_postgresql_answers_and_takes_the_report_once_it_is_free(program, cast, limit):
    body, other = cast.body(), connection.copy()
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config(%s, '100ms', false)", [limit])
        other.set_autocommit(False)
        with other.cursor() as cursor:
            cursor.execute('LOCK TABLE "exposure_breach" IN EXCLUSIVE MODE')
        answer = program.post("breaches/", body)
        other.rollback()
    finally:
        other.close()
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config(%s, '0', false)", [limit])
    assert is_away(answer)
    assert is_problem(answer, 503)
    assert not Breach.objects.exists()
    assert program.post("breaches/", body).status_code == 201


def caused(error, cause):
    error = error("as the driver says")
    error.__cause__ = cause
    return error


def of_sqlite(code):
    cause = sqlite3.OperationalError("as SQLite says")
    cause.sqlite_errorcode = code
    return cause


OUTAGES = [
    caused(OperationalError, psycopg.errors.DeadlockDetected()),
    caused(OperationalError, psycopg.errors.SerializationFailure()),
    caused(OperationalError, psycopg.errors.LockNotAvailable()),
    caused(OperationalError, psycopg.errors.QueryCanceled()),
    caused(OperationalError, psycopg.errors.DiskFull()),
    caused(OperationalError, psycopg.errors.TooManyConnections()),
    caused(OperationalError, psycopg.errors.AdminShutdown()),
    caused(OperationalError, psycopg.OperationalError("connection refused")),
    caused(InterfaceError, psycopg.InterfaceError("the connection is closed")),
    caused(InternalError, psycopg.errors.ReadOnlySqlTransaction()),
    caused(InternalError, psycopg.errors.IdleInTransactionSessionTimeout()),
    *(
        caused(OperationalError, of_sqlite(code))
        for code in (
            sqlite3.SQLITE_BUSY, sqlite3.SQLITE_BUSY_SNAPSHOT, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_FULL,
            sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY,
        )
    ),
]  # fmt: skip
FAULTS = [
    caused(OperationalError, of_sqlite(sqlite3.SQLITE_ERROR)),  # "too many SQL variables", "no such table"
    caused(OperationalError, psycopg.errors.ProgramLimitExceeded()),
    caused(InternalError, psycopg.errors.InFailedSqlTransaction()),
    caused(IntegrityError, psycopg.errors.UniqueViolation()),
    caused(DataError, psycopg.errors.UntranslatableCharacter()),
    caused(ProgrammingError, psycopg.errors.UndefinedTable()),
    RuntimeError("ours"),
]


@pytest.mark.parametrize("error", OUTAGES, ids=lambda error: repr(error.__cause__))
def test_what_may_succeed_in_a_moment_is_an_outage(error):
    assert is_outage(error)


@pytest.mark.parametrize("error", FAULTS, ids=lambda error: repr(error.__cause__))
def test_what_will_fail_again_is_none(error):
    assert not is_outage(error)
