"""Exposures that no report led to: recorded one by one or as a list; and when a contact was, corrected."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from exposure.attend import duties
from exposure.classify import assess
from exposure.classify.models import CriteriaVersion
from exposure.followup import opening
from exposure.followup.contact_list import ContactRow
from exposure.followup.listed import ListedContact, list_contacts, people_named, problems_of_recorded
from exposure.followup.models import Exposure
from exposure.people.access import require_on, visible
from exposure.people.models import User, Worker
from exposure.people.policy import IN_LISTS, Deed, View
from exposure.pipeline import tell, turn
from exposure.places.models import Site
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, NotYet, Problem, require_text
from exposure.report.models import Case
from exposure.report.moments import slip_in

Source = Exposure.Source
LISTS = (Source.CONTACT_LIST, Source.ROSTER)


def record_exposure(
    *,
    worker: Worker,
    pathogen: str,
    occurred_at: datetime,
    tier: str,
    source: str = Source.OUTSIDE,
    case: Case | None = None,
    note: str = "",
    told: str = "",
    by: User,
    at: datetime,
) -> Exposure:
    """An exposure outside, or of a list, under the tier's plan of the criteria that the site works with; `told`: how
    the worker was told of it just now. The same contact in the same tier again changes nothing. Raises BadSubmission
    at the field, and PermissionDenied."""
    worker = worker.same_as or worker
    require_on(by, Deed.RECORD_EXPOSURE, worker, at=at)
    site = case.site if case else worker.site
    version = assess.adopted(site, pathogen, at=at)
    problems = problems_of_recorded(version, tier, occurred_at, site, at)
    if version is None or problems:
        raise BadSubmission(*problems)
    contact = {"occurred_at": occurred_at, "source": source, "case": case}
    with turn.of(worker, at=at) as own:
        exposure = _record(own.person(worker), version, tier, site, note=note, by=by, at=at, **contact)
        if told and exposure.withdrawn_at is None:
            exposure = tell.tell_of_exposure(exposure=exposure, how=told, by=by, at=at)
        return exposure


def _record(
    worker: Worker,
    version: CriteriaVersion,
    tier: str,
    site: Site,
    *,
    note: str,
    by: User,
    at: datetime,
    **said: Any,
) -> Exposure:
    own = {"follow_up__worker": worker, "follow_up__pathogen": version.pathogen, "tier": tier}
    known = Exposure.objects.filter(**own, **said, corrects=None).first()
    if known is not None:  # also where it has been corrected or withdrawn since
        return known
    because = _("Another exposure was recorded before the last day had ended.")
    for signed_off in worker.follow_ups.filter(pathogen=version.pathogen, ended_at__gt=at):
        turn.go_on(signed_off, because, at, by.actor)
    exposure = opening.open_recorded(worker, version, tier, site=site, at=at, by=by.actor, note=note, **said)
    turn.plan_readings(exposure.follow_up, at)
    return exposure


def preview_contact_list(
    rows: Sequence[ContactRow],
    *,
    case: Case,
    pathogen: str,
    source: str = Source.CONTACT_LIST,
    by: User,
    at: datetime,
) -> list[ListedContact]:
    """What each line would record and what stands against it, from a fixed number of statements. Stores nothing, and
    tells nothing of people whom the reader does not see anyway."""
    require_on(by, Deed.RECORD_EXPOSURE, case, at=at)
    lines = list_contacts(rows, case=case, pathogen=pathogen, source=source, by=by, at=at)
    named = Worker.objects.filter(pk__in=[line.worker.pk for line in lines if line.worker is not None])
    seen = set(visible(by, named, *IN_LISTS, View.OWN, at=at).values_list("pk", flat=True))
    return [
        line
        if line.worker is None or line.worker.pk in seen
        else replace(line, worker=None, joins=False, recorded=False, elsewhere=True)
        for line in lines
    ]


def record_contact_list(
    *,
    rows: Sequence[ContactRow],
    case: Case,
    pathogen: str,
    source: str = Source.CONTACT_LIST,
    by: User,
    at: datetime,
) -> list[Exposure]:
    """All lines of a contact list or duty roster of one case, or none: BadSubmission names line and column, as
    /3/tier. The same list again changes nothing."""
    require_on(by, Deed.RECORD_EXPOSURE, case, at=at)
    if source not in LISTS:
        raise BadSubmission(Problem("/source", _("Say whether it is a contact list or a duty roster.")))
    with transaction.atomic():
        # One list of a case after the other: two at once would enter somebody new twice. Reports of it need not wait.
        Case.objects.select_for_update(no_key=True).get(pk=case.pk)
        taken = turn.one_at_a_time(*filter(None, people_named(rows, case)))
        lines = list_contacts(rows, case=case, pathogen=pathogen, source=source, by=by, at=at)
        problems = [
            Problem(f"/{line.row.line}{one.pointer}", one.message) for line in lines for one in line.problems
        ]
        if problems:
            raise BadSubmission(*problems)
        version = assess.adopted(case.site, pathogen, at=at)
        assert version is not None  # without one every line has a problem
        recorded = [
            _record(
                line.worker or _somebody_new(line.row, case),
                version,
                line.row.tier,
                case.site,
                occurred_at=line.occurred_at,
                source=source,
                case=case,
                note=line.row.note,
                by=by,
                at=at,
            )
            for line in lines
        ]
        new = {exposure.follow_up.worker for exposure in recorded}
        for worker in {*taken, *new}:
            duties.settle(worker, at=at)
        return recorded


def _somebody_new(row: ContactRow, case: Case) -> Worker:
    return Worker.objects.create(site=case.site, name=row.name, phone=row.phone, employer=row.employer)


def correct_exposure(
    *, exposure: Exposure, occurred_at: datetime, reason: str, by: User, at: datetime
) -> Exposure:
    """The contact was at another time: a new row with its own day 0 stands in for the old one, which is kept.

    Tasks go with it, and those that count from the exposure are dated anew. The same again changes nothing; where
    another time has been set since, what was sent is kept, and Conflict raised with the row that was corrected. Raises
    NotYet where the exposure no longer counts.
    """
    follow_up = exposure.follow_up
    require_on(by, Deed.RECORD_EXPOSURE, follow_up, at=at)
    if slip := slip_in(occurred_at, "/occurred_at", at=at):
        raise BadSubmission(slip)
    require_text(reason, "/reason", _("Say how you know the time."))
    with turn.of(follow_up.worker, at=at) as own, because_of(reason):
        exposure = Exposure.objects.select_for_update(of=("self",)).get(pk=exposure.pk)
        if exposure.withdrawn_at is not None:
            corrected = Exposure.objects.filter(corrects=exposure).first()
            if corrected is None:
                raise NotYet("no_longer_asked")
            if (corrected.occurred_at, exposure.withdrawn_reason.strip()) != (occurred_at, reason.strip()):
                said = {"occurred_at": occurred_at.isoformat(), "reason": reason}
                own.clash(_last_corrected(exposure), "correct", follow_up.worker, follow_up.site, **said)
            return corrected
        if exposure.occurred_at == occurred_at:
            return exposure
        corrected = opening.correct(exposure, occurred_at, reason=reason, at=at)
        follow_up = turn.locked_follow_up(corrected.follow_up)
        turn.go_on(follow_up, reason, at, by.actor)
        turn.plan_readings(follow_up, at)
        return corrected


def _last_corrected(exposure: Exposure) -> Exposure:
    """Of a row and those that stood in for it one after the other, the last that was corrected."""
    corrected = Exposure.objects.filter(corrects=exposure, withdrawn_at__isnull=False).first()
    if corrected is None or not Exposure.objects.filter(corrects=corrected).exists():
        return exposure
    return _last_corrected(corrected)
