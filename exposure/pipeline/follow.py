"""What is checked, and when: follow-ups that open, readings, times of one's own."""

import uuid
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from django.db import IntegrityError
from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.classify.models import Assessment
from exposure.followup import expected, opening, own_times, plans
from exposure.followup.entry import read_entry
from exposure.followup.models import FollowUp, Reading, UnplacedReading
from exposure.followup.schedule import Window
from exposure.followup.store_reading import Logged, follow_ups_taking_readings, log_entry
from exposure.people.access import require_on
from exposure.people.models import User, Worker
from exposure.people.policy import Deed
from exposure.pipeline import enter, turn
from exposure.refusal import BadSubmission, Conflict, Problem


def open_exposure(assessment: Assessment, at: datetime, by: User) -> FollowUp | None:
    """The follow-up that the assessed breach joins or opens. One signed off whose last day still runs goes on."""
    worker = assessment.breach.worker
    for signed_off in worker.follow_ups.filter(pathogen=assessment.pathogen, ended_at__gt=at):
        if plans.brings_follow_up(plans.plan_in_force(assessment)):
            turn.go_on(
                signed_off, _("Another exposure was reported before the last day had ended."), at, by.actor
            )
    opened = opening.open_exposure(assessment, at=at, by=by.actor)
    return opened[0] if opened else None


def log_reading(*, body: Any, worker: Worker, entered_by: User, at: datetime) -> Logged:
    """Store a reading, fill what it fills and raise what it raises, once per `submission_id`.

    What is refused comes back in `problems`; a refused entry that would have been a trigger is kept and has
    raised its alert. Raises BadSubmission (wrong JSON types) and Conflict.
    """
    worker = worker.same_as or worker
    if worker.user_id != entered_by.pk:
        require_on(entered_by, Deed.ENTER_READING, worker, at=at)
    entry = read_entry(body, at=at)
    for last_try in (False, True):
        standing = _standing_reading(entry.submission_id, worker, entry.sha256)
        if standing is not None:
            return standing
        try:
            with turn.of(worker, at=at) as own:
                worker = own.person(worker)
                follow_ups = follow_ups_taking_readings(worker, at=at)
                if not follow_ups:
                    raise BadSubmission(Problem("", _nobody_follows(worker, entered_by)))
                logged = log_entry(entry, worker, follow_ups, entered_by=entered_by, at=at)
                alerts.raise_for(logged, follow_ups[0], at=at)
                if logged.contact:
                    enter.note_contact(worker, by=entered_by, at=at)
                _void_clearances(follow_ups, logged, at)
                return logged
        except IntegrityError:
            if last_try:
                raise
    raise AssertionError("unreachable")


def _nobody_follows(worker: Worker, entered_by: User) -> str:
    words = _("No readings are asked of this person. If you feel ill, ring %(phone)s.")
    if worker.user_id != entered_by.pk:
        words = _(
            "Nobody follows this person up now, so that nothing is stored. Record an exposure first, or let the "
            "follow-up go on; a fever after an exposure waits for neither: act on it now."
        )
    return words % {"phone": worker.site.phone}


def _standing_reading(submission_id: uuid.UUID, worker: Worker, sha256: str) -> Logged | None:
    for model in (Reading, UnplacedReading):
        row = model.objects.filter(uid=submission_id).select_related("worker").first()
        if row is None:
            continue
        if worker.pk not in (row.worker_id, row.worker.same_as_id) or row.body_sha256 != sha256:
            raise Conflict
        if isinstance(row, UnplacedReading):
            problems = (Problem("", row.refused_because),)
            return Logged(row, (), "unplaced", tuple(row.triggers), problems)
        fills = tuple(
            fill.check_row for fill in row.fills.exclude(state="repeat_due").select_related("check_row")
        )
        return Logged(row, fills, row.state, tuple(row.triggers), ())
    return None


def _void_clearances(follow_ups: Iterable[FollowUp], logged: Logged, at: datetime) -> None:
    triggers = [code for code in logged.triggers if code != "masked"]
    if not triggers or logged.row is None:
        return
    for follow_up in follow_ups:
        because = _("A reading asked for a look before the last day had ended.")
        turn.go_on(follow_up, because, at, logged.row.recorded_by)


def set_windows(*, worker: Worker, windows: Sequence[Window], by: User, at: datetime) -> tuple[Window, ...]:
    """Give the worker's readings times of their own, as many as the site asks a day; none: back to the site's times.
    What has opened stays, the rest is planned anew. The same times again change nothing. Returns the times in force.

    Raises PermissionDenied for whoever is neither the worker nor a clinician who may, and BadSubmission for times
    that cannot be, at /windows/INDEX/FIELD.
    """
    worker = worker.same_as or worker
    if worker.user_id != by.pk:
        require_on(by, Deed.SET_TIMES, worker, at=at)
    with turn.of(worker, at=at) as own:
        worker = own.person(worker)
        follow_ups = list(worker.follow_ups.filter(ended_at=None).select_related("worker__site"))
        _require_possible(windows, worker, max(map(plans.min_hours_of, follow_ups), default=0))
        if own_times.store(worker, {window.name: window for window in windows}):
            for follow_up in follow_ups:
                turn.plan_readings(follow_up, at)
        return expected.windows_of(worker)


def _require_possible(windows: Sequence[Window], worker: Worker, min_hours: int) -> None:
    asked = len(expected.windows_of_site(worker.site))
    if windows and len(windows) != asked:
        words = _("Give times for %(asked)s readings a day, as the site asks.")
        raise BadSubmission(Problem("/windows", words % {"asked": asked}))
    problem = own_times.problem_with(windows, max(min_hours, plans.USUAL_MIN_HOURS))
    if problem is not None:
        raise BadSubmission(problem)
