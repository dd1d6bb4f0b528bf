"""The demo scenario: a hospital and a clinic, some months of removals and people in every state, relative to now.

All of it is invented, and the rates are. It goes through the same pipeline as real work, only with past instants.
"""

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5
from zoneinfo import ZoneInfo

import yaml
from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.db import transaction

from exposure import clock
from exposure.classify.models import CriteriaVersion
from exposure.classify.versions import unticked
from exposure.followup import opening
from exposure.followup.models import FollowUp
from exposure.followup.schedule import Window
from exposure.management.content import FIXTURES, load_published
from exposure.management.past_removals import record_past_removals
from exposure.people.models import Role, User, Worker
from exposure.people.on_call import put_on_call
from exposure.pipeline import attend, classify, clear, complete, enter, evaluate, follow, guide, report, tell
from exposure.places.models import Protocol, Site, Station, StationProtocol
from exposure.record import acting
from exposure.report.models import Breach, Case, CaseStatement, Event

PASSWORD_FILE: Path = settings.VAR / "demo-password"
MARK = "worker@demo.example.org"
ADOPTED = {"ebola": "2023.2", "bloodborne": "2025.2"}
UNFINISHED = timedelta(minutes=5)


class RealPeople(RuntimeError):
    """The database holds people who are not the demo's."""


def has_people() -> bool:
    """Whether anybody at all is recorded."""
    return User.objects.exists() or Worker.objects.exists()


def sign_ins() -> list[str]:
    """What to print for whoever wants to look around; nothing where the demo is not loaded."""
    if not User.objects.filter(email=MARK).exists() or not PASSWORD_FILE.exists():
        return []
    names = [row["name"] for row in _content()["accounts"]]
    return [
        f"Sign in as {', '.join(names)}",
        f"with the password {PASSWORD_FILE.read_text().strip()}",
        "Second factors are off here: never so with real people.",
    ]


def load_demo(*, at: datetime) -> bool:
    """Load what does not stand yet of the scenario, as of `at`. False when all of it stands. Raises RealPeople.

    The place with its people, then each scene, is a transaction of its own: after a crash whole scenes stand, and the
    next call goes on with the others.
    """
    scenario = _Scenario(at)
    if _is_begun():
        scenario.look_up()
    elif has_people():
        raise RealPeople("This database holds people already; the demo scenario goes only into an empty one.")
    else:
        with transaction.atomic():
            scenario.lay_out()
    missing = scenario.missing()
    for first_report, scene in missing.items():
        with transaction.atomic():
            scenario.reports = first_report - 1
            scene()
    return bool(missing)


def is_unfinished() -> bool:
    """Whether a crash left only some of the scenes."""
    return _is_begun() and bool(_Scenario(clock.now()).missing())


def _is_begun() -> bool:
    return User.objects.filter(email=MARK).exists()


def _report_id(number: int) -> UUID:
    return uuid5(NAMESPACE_URL, f"demo report {number}")


def _content() -> dict[str, Any]:
    return yaml.safe_load((FIXTURES / "demo.yaml").read_text())


def _password() -> str:
    if not PASSWORD_FILE.exists():
        PASSWORD_FILE.touch(mode=0o600)
        PASSWORD_FILE.write_text(secrets.token_urlsafe(12))
    return PASSWORD_FILE.read_text().strip()


