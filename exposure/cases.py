"""Cases: opened under a code, stated anew when more is known, closed. None of it moves anybody by itself.

Every function that writes asks `people.access` first and raises PermissionDenied.
"""

import re
import secrets
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from exposure.followup import alerts
from exposure.followup.models import Exposure, FollowUp
from exposure.followup.work_models import Alert
from exposure.people.access import Deed, require
from exposure.people.models import User
from exposure.places.models import Station
from exposure.report.models import Case, CaseStatement
from exposure.report.moments import slip_in
from exposure.report.submission import BadSubmission, Problem

EARLY_TEST = timedelta(hours=72)  # a negative test taken within 72 hours of onset is repeated; from memory
CONSONANTS = "BCDFGHJKMNPQRSTVWXZ"  # without vowels no code spells a name; L and Y are taken for others
DIGITS = "23456789"
CODE = re.compile(r"(?=.*[0-9])[A-Z0-9]+(-[A-Z0-9]+)*")
LONGEST_CODE = 20


def propose_code() -> str:
    """A random code that no case has, as K7M-V3J: a digit stands only between letters, so B is never taken for 8."""
    while True:
        code = "-".join(
            secrets.choice(CONSONANTS) + secrets.choice(DIGITS) + secrets.choice(CONSONANTS)
            for _group in "ab"
        )
        if not Case.objects.filter(code=code).exists():
            return code


def open_case(*, station: Station, code: str, opened_at: datetime, by: User, at: datetime) -> Case:
    """Open a case at the station since `opened_at`: reports of what happened there from then on take it up. The same
    code again at the same station changes nothing. Raises BadSubmission at the field."""
    require(by, Deed.STATE_CASE, station.site_id, at=at)
    code = code.strip().upper()
    if len(code) > LONGEST_CODE or not CODE.fullmatch(code):
        message = _(
            "Use capital letters and digits, at least one digit, at most %(most)s in all. Never a name."
        )
        raise BadSubmission(Problem("/code", message % {"most": LONGEST_CODE}))
    if slip := slip_in(opened_at, "/opened_at", at=at):
        raise BadSubmission(slip)
    said = {"site": station.site, "station": station, "opened_at": opened_at}
    case, _fresh = Case.objects.get_or_create(code=code, defaults=said)
    if case.station_id != station.pk or case.closed_at is not None:
        raise BadSubmission(Problem("/code", _("Another case has this code. Take a new one.")))
    return case


def close_case(*, case: Case, by: User, at: datetime) -> Case:
    """Reports of what happens at the station from now on no longer take it up; follow-ups run on. Once."""
    require(by, Deed.STATE_CASE, case.site_id, at=at)
    with transaction.atomic():
        case = Case.objects.select_for_update(no_key=True).get(pk=case.pk)
        if case.closed_at is None:
            case.closed_at = at
            case.save()
        return case


def state_case(
    *,
    case: Case,
    pathogen: str,
    status: str,
    onset_on: date | None = None,
    hours_since_onset: int | None = None,
    facts: dict[str, Any] | None = None,
    note: str = "",
    by: User,
    at: datetime,
) -> CaseStatement:
    """State anew what a case has. It moves nobody: each linked follow-up that runs gets an alert, so that a
    physician decides; where the pathogen is new to the case, also those for its other ones. The same statement again
    changes nothing."""
    require(by, Deed.STATE_CASE, case.site_id, at=at)
    if status not in CaseStatement.Status.values:
        raise BadSubmission(Problem("/status", _("Say whether it is suspected, confirmed or ruled out.")))
    said = {
        "status": status,
        "onset_on": onset_on,
        "hours_since_onset": hours_since_onset,
        "facts": facts or {},
        "note": note,
    }
    with transaction.atomic():
        Case.objects.select_for_update(no_key=True).get(pk=case.pk)
        newest = case.statements.filter(pathogen=pathogen).last()
        if newest is not None and all(getattr(newest, name) == value for name, value in said.items()):
            return newest
        statement = CaseStatement.objects.create(case=case, pathogen=pathogen, **said)
        because = _case_changed(case, statement)
        for follow_up in linked_follow_ups(case, pathogen if newest else None, at=at):
            alerts.raise_alert(
                follow_up, Alert.Cause.CASE_CHANGED, because, site=follow_up.site, at=at, urgent=False
            )
        return statement


def exposures_to(cases: Iterable[Case]) -> QuerySet[Exposure]:
    """The standing exposures to any of the cases, reported or recorded."""
    cases = list(cases)
    return Exposure.objects.filter(Q(breach__case__in=cases) | Q(case__in=cases), withdrawn_at=None)


def linked_follow_ups(case: Case, pathogen: str | None = None, *, at: datetime) -> QuerySet[FollowUp]:
    """The running follow-ups with a standing exposure to the case."""
    running = FollowUp.objects.running(at=at).filter(exposures__in=exposures_to([case]))
    if pathogen is not None:
        running = running.filter(pathogen=pathogen)
    return running.distinct().select_related("worker", "site")


def cases_of(follow_up: FollowUp) -> QuerySet[Case]:
    """The cases that its standing exposures belong to."""
    standing = follow_up.exposures.filter(withdrawn_at=None)
    return Case.objects.filter(Q(exposures__in=standing) | Q(breaches__exposures__in=standing)).distinct()


def tested_early(statement: CaseStatement) -> bool:
    """Whether it was ruled out by a test so soon after the onset that it is usually repeated."""
    hours = statement.hours_since_onset
    ruled_out = statement.status == CaseStatement.Status.RULED_OUT
    return ruled_out and hours is not None and timedelta(hours=hours) < EARLY_TEST


def _case_changed(case: Case, statement: CaseStatement) -> str:
    words = _("Case %(case)s, %(pathogen)s: now %(status)s.") % {
        "case": case.code,
        "pathogen": statement.pathogen,
        "status": statement.get_status_display(),
    }
    if tested_early(statement):
        words += " " + _(
            "The test was taken %(hours)s hours after onset, before 72 hours: it is usually repeated."
        ) % {"hours": statement.hours_since_onset}
    return words
