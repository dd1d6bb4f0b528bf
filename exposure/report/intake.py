"""Turn a submission into a stored breach. Whatever cannot be placed is kept and flagged, never refused."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from exposure.people import station_pins
from exposure.people.access import roles_of
from exposure.people.models import User, Worker
from exposure.places.models import FailureType, FirstAidCard, Site, Station, Step
from exposure.record import Recorded
from exposure.report.flags import capped
from exposure.report.models import Breach, Case, Removal
from exposure.report.removals import named_in
from exposure.report.submission import Submission, read_instant, reference

CLOCK_GRACE = timedelta(minutes=10)

# A report with one of these is treated at the highest tier until a nurse has spoken with the worker.
TREATED_AT_HIGHEST = frozenset(
    {
        "unlisted_person",
        "nobody_named",
        "unknown_worker",
        "time_unreadable",
        "time_in_future",
        "time_long_ago",
        "contradictory",
        "outdated_facts",
        "criteria_retired",
    }
)


@transaction.atomic
def store_breach(submission: Submission, *, reporter: User, at: datetime) -> Breach:
    """Store the report as it came, with what could be understood of it. Raises IntegrityError if its id stands."""
    flags = list(submission.flags)
    texts = submission.texts
    station = _station(texts["station"], reporter, flags)
    case = _find(Case, texts["case"], "unknown_case", flags, by="code")
    # A tablet sends what went wrong at once, and the removal when it is over.
    awaited = "removal_awaited" if reporter.device_of_id else "unknown_removal"
    removal = _find(Removal, texts["removal"], awaited, flags, by="uid")
    site = _site(station, case, reporter, at)
    worker = _worker(submission, site, flags)
    occurred_at, happened_at = _moments(texts["occurred_at"], site, flags, at)
    if station is not None and not texts["case"]:
        standing = cases_open(station, at=happened_at)
        case = standing[0] if len(standing) == 1 else None
    phase = texts["phase"] or Breach.Phase.REMOVAL
    if phase not in Breach.Phase.values:
        flags.append("unknown_phase")
        phase = Breach.Phase.REMOVAL
    _flag_unknown_codes(texts, submission, flags)
    observed = _observed(submission.observer, reporter, flags, at)
    observer = observed.get("observed_by")
    # A tablet reports in its own name: whoever says there that they observe is the one who answers.
    if worker.user_id is not None and worker.user_id in (reporter.pk, observer and observer.pk):
        flags.append("self_answered")
    return Breach.objects.create(
        uid=submission.submission_id,
        site=site,
        station=station,
        worker=worker,
        reported_by=reporter,
        reported_at=at,
        occurred_at=occurred_at,
        happened_at=happened_at,
        case=case,
        phase=phase,
        drill=submission.drill,
        protocol_step=texts["step"][:60],
        removal=removal,
        facts=submission.facts,
        criteria_version=texts["criteria_version"][:60],
        what_happened=texts["what_happened"][:60],
        first_aid=list(submission.first_aid),
        narrative=texts["narrative"],
        body=submission.body,
        body_sha256=submission.sha256,
        **observed,
        flags=capped(flags),
        reference=reference(submission.submission_id),
    )


def cases_open(station: Station, *, at: datetime) -> list[Case]:
    """The station's cases that were open at that moment."""
    return list(Case.objects.filter(station=station, opened_at__lte=at).exclude(closed_at__lte=at))


def _find(model: type[Recorded], text: str, flag: str, flags: list[str], *, by: str) -> Recorded | None:
    """The row that the text names; a text that names none is flagged."""
    if not text:
        return None
    if by == "uid":
        try:
            uuid.UUID(text)
        except ValueError:
            flags.append(flag)
            return None
    row = model.objects.filter(**{by: text}).first()
    if row is None:
        flags.append(flag)
    return row


def _station(text: str, reporter: User, flags: list[str]) -> Station | None:
    """The station named; else where the device belongs that reports."""
    station = _find(Station, text, "unknown_station", flags, by="code")
    belongs = reporter.device_of
    if not text and belongs is None:
        flags.append("station_missing")
    if station is not None and belongs not in (None, station):
        flags.append("other_station")
    return station or belongs


