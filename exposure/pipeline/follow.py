"""What is checked, and when: exposures, readings, times, evaluation, two records that prove to be one person's."""

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from exposure.attend import alerts, duties
from exposure.classify import assess
from exposure.classify.models import Assessment, CriteriaVersion
from exposure.followup import expected, join, opening, own_times, plans, states
from exposure.followup.contact_list import ContactRow
from exposure.followup.entry import read_entry
from exposure.followup.finding import finding_in_words
from exposure.followup.listed import ListedContact, list_contacts, people_named, problems_of_recorded
from exposure.followup.models import Exposure, FollowUp, FollowUpState, Reading, UnplacedReading
from exposure.followup.schedule import Window
from exposure.followup.store_reading import Logged, follow_ups_taking_readings, log_entry
from exposure.people.access import holds, require_on, visible
from exposure.people.models import Role, User, Worker
from exposure.people.policy import IN_LISTS, Deed, View
from exposure.pipeline import attend, turn
from exposure.places.models import Site
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem, require_text
from exposure.report.models import Case
from exposure.report.moments import slip_in

Kind = FollowUpState.Kind
Source = Exposure.Source
LISTS = (Source.CONTACT_LIST, Source.ROSTER)


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
                    attend.note_contact(worker, by=entered_by, at=at)
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
            exposure = attend.tell_of_exposure(exposure=exposure, how=told, by=by, at=at)
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


def begin_evaluation(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUpState:
    """The worker is being looked at: reminders and missed readings pause, the days count on. Beginning it again with
    the same words changes nothing; with others, what was sent is kept, and Conflict raised."""
    return _enter(follow_up, Kind.EVALUATED, reason, by, at)


def admit(*, follow_up: FollowUp, reason: str, by: User, at: datetime) -> FollowUpState:
    """In hospital: the ward enters the readings. Again as in `begin_evaluation`."""
    return _enter(follow_up, Kind.ADMITTED, reason, by, at)


def return_to_monitoring(
    *,
    follow_up: FollowUp,
    finding: str = "",
    diagnosis: str = "",
    test: str = "",
    hours_since_onset: int | None = None,
    by: User,
    at: datetime,
) -> FollowUpState:
    """Back to what it was before: provisional, or monitored. Only a physician may, naming the diagnosis, or a test with
    its result and its hours since onset; or in `finding` what else was found. What was asked meanwhile is explained by
    it. The same again changes nothing; another finding is kept, and Conflict raised with what stands.

    Raises BadSubmission at the field, and NotYet where there is nothing to return from.
    """
    if not holds(by, {Role.Kind.PHYSICIAN}, follow_up.site_id, at=at):
        raise PermissionDenied
    require_on(by, Deed.DECIDE_STATE, follow_up, at=at)
    reason = finding_in_words(finding, diagnosis=diagnosis, test=test, hours_since_onset=hours_since_onset)
    with turn.of(follow_up.worker, at=at) as own, because_of(reason):
        follow_up = turn.locked_follow_up(follow_up)
        if follow_up.ended_at is not None and follow_up.ended_at <= at:
            raise NotYet("ended")
        if states.pause_of(follow_up):
            return states.return_from_pause(follow_up, reason=reason, at=at, by=by.actor)
        returned = states.return_of(follow_up)
        if returned is None:
            raise NotYet("not_paused")
        if returned.reason != reason:
            own.clash(returned, "return", follow_up.worker, follow_up.site, reason=reason)
        return returned


def _enter(follow_up: FollowUp, kind: str, reason: str, by: User, at: datetime) -> FollowUpState:
    require_on(by, Deed.DECIDE_STATE, follow_up, at=at)
    require_text(reason, "/reason", _("Say what was found or decided."))
    with turn.of(follow_up.worker, at=at) as own, because_of(reason):
        follow_up = turn.locked_follow_up(follow_up)
        turn.go_on(follow_up, reason, at, by.actor)
        if follow_up.ended_at is not None:
            raise NotYet("ended")
        standing = states.state_of(follow_up)
        if standing is not None and standing.kind == kind and standing.reason.strip() != reason.strip():
            own.clash(standing, kind, follow_up.worker, follow_up.site, reason=reason)
        turn.drop_calls([follow_up], because="paused", at=at)
        return states.enter_state(follow_up, kind, at=at, by=by.actor, reason=reason)


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


@turn.again_after_deadlock
def link_worker(*, worker: Worker, same_as: Worker, by: User, at: datetime) -> Worker:
    """Somebody who was typed in by name proves to be somebody on the list. Their open follow-ups of one pathogen
    become one; exposures move with their history, readings stay with the row they were entered for and are read
    with the others. Linking again changes nothing; to somebody else, what was sent is kept and Conflict raised.
    Returns the worker on the list."""
    for person in (worker, same_as.same_as or same_as):
        require_on(by, Deed.LINK, person, at=at)
    with (
        turn.of(worker, same_as, at=at) as own,
        because_of(_("The same person as %(name)s.") % {"name": same_as}),
    ):
        worker = Worker.objects.get(pk=worker.pk)
        same_as = Worker.objects.get(pk=same_as.pk)
        known = same_as.same_as or same_as
        if worker.same_as is not None:
            if worker.same_as_id != known.pk:
                own.clash(worker, "link", worker.same_as, worker.site, same_as=str(known.uid))
            return worker.same_as
        if worker.pk == known.pk and same_as.same_as_id == worker.pk:
            return worker  # the other way round it is the same link
        if worker.pk == known.pk or worker.number or worker.user_id:
            refused = _("Only somebody without number or account can be linked, and only once.")
            raise BadSubmission(Problem("/same_as", refused))
        join.move_person(worker, known)
        alerts.move(worker, known, by, at)
        for row in (worker, *worker.also.all()):
            row.same_as = known
            row.save()
        for follow_up in worker.follow_ups.select_related("worker__site", "site"):
            _link_follow_up(follow_up, known, by, at)
        duties.move(worker, known, at=at)
        return known


def _link_follow_up(follow_up: FollowUp, known: Worker, by: User, at: datetime) -> None:
    """It becomes a follow-up of the other worker, or one with that worker's own, which goes on."""
    running = follow_up.ended_at is None or follow_up.ended_at > at
    own = join.running_beside(follow_up, known, at) if running else None
    if own is not None:
        reason = _("Goes on in the follow-up of %(name)s, the same person.") % {"name": known.name}
        for one in (follow_up, own):
            turn.go_on(one, reason, at, by.actor)
        join.move_exposures(follow_up, own)
        alerts.move(follow_up, own, by, at)
        states.end(follow_up, FollowUpState.Kind.JOINED, at=at, ends_at=at, by=by.actor, reason=reason)
        turn.withdraw_unopened(follow_up, at)
    follow_up.worker = known
    follow_up.save()
    goes_on = own or follow_up
    if goes_on.ended_at is None:
        turn.plan_readings(goes_on, at)
