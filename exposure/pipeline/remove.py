"""Equipment is taken off: a removal is started, watched step by step, marked where something went wrong, finished.

Whoever holds a role at the station's site, or works there, may start one; after that it is the observer's own, and to
everybody else it is not there. Each tap may arrive twice and counts once.
"""

from datetime import datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet
from django.http import Http404
from django.utils.translation import gettext as _

from exposure.people.access import find, roles_of
from exposure.people.models import User, Worker
from exposure.people.policy import AT_STATIONS, View
from exposure.places.first_aid import failures_of
from exposure.places.models import FailureType, Protocol, Station, Step
from exposure.refusal import BadSubmission, NotYet, Problem
from exposure.report.models import Mark, Removal
from exposure.report.removals import may_undo, may_undo_finish, open_marks, running

ONE_TAP = timedelta(minutes=2)  # starting the same removal again within this is a double tap


def stations_of(user: User, *, at: datetime) -> QuerySet[Station]:
    """The stations of every site where the account works, or holds a role that does; none for one that is switched
    off."""
    stations = Station.objects.select_related("site")
    if not user.is_authenticated or not user.is_active:
        return stations.none()
    roles = [role for role in roles_of(user, at=at) if role.kind in AT_STATIONS]
    if any(role.site_id is None for role in roles):
        return stations
    sites = {role.site_id for role in roles}
    if hasattr(user, "worker"):
        sites.add(user.worker.site_id)
    return stations.filter(site__in=sites)


def start_removal(
    *,
    station: Station,
    protocol: Protocol,
    worker: Worker | None = None,
    unlisted: str = "",
    drill: bool,
    watched: str = Removal.Watched.OBSERVER,
    by: User,
    at: datetime,
) -> Removal:
    """Begin at the first step, entered by `by`; a second tap on the same start returns the first.

    `unlisted`: the name or number, as typed, of somebody who is on no list. Nobody waits at the station for a list to
    be right: they become a worker without number at once, and the removal says so. Raises Http404 for somebody else's
    station, BadSubmission for a protocol that is not in use there.
    """
    if not stations_of(by, at=at).filter(pk=station.pk).exists():
        raise Http404
    if not station.protocols.filter(pk=protocol.pk).exists():
        raise BadSubmission(Problem("/protocol", _("Choose a protocol that is in use at this station.")))
    unlisted = unlisted.strip()[:200]
    if worker is not None:
        worker = worker.same_as or worker
    with transaction.atomic():
        User.objects.select_for_update().get(pk=by.pk)  # two taps at once wait for each other here
        for removal in running(station, by):
            same = (removal.protocol_id, removal.drill) == (protocol.pk, drill)
            if same and removal.started_at >= at - ONE_TAP and _is_of(removal, worker, unlisted):
                return removal
        if worker is None and unlisted:
            worker = Worker.objects.create(site=station.site, name=unlisted)
        return Removal.objects.create(
            site=station.site,
            station=station,
            protocol=protocol,
            worker=worker,
            unlisted=worker is not None and nobody_can_call(worker),
            observer=by,
            watched=watched,
            drill=drill,
            started_at=at,
        )


def nobody_can_call(worker: Worker) -> bool:
    """Whether the worker is on no list, and no telephone number of theirs is known either."""
    return worker.number is None and worker.user_id is None and not worker.phone


def _is_of(removal: Removal, worker: Worker | None, unlisted: str) -> bool:
    if worker is None and unlisted:
        return removal.unlisted and removal.worker is not None and removal.worker.name == unlisted
    return removal.worker_id == (worker.pk if worker else None)


def reach_step(*, removal: Removal, left: int, position: int, by: User, at: datetime) -> Removal:
    """Go from the step that was on the screen (`left`) to another. A tap made on a page that the removal has left
    meanwhile moves nothing; nor does a step that the protocol has not."""
    with transaction.atomic():
        removal = _own_removal(removal, by, at)
        there = removal.protocol.steps.filter(position=position).exists()
        stands = removal.finished_at is not None or removal.paused_at is not None
        if not stands and removal.at_step == left and there:
            removal.at_step = position
            removal.save()
        return removal


def pause_removal(*, removal: Removal, paused: bool, by: User, at: datetime) -> Removal:
    """It stands still, or goes on. While it stands no step is done; whatever goes wrong is marked all the same."""
    with transaction.atomic():
        removal = _own_removal(removal, by, at)
        if removal.finished_at is None and (removal.paused_at is not None) != paused:
            removal.paused_at = at if paused else None
            removal.save()
        return removal


