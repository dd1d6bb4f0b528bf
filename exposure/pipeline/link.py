"""Two records that prove to be one person's."""

from datetime import datetime

from django.utils.translation import gettext as _

from exposure.attend import alerts, duties
from exposure.followup import join, states
from exposure.followup.models import FollowUp, FollowUpState
from exposure.people.access import require_on
from exposure.people.models import User, Worker
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, Problem


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
