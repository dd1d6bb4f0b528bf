"""Break-glass: a clinician opens the record of somebody whom no site of theirs follows up, for a reason and an hour."""

from datetime import datetime, timedelta

from django.utils.translation import gettext as _

from exposure.people.access import require
from exposure.people.models import BrokenGlass, User, Worker
from exposure.people.policy import Deed
from exposure.refusal import BadSubmission, Problem

OPEN_FOR = timedelta(minutes=60)  # common practice, no source
LEAST = 10  # characters of a reason that says something


def break_glass(*, number: str, reason: str, by: User, at: datetime) -> BrokenGlass:
    """Open the record of the worker with this number; whoever has opened it within the hour has it open until then.

    Raises BadSubmission where nobody has the number, where it is the caller's own, and for a reason that says nothing.
    """
    require(by, Deed.BREAK_GLASS, None, at=at)
    problems = []
    worker = Worker.objects.select_related("same_as").filter(number__iexact=number.strip()).first()
    worker = (worker.same_as or worker) if worker else None
    if worker is None:
        problems.append(Problem("/number", _("Nobody has this number.")))
    elif worker.user_id == by.pk:
        problems.append(Problem("/number", _("This is you: nobody opens their own record.")))
    if len(reason.strip()) < LEAST:
        problems.append(Problem("/reason", _("Say it so that somebody else can judge it.")))
    if problems or worker is None:
        raise BadSubmission(*problems)
    standing = opened(by, worker, at=at)
    return standing or BrokenGlass.objects.create(
        user=by, worker=worker, reason=reason.strip(), until_at=at + OPEN_FOR
    )


def opened(user: User, worker: Worker, *, at: datetime) -> BrokenGlass | None:
    """How the account holds this record open now, if it does."""
    return user.broken_glass.filter(worker=worker, recorded_at__lte=at, until_at__gt=at).last()
