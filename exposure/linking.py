"""Two records that prove to be one person's become one."""

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from exposure import pipeline
from exposure.followup import join, states
from exposure.followup.models import FollowUp, FollowUpState
from exposure.people.access import Deed, require_for
from exposure.people.models import User, Worker
from exposure.record import because as because_of
from exposure.report.submission import BadSubmission, Problem


def link_worker(*, worker: Worker, same_as: Worker, by: User, at: datetime) -> Worker:
    """Somebody who was typed in by name proves to be somebody on the list. Their open follow-ups of one pathogen
    become one; exposures move with their history, readings stay with the row they were entered for and are read
    with the others. Linking again changes nothing. Returns the worker on the list."""
    known = same_as.same_as or same_as
    for one in (worker, known):
        require_for(by, Deed.LINK, one, at=at)
    with transaction.atomic(), because_of(_("The same person as %(name)s.") % {"name": known.name}):
        pipeline.one_at_a_time(worker, known)
        worker = Worker.objects.get(pk=worker.pk)
        if worker.same_as_id == known.pk:
            return known
        if worker.pk == known.pk or worker.number or worker.user_id or worker.same_as_id:
            refused = _("Only somebody without number or account can be linked, and only once.")
            raise BadSubmission(Problem("/same_as", refused))
        join.move_person(worker, known, by=by, at=at)
        for row in (worker, *worker.also.all()):
            row.same_as = known
            row.save()
        for follow_up in worker.follow_ups.select_related("worker__site", "site"):
            _link_follow_up(follow_up, known, by, at)
        return known


def _link_follow_up(follow_up: FollowUp, known: Worker, by: User, at: datetime) -> None:
    """It becomes a follow-up of the other worker, or one with that worker's own, which goes on."""
    running = follow_up.ended_at is None or follow_up.ended_at > at
    own = join.running_beside(follow_up, known, at) if running else None
    if own is not None:
        reason = _("Goes on in the follow-up of %(name)s, the same person.") % {"name": known.name}
        for one in (follow_up, own):
            pipeline.go_on(one, reason, at, by.actor)
        join.move_exposures(follow_up, own, by=by, at=at)
        states.end(follow_up, FollowUpState.Kind.JOINED, at=at, ends_at=at, by=by.actor, reason=reason)
        pipeline.withdraw_unopened(follow_up, at)
    follow_up.worker = known
    follow_up.save()
    goes_on = own or follow_up
    if goes_on.ended_at is None:
        pipeline.plan_readings(goes_on, at)
