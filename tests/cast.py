"""The fixed cast of the stories. All invented.

Saltmarsh General in Lisbon's zone has station Heron with one case of suspected Ebola; Fenwick Quay in Halifax's
zone is the other site. Olga observes, Wim is exposed, Nora and Ned are nurses, Petra and Pavel physicians, Xenia
is a nurse at the other site, Lena leads the station, Ada audits, Alf administers.
"""

import copy
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

from django.db import connection, transaction
from django.db.backends.utils import CursorWrapper

from exposure.classify.assess import propose_text
from exposure.classify.models import Adoption, CriteriaVersion
from exposure.people.models import Role, User, Worker
from exposure.places.load import load_protocols
from exposure.places.models import Protocol, Site, Station, StationProtocol
from exposure.record import acting
from exposure.report.models import Case, CaseStatement

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
MONDAY = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)  # before any clock change in Lisbon
PASSWORD = "heron-lapwing-curlew-avocet"


@dataclass
class Cast:
    site: Site
    other_site: Site
    station: Station
    case: Case
    observer: User
    worker: Worker
    nurse: User
    nurse2: User
    physician: User
    physician2: User
    lead: User
    auditor: User
    administrator: User
    outsider: User

    def body(self, **changes):
        """A report about Wim at Heron, a moment ago."""
        return {
            "submission_id": str(uuid4()),
            "station": self.station.code,
            "worker": self.worker.number,
            "occurred_at": (MONDAY - timedelta(minutes=20)).isoformat(),
            "phase": "removal",
            "step": "inner-gloves",
            "what_happened": "glove_tear",
            "first_aid": ["soap_water"],
            "facts": {"contact": "splash", "skin": "intact"},
            **changes,
        }

    def reading(self, **changes):
        """A normal reading, taken now."""
        return {
            "submission_id": str(uuid4()),
            "taken_at": None,
            "temperature": "36.8",
            "unit": "C",
            "method": "oral",
            **changes,
        }


def doing(who, *, at=MONDAY, reason=""):
    """The acting context of somebody."""
    actor = who.actor if isinstance(who, User) else str(who)
    return acting(actor, "tests", reason, at=at)


def assemble() -> Cast:
    """Everybody and everything, adopted criteria included, as of three days before MONDAY."""
    start = MONDAY - timedelta(days=3)
    with acting("command:tests", "tests", at=start):
        site = _site("saltmarsh", "Saltmarsh General Hospital", "Saltmarsh", "Europe/Lisbon", start)
        other = _site("fenwick", "Fenwick Quay Clinic", "Fenwick Quay", "America/Halifax", start)
        load_protocols(FIXTURES / "protocols.yaml")
        station = Station.objects.create(site=site, code="heron", name="Heron")
        for protocol in Protocol.objects.all():
            StationProtocol.objects.create(station=station, protocol=protocol)
        people = {
            name: _user(name, full, kind, other if name == "outsider" else site, start)
            for name, full, kind in (
                ("observer", "Olga Rowan", Role.Kind.OBSERVER),
                ("nurse", "Nora Teal", Role.Kind.NURSE),
                ("nurse2", "Ned Plum", Role.Kind.NURSE),
                ("physician", "Petra Birch", Role.Kind.PHYSICIAN),
                ("physician2", "Pavel Ash", Role.Kind.PHYSICIAN),
                ("lead", "Lena Moor", Role.Kind.LEAD),
                ("auditor", "Ada Quill", Role.Kind.AUDITOR),
                ("administrator", "Alf Stone", Role.Kind.ADMINISTRATOR),
                ("outsider", "Xenia Fern", Role.Kind.NURSE),
            )
        }
        account = User.objects.create_user(
            "worker", PASSWORD, full_name="Wim Alder", email="worker@example.org"
        )
        worker = Worker.objects.create(
            site=site, user=account, number="SG-1042", name="Wim Alder", phone="+351 900 000 042"
        )
        case = Case.objects.create(code="K7M2Q", site=site, station=station, opened_at=start)
        CaseStatement.objects.create(case=case, pathogen="ebola", status=CaseStatement.Status.SUSPECTED)
        adopt(site, "ebola-2023.1", start)
    return Cast(site=site, other_site=other, station=station, case=case, worker=worker, **people)