def take_way_out(*, removal: Removal, out: bool, by: User, at: datetime) -> Removal:
    """From here by the shortest safe way that the protocol names, or back to all of its steps. On the way out the next
    step is the first of those steps that is not done yet; a pause is over."""
    with transaction.atomic():
        removal = _own_removal(removal, by, at)
        if removal.finished_at is None and (removal.way_out_at is not None) != out:
            removal.way_out_at = at if out else None
            ahead = removal.protocol.steps.filter(way_out=True, position__gte=removal.at_step)
            first = ahead.order_by("position").first() if out else None
            removal.at_step = first.position if first else removal.at_step
            removal.paused_at = None if out else removal.paused_at
            removal.save()
        return removal


def finish_removal(
    *, removal: Removal, by: User, at: datetime, left: int | None = None, nothing_seen: bool = False
) -> Removal:
    """The worker is out. `left`: as for `reach_step`, where it is said by finishing a step. Raises NotYet where nothing
    is said to have been seen while a mark is open."""
    with transaction.atomic():
        removal = _own_removal(removal, by, at)
        if removal.finished_at is not None or (left is not None and removal.at_step != left):
            return removal
        if nothing_seen and open_marks(removal):
            raise NotYet("open_marks")
        removal.finished_at, removal.paused_at = at, None
        removal.save()
        return removal


def undo_finish(*, removal: Removal, by: User, at: datetime) -> Removal:
    """The worker is not out yet: the removal goes on where it stood. The history keeps both. Raises NotYet once it is
    too late for a slip of the hand."""
    with transaction.atomic():
        removal = _own_removal(removal, by, at)
        if removal.finished_at is not None:
            if not may_undo_finish(removal, at=at):
                raise NotYet("too_late")
            removal.finished_at = None
            removal.save()
        return removal


def mark_step(
    *,
    removal: Removal,
    step: Step,
    uid: UUID,
    by: User,
    at: datetime,
    failure: FailureType | None = None,
    emergency: str = "",
    tapped_at: datetime | None = None,
) -> Mark:
    """The one tap: step and moment are stored at once, before anything is asked. The same `uid` again returns the first
    mark. `tapped_at`: when the finger was there, where the tap arrives later. `emergency`: what went wrong is the
    failure type behind that button in this protocol; a code that no card carries leaves it open, so that the tap is not
    lost."""
    with transaction.atomic():
        removal = _own_removal(removal, by, at)
        if step.protocol_id != removal.protocol_id:
            raise Http404
        if emergency:
            failure = next(iter(failures_of(emergency, [removal.protocol])), None)
        moment = min(tapped_at or at, at)
        said = {"removal": removal, "step": step, "failure": failure, "marked_at": moment}
        mark, _fresh = Mark.objects.get_or_create(uid=uid, defaults=said)
        if mark.removal_id != removal.pk:
            raise Http404
        return mark


def name_failure(*, mark: Mark, failure: FailureType, by: User, at: datetime) -> Mark:
    """Say what went wrong at a mark; it can be said again until the mark is a deviation or a report."""
    with transaction.atomic():
        mark = _own_mark(mark, by, at)
        if mark.breach_id is None and mark.deviation_at is None and mark.failure_id != failure.pk:
            mark.failure = failure
            mark.save()
        return mark


def begin_first_aid(*, mark: Mark, by: User, at: datetime) -> Mark:
    """Rinsing or washing has begun. Once: the length of the card counts from the first tap."""
    with transaction.atomic():
        mark = _own_mark(mark, by, at)
        if mark.aid_begun_at is None:
            mark.aid_begun_at = at
            mark.save()
        return mark


def note_deviation(*, mark: Mark, by: User, at: datetime, named: str = "") -> Mark:
    """No contact was possible: noted, done. Raises NotYet where what was marked pierces or reaches eyes, nose, mouth or
    broken skin, until it is said again by somebody who was asked with that failure type's code `named`."""
    with transaction.atomic():
        mark = _own_mark(mark, by, at)
        if mark.breach_id is None and mark.deviation_at is None:
            if mark.failure is not None and mark.failure.bloodborne and named != mark.failure.code:
                raise NotYet("contact_marked")
            mark.deviation_at = at
            mark.save()
        return mark


def undo_deviation(*, mark: Mark, by: User, at: datetime) -> Mark:
    """Take “no contact possible” back: the question is open again, and waits anew before it is sent as it stands. The
    history keeps both. Raises NotYet once it is too late; a report is made then."""
    with transaction.atomic():
        mark = _own_mark(mark, by, at)
        if mark.deviation_at is not None:
            if not may_undo(mark, at=at):
                raise NotYet("too_late")
            mark.deviation_at, mark.reopened_at = None, at
            mark.save()
        return mark


def _own_removal(removal: Removal, by: User, at: datetime) -> Removal:
    rows = Removal.objects.select_for_update(of=("self",)).select_related("protocol")
    return find(by, rows, View.AUTHOR, at=at, pk=removal.pk)


def _own_mark(mark: Mark, by: User, at: datetime) -> Mark:
    rows = Mark.objects.select_for_update(of=("self",)).select_related("removal", "failure")
    return find(by, rows, View.AUTHOR, at=at, pk=mark.pk)