@dataclass
class _Scenario:
    at: datetime
    sites: dict[str, Site] = field(default_factory=dict)
    users: dict[str, User] = field(default_factory=dict)
    workers: dict[str, Worker] = field(default_factory=dict)
    cases: dict[str, Case] = field(default_factory=dict)
    reports: int = 0

    def lay_out(self) -> None:
        """Places, people, criteria, cases and past removals."""
        start = self.at - timedelta(days=200)
        with acting("command:demo", "demo scenario", at=start):
            load_published(at=start)
            self._places(start)
            self._people(start)
            self._adopt_criteria(start)
            self._sheet_for_home(start)
            self._on_call()
            self._cases()
            record_past_removals(self.sites["saltmarsh"], self.users["observer"], at=self.at)
        self._negative_test()

    def look_up(self) -> None:
        """What an earlier call laid out."""
        self.sites = {site.code: site for site in Site.objects.all()}
        self.users = {user.name: user for user in User.objects.all()}
        self.workers = {worker.number: worker for worker in Worker.objects.all()}

    def missing(self) -> dict[int, Callable[[], Any]]:
        """The scenes that do not stand yet, each under the number of its first report."""
        scenes: dict[int, Callable[[], Any]] = {
            1: self._silent_today,
            2: self._fever_twice,
            3: self._cleared,
            4: self._unconfirmed_cleaner,
            5: self._exposed_again,
            7: self._on_nights,
            8: self._being_evaluated,
            9: self._vaccinated,
            10: self._by_phone,
            11: self._observer_exposed,
            12: self._event_of_three,
            15: self._drill,
            16: self._other_zone,
        }
        first_reports = {_report_id(number): number for number in scenes}
        standing = set(Breach.objects.filter(uid__in=first_reports).values_list("uid", flat=True))
        return {
            number: scenes[number] for report_id, number in first_reports.items() if report_id not in standing
        }

    # Places, people, criteria, cases

    def _places(self, start: datetime) -> None:
        for row in _content()["sites"]:
            stations = row.pop("stations")
            site = Site.objects.create(**row, phone_tested_at=start, live_from=start)
            self.sites[site.code] = site
            for station in stations:
                protocols = station.pop("protocols")
                place = Station.objects.create(site=site, **station)
                for protocol in Protocol.objects.filter(code__in=protocols):
                    StationProtocol.objects.create(station=place, protocol=protocol)

    def _people(self, start: datetime) -> None:
        password = make_password(_password())  # once: a hash takes a third of a second
        for row in _content()["accounts"]:
            email = f"{row['name']}@demo.example.org"
            user = User.objects.create(
                name=row["name"], password=password, full_name=row["full_name"], email=email
            )
            self.users[user.name] = user
            if "role" in row:
                Role.objects.create(user=user, site=self.sites["saltmarsh"], kind=row["role"], from_at=start)
        for site in (self.sites["fenwick"],):
            for name, kind in (("nurse", "nurse"), ("physician", "physician"), ("physician2", "physician")):
                Role.objects.create(user=self.users[name], site=site, kind=kind, from_at=start)
        for row in _content()["workers"]:
            name = row.get("account", row["number"].lower())
            if name not in self.users:
                email = f"{name}@demo.example.org"
                self.users[name] = User.objects.create_user(name, None, full_name=row["name"], email=email)
            self.workers[row["number"]] = Worker.objects.create(
                site=self.sites[row.get("site", "saltmarsh")],
                user=self.users[name],
                number=row["number"],
                name=row["name"],
                phone=f"+351 900 00{row['number'][-4:]}",
                employer="",
            )

    def _adopt_criteria(self, start: datetime) -> None:
        """Only these two physicians approve what ships, and say that it is an example. One more draft waits."""
        first, second = self.users["physician"], self.users["physician2"]
        for pathogen, adopted in ADOPTED.items():
            version = CriteriaVersion.objects.get(pathogen=pathogen, version=adopted)
            version.is_example = True
            version.save()
            with acting(first.actor, "demo scenario", "example", at=start):
                for row in unticked(version):
                    guide.tick_criteria(version=version, row=row, by=first, at=start)
                for site in self.sites.values():
                    guide.replay_criteria(version=version, site=site, by=first, at=start)
                    guide.approve_criteria(version=version, site=site, by=first, at=start, meaning="example")
            with acting(second.actor, "demo scenario", "example", at=start):
                for site in self.sites.values():
                    guide.approve_criteria(version=version, site=site, by=second, at=start, meaning="example")
        with acting(first.actor, "demo scenario", "example", at=start):
            content = (FIXTURES / "demo-draft.yaml").read_text()
            draft = guide.draft_criteria(content=content, by=first, at=start)
            draft.is_example = True
            draft.save()

    def _sheet_for_home(self, start: datetime) -> None:
        physician = self.users["physician"]
        with acting(physician.actor, "demo scenario", "example", at=start):
            guide.approve_advice(
                site=self.sites["saltmarsh"],
                **_content()["sheet_for_home"],
                replaces=None,
                by=physician,
                at=start,
            )

    def _on_call(self) -> None:
        """One nurse until the next hand-over and another after it, behind each a physician."""
        entered, nurse = self._moment(1, 8), self.users["nurse"]
        tomorrow, after = entered + timedelta(days=2), entered + timedelta(days=3)
        with acting(nurse.actor, "demo scenario", at=entered):
            for place, who, from_at, until_at in (
                (1, "nurse", entered, tomorrow),
                (1, "nurse2", tomorrow, after),
                (2, "physician", entered, after),
            ):
                put_on_call(
                    site=self.sites["saltmarsh"],
                    user=self.users[who],
                    place=place,
                    from_at=from_at,
                    until_at=until_at,
                    by=nurse,
                    at=entered,
                )

    def _cases(self) -> None:
        for code, station, days, status in (
            ("H7Q2K", "heron", 30, CaseStatement.Status.CONFIRMED),
            ("C4M9T", "curlew", 32, CaseStatement.Status.SUSPECTED),
            ("P2X8D", "plover", 12, CaseStatement.Status.SUSPECTED),
        ):
            self._case(code, station, days, status)
        negative = self._case("V3J6N", "avocet", 8, CaseStatement.Status.SUSPECTED)
        self.cases["negative"] = negative

    def _case(self, code: str, station_code: str, days: int, status: str) -> Case:
        opened_at = self.at - timedelta(days=days)
        station = Station.objects.get(code=station_code)
        with acting(self.users["physician"].actor, "demo scenario", at=opened_at):
            case = Case.objects.create(code=code, site=station.site, station=station, opened_at=opened_at)
            CaseStatement.objects.create(
                case=case, pathogen="ebola", status=status, onset_on=(opened_at - timedelta(days=1)).date()
            )
        self.cases[code] = case
        return case

    # People in every state

    def _silent_today(self) -> None:
        self._monitored("SG-1042", "heron", days=3, skip_last=1)

    def _moment(self, days: int, hour: int, minute: int = 0, site: str = "saltmarsh") -> datetime:
        """A wall time of a site, some days ago, and never later than now."""
        zone = ZoneInfo(self.sites[site].zone)
        day = self.at.astimezone(zone).date() - timedelta(days=days)
        return min(datetime.combine(day, time(hour, minute), tzinfo=zone), self.at - UNFINISHED)

    def _report(
        self,
        worker: str | dict[str, str],
        station: str,
        happened: datetime,
        reporter: str = "observer",
        **changes: Any,
    ) -> Breach:
        self.reports += 1
        body = {
            "submission_id": str(_report_id(self.reports)),
            "station": station,
            "occurred_at": happened.isoformat(),
            "phase": "removal",
            "step": "inner-gloves",
            "what_happened": "glove_tear",
            "first_aid": ["soap_water"],
            "facts": {"contact": "splash", "skin": "intact"},
            **({"worker": worker} if isinstance(worker, str) else {"person": worker}),
            **changes,
        }
        at = min(happened + timedelta(minutes=10), self.at)
        with acting(self.users[reporter].actor, "demo scenario", at=at):
            return report.report_breach(body=body, reporter=self.users[reporter], at=at).breach

    def _spoken_with(self, breach: Breach, after: timedelta = timedelta(minutes=50)) -> None:
        nurse = self.users["nurse"]
        at = min(breach.reported_at + after, self.at)
        with acting(nurse.actor, "demo scenario", at=at):
            tell.tell_worker(breach=breach, how="phone", told_at=at, by=nurse, at=at)
            classify.confirm_breach(breach=breach, by=nurse, note="Spoken with the worker.", at=at)
            for exposure in opening.exposures_of(breach):
                for task in exposure.promises.open().filter(kind="task", due_at__lte=self.at):
                    complete.complete_task(task=task, note="", by=nurse, at=at)

    def _monitored(
        self, worker: str, station: str, *, days: int, hour: int = 9, skip_last: int = 0, **changes: Any
    ) -> FollowUp:
        """Reported, spoken with and measured ever since, but for the last readings."""
        breach = self._report(worker, station, self._moment(days, hour), **changes)
        self._spoken_with(breach)
        follow_up = FollowUp.objects.get(exposures__breach=breach, pathogen="ebola")
        self._measure(follow_up, skip_last=skip_last)
        return follow_up

    def _measure(self, follow_up: FollowUp, *, skip_last: int = 0, until: datetime | None = None) -> None:
        """A normal reading for every expected one that has closed and has none."""
        checks = follow_up.checks.filter(withdrawn_at=None, closes_at__lte=until or self.at, fills=None)
        past = list(checks.order_by("opens_at"))
        for count, check in enumerate(past[: len(past) - skip_last]):
            self._reading(
                follow_up, check.due_at + timedelta(minutes=count % 23), f"36.{(count * 7) % 6 + 3}"
            )

    def _reading(self, follow_up: FollowUp, at: datetime, temperature: str, **changes: Any) -> None:
        worker = follow_up.worker
        body = {
            "submission_id": str(uuid5(NAMESPACE_URL, f"demo reading {worker.pk} {at.isoformat()}")),
            "taken_at": at.isoformat(),
            "temperature": temperature,
            "unit": "C",
            "method": "oral",
            **changes,
        }
        by = self.users["nurse"] if worker.phone_only else worker.user
        with acting(by.actor, "demo scenario", at=at):
            follow.log_reading(body=body, worker=worker, entered_by=by, at=at)

    def _fever_twice(self) -> None:
        """Day 12: a fever yesterday, seen by the nurse; another an hour ago."""
        follow_up = self._monitored("SG-1101", "heron", days=12, hour=11)
        yesterday = self.at - timedelta(hours=3)
        self._reading(follow_up, yesterday, "38.1")
        alert = follow_up.worker.alerts.get(cause="fever", closed_at=None)
        seen = yesterday + timedelta(minutes=20)
        with acting(self.users["nurse"].actor, "demo scenario", at=seen):
            attend.acknowledge_alert(alert=alert, by=self.users["nurse"], at=seen)
        self._reading(follow_up, self.at - timedelta(hours=1), "38.6", symptoms=["headache"])

    def _cleared(self) -> None:
        """The last day ended a week ago; the physician signed that evening."""
        breach = self._report("SG-1102", "curlew", self._moment(28, 14))
        self._spoken_with(breach)
        follow_up = FollowUp.objects.get(exposures__breach=breach)
        self._measure(follow_up)
        last = follow_up.checks.filter(withdrawn_at=None).order_by("opens_at").last()
        signed = last.closes_at
        physician = self.users["physician"]
        with acting(physician.actor, "demo scenario", at=signed):
            clear.sign_clearance(follow_up=follow_up, by=physician, at=signed)

    def _unconfirmed_cleaner(self) -> None:
        person = {"name": "Mara Tansy", "phone": "+351 900 000 777", "employer": "Brightwater Cleaning"}
        self._report(person, "heron", self.at - timedelta(minutes=25), facts={"contact": "splash"})

    def _exposed_again(self) -> None:
        """Exposed, and on day 9 once more: the days count from the second time."""
        follow_up = self._monitored("SG-1103", "heron", days=14)
        again = self._report("SG-1103", "heron", self._moment(5, 13), what_happened="bare_hand")
        self._spoken_with(again)
        self._measure(follow_up)

    def _on_nights(self) -> None:
        nurse, at = self.users["nurse"], self.at - timedelta(days=20)
        windows = (
            Window("first", time(8), time(9), time(12)),  # after the shift
            Window("second", time(18), time(20), time(22)),  # before it
        )
        with acting(nurse.actor, "demo scenario", at=at):
            follow.set_windows(worker=self.workers["SG-1104"], windows=windows, by=nurse, at=at)
        self._monitored("SG-1104", "curlew", days=6, hour=4)

    def _being_evaluated(self) -> None:
        follow_up = self._monitored("SG-1105", "heron", days=10, skip_last=1)
        fever = self._moment(1, 20)
        self._reading(follow_up, fever, "38.4", symptoms=["vomiting"])
        physician = self.users["physician"]
        at = min(fever + timedelta(hours=1), self.at)
        with acting(physician.actor, "demo scenario", at=at):
            reason = "Fever on day 9; sample taken."
            evaluate.begin_evaluation(follow_up=follow_up, reason=reason, by=physician, at=at)
        looked = self.at - timedelta(hours=1)
        with acting(physician.actor, "demo scenario", at=looked):
            for alert in follow_up.worker.alerts.filter(closed_at=None):
                attend.acknowledge_alert(alert=alert, by=physician, at=looked)

    def _vaccinated(self) -> None:
        follow_up = self._monitored("SG-1106", "lapwing", days=4, case="H7Q2K")
        at = self._moment(1, 15)
        with acting(self.users["nurse"].actor, "demo scenario", at=at):
            enter.record_protection(
                worker=follow_up.worker, kind="vaccine", what="Example vaccine, one dose", given_at=at,
                batch="EX-0001", by=self.users["nurse"], at=at,
            )  # fmt: skip

    def _by_phone(self) -> None:
        worker = self.workers["SG-1107"]
        worker.phone_only = True
        with acting("command:demo", "demo scenario", at=self.at - timedelta(days=20)):
            worker.save()
        self._monitored("SG-1107", "heron", days=8)

    def _observer_exposed(self) -> None:
        """The observer helped as the assistant and was splashed; a colleague reports it."""
        breach = self._report(
            "SG-1007", "curlew", self._moment(2, 16), reporter="nurse2", what_happened="splash_body"
        )
        self._spoken_with(breach)
        self._measure(FollowUp.objects.get(exposures__breach=breach))

    def _event_of_three(self) -> None:
        happened = self._moment(1, 11)
        with acting(self.users["observer"].actor, "demo scenario", at=happened):
            event = Event.objects.create(
                site=self.sites["saltmarsh"], title="Waste bag burst at Heron", occurred_at=happened
            )
        for number, skin in (("SG-1108", "intact"), ("SG-1109", "mucosa"), ("SG-1110", "no")):
            facts = {"contact": "splash", "skin": skin, "in_area": "yes"}
            breach = self._report(
                number, "heron", happened, event=str(event.uid), facts=facts, what_happened="other"
            )
            self._spoken_with(breach)
            for follow_up in FollowUp.objects.filter(exposures__breach=breach, ended_at=None):
                self._measure(follow_up)

    def _drill(self) -> None:
        drill = self._report("SG-1042", "lapwing", self._moment(16, 10), drill=True)
        nurse, at = self.users["nurse"], drill.reported_at + timedelta(hours=1)
        with acting(nurse.actor, "demo scenario", at=at):
            classify.confirm_breach(breach=drill, by=nurse, note="A drill: nobody was exposed.", at=at)

    def _negative_test(self) -> None:
        """A test taken 20 hours after onset came back negative: too early to rely on, a physician decides."""
        at = self._moment(6, 18)
        with acting(self.users["physician"].actor, "demo scenario", at=at):
            report.state_case(
                case=self.cases["negative"],
                pathogen="ebola",
                status=CaseStatement.Status.RULED_OUT,
                hours_since_onset=20,
                note="Blood taken 20 hours after onset: negative. Repeat after 72 hours.",
                seen=self.cases["negative"].statements.get(pathogen="ebola").uid,
                by=self.users["physician"],
                at=at,
            )

    def _other_zone(self) -> None:
        breach = self._report("FQ-2001", "plover", self._moment(5, 10, site="fenwick"), reporter="nurse")
        at = min(breach.reported_at + timedelta(minutes=40), self.at)
        physician = self.users["physician"]
        with acting(physician.actor, "demo scenario", at=at):
            tell.tell_worker(breach=breach, how="person", told_at=at, by=physician, at=at)
            classify.confirm_breach(breach=breach, by=physician, note="Seen at the clinic.", at=at)
        self._measure(FollowUp.objects.get(exposures__breach=breach))