class Company:
    """The cast brought back for each test, and what many begin with: made once in a process, by the first test that
    asks for it, then put into the tables as it was. What follows on the cast is brought back only where nothing was
    written since; else it is made anew."""

    def __init__(self) -> None:
        self.scenes: dict[str, Callable[[Cast], Any]] = {}
        self.made: dict[str, tuple[Any, list[str]]] = {}
        self.untouched = False

    def scene(self, make: Callable[[Cast], Any]) -> Callable[[Cast], Any]:
        """A decorator: what this writes and returns right after the cast is brought back too, unless EXPOSURE_SCENES of
        the environment says anew."""
        if os.environ.get("EXPOSURE_SCENES") == "anew":
            return make
        self.scenes[make.__name__] = make
        return lambda cast: self._play(make.__name__, cast) if self.untouched else make(cast)

    def assemble(self) -> Cast:
        if User.objects.exists() or Site.objects.exists():
            self.untouched = False
            return assemble()  # beside what a test has made already
        cast = self._bring_back("cast") if "cast" in self.made else self._remember("cast", assemble)
        self.untouched = True
        return cast

    def _play(self, name: str, cast: Cast) -> Any:
        """Where nothing was written since the cast was brought back."""
        if name in self.made:
            return self._bring_back(name)
        return self._remember(name, lambda: self.scenes[name](cast))

    def _remember(self, name: str, make: Callable[[], Any]) -> Any:
        with connection.cursor() as cursor:
            before = {table: _rows(cursor, table) for table in connection.introspection.table_names(cursor)}
            result = make()
            after = {table: _rows(cursor, table) for table in before}
        changed = [table for table, rows in before.items() if not set(rows) <= set(after[table])]
        assert not changed, f"{name} changes rows of {changed}, and can only be made anew."
        made = {
            table: [row for row in rows if row not in set(before[table])] for table, rows in after.items()
        }
        script = [_insertion(table, rows) for table, rows in made.items() if rows]
        self.made[name] = copy.deepcopy(result), script
        return result

    def _bring_back(self, name: str) -> Any:
        result, script = self.made[name]
        statements = script if connection.vendor == "sqlite" else [";".join(script)]
        with (
            transaction.atomic(),
            connection.cursor() as cursor,
        ):  # keys are looked at when all rows are there
            for statement in statements:
                cursor.execute(statement)
        return copy.deepcopy(result)

    def watch(self, execute: Callable, sql: str, *more: Any) -> Any:
        """Around each statement of a test, as Django wraps them."""
        if not sql.lstrip("( ").startswith(READING):
            self.untouched = False
        return execute(sql, *more)


READING = ("SELECT", "SAVEPOINT", "RELEASE SAVEPOINT", "ROLLBACK TO", "EXPLAIN", "SET CONSTRAINTS")
company = Company()


def _rows(cursor: CursorWrapper, table: str) -> list[str]:
    """In the order of their keys, each as text for `_insertion`: JSON in PostgreSQL, its values as SQL in SQLite."""
    name, row = connection.ops.quote_name(table), "row_to_json(one)::text"
    if connection.vendor == "sqlite":
        columns = connection.introspection.get_table_description(cursor, table)
        row = " || ',' || ".join(f"quote({connection.ops.quote_name(column.name)})" for column in columns)
    [key] = connection.introspection.get_primary_key_columns(cursor, table) or ["rowid"]
    cursor.execute(f"SELECT {row} FROM {name} AS one ORDER BY {connection.ops.quote_name(key)}")
    return [row for (row,) in cursor.fetchall()]


def _insertion(table: str, rows: list[str]) -> str:
    name = connection.ops.quote_name(table)
    if connection.vendor == "sqlite":
        return f"INSERT INTO {name} VALUES {', '.join(f'({row})' for row in rows)}"
    rows_as_json = "'" + f"[{','.join(rows)}]".replace("'", "''") + "'"
    return f"INSERT INTO {name} SELECT * FROM json_populate_recordset(NULL::{name}, {rows_as_json})"


def adopt(site: Site, name: str, at: datetime) -> CriteriaVersion:
    """Load a published criteria file and let the site work with it."""
    version = propose_text(
        (FIXTURES / "criteria" / f"{name}.yaml").read_text(), by="command:tests", at=at, proposed=True
    )
    version.approved_at = at
    version.save()
    Adoption.objects.create(site=site, pathogen=version.pathogen, version=version, from_at=at)
    return version


def _site(code: str, name: str, short_name: str, zone: str, at: datetime) -> Site:
    return Site.objects.create(
        code=code,
        name=name,
        short_name=short_name,
        zone=zone,
        phone="+351 900 000 100",
        phone_tested_at=at,
        live_from=at,
        emergency_phone="112",
        support_phone="+351 900 000 200",
    )


def _user(name: str, full_name: str, kind: str, site: Site, at: datetime) -> User:
    user = User.objects.create_user(name, PASSWORD, full_name=full_name, email=f"{name}@example.org")
    Role.objects.create(user=user, site=site, kind=kind, from_at=at)
    return user