def _site(station: Station | None, case: Case | None, reporter: User, at: datetime) -> Site:
    """Where it happened; without a station, where the reporter works."""
    if station is not None:
        return station.site
    if case is not None:
        return case.site
    if hasattr(reporter, "worker"):
        return reporter.worker.site
    sites = [role.site for role in roles_of(reporter, at=at) if role.site_id]
    return sites[0] if sites else Site.objects.order_by("pk").first()


def _worker(submission: Submission, site: Site, flags: list[str]) -> Worker:
    """The worker by number or uid; whoever is on no list becomes a worker without number at once.

    `person` beside a worker's uid: they were named at the station before the report and are on no list either.
    """
    text, person = submission.texts["worker"], submission.person or {"name": "", "phone": "", "employer": ""}
    # While somebody finds that a record is another person's, this waits, and then finds that person.
    people = Worker.objects.select_for_update(no_key=True)
    if text:
        worker = people.filter(number=text).first()
        if worker is None and len(text) >= 32:
            try:
                worker = people.filter(uid=uuid.UUID(text)).first()
            except ValueError:
                worker = None
        if worker is not None:
            if complete_person(worker, submission.person):
                flags.append("unlisted_person")
            return worker.same_as or worker
        flags.append("unknown_worker")
        name = text
    else:
        flags.append("unlisted_person" if person["name"] else "nobody_named")
        name = person["name"]
    already = named_in(submission.texts["removal"], name, site)
    if already is not None:
        complete_person(already, submission.person)
        return already
    return Worker.objects.create(
        site=site, name=name[:200], phone=person["phone"][:40], employer=person["employer"][:200]
    )


def complete_person(worker: Worker, person: dict[str, str] | None) -> bool:
    """Take over how to reach somebody, where the worker is on no list; what is known of them already stays. Whether the
    two are one: a worker on no list, described as a person."""
    if not person or worker.number is not None or worker.user_id is not None or worker.same_as_id is not None:
        return False
    given = {"phone": person["phone"][:40], "employer": person["employer"][:200]}
    fresh = {name: text for name, text in given.items() if text and not getattr(worker, name)}
    for name, text in fresh.items():
        setattr(worker, name, text)
    if fresh:
        worker.save()
    return True


def _observed(badge: str | None, reporter: User, flags: list[str], at: datetime) -> dict[str, Any]:
    """Who observed, as a station's tablet states it: not proved until the digits are checked, after the report is
    stored. Whoever is no tablet observes themself, signed in."""
    if badge is None or reporter.device_of is None:
        return {}
    flags.append("observer_not_proved")
    observer = station_pins.observer_with(badge, reporter.device_of.site, at=at)
    return {"observed_by": observer, "observed_how": Breach.Observed.STATED}


def _moments(text: str, site: Site, flags: list[str], at: datetime) -> tuple[datetime | None, datetime]:
    """(as reported, as counted): an implausible or missing time counts from the report, so that nobody is
    left without follow-up, and a nurse is asked."""
    if not text:
        flags.append("time_missing")
        return None, at
    occurred_at = read_instant(text)
    if occurred_at is None:
        flags.append("time_unreadable")
        return None, at
    if occurred_at.tzinfo is None:
        flags.append("time_without_zone")
        try:
            occurred_at = occurred_at.replace(tzinfo=ZoneInfo(site.zone)).astimezone(UTC)
        except OverflowError:  # the zone's offset leads out of the calendar
            flags.append("time_unreadable")
            return None, at
    if occurred_at > at + CLOCK_GRACE:
        flags.append("time_in_future")
        return occurred_at, at
    if occurred_at < at - timedelta(days=site.default_days):
        flags.append("time_long_ago")
        return occurred_at, at
    return occurred_at, occurred_at


def _flag_unknown_codes(texts: dict[str, str], submission: Submission, flags: list[str]) -> None:
    if texts["step"] and not Step.objects.filter(code=texts["step"]).exists():
        flags.append("unknown_step")
    code = texts["what_happened"]
    if code and code != "other" and not FailureType.objects.filter(code=code).exists():
        flags.append("unknown_failure")
    # Against all cards, which are few: a report may name any number of codes.
    known = {"other", *FirstAidCard.objects.values_list("code", flat=True)}
    if not known.issuperset(submission.first_aid):
        flags.append("unknown_first_aid")
