"""Two follow-ups of one pathogen become one, and two rows of one person become one record. Inside a transaction.

Exposures move with their history, their tasks and their restrictions. Readings and opened checks are written once
and stay where they are; `overview` reads them together.
"""

from datetime import datetime

from exposure.followup.models import FollowUp, PrivateNote, Protection
from exposure.people.models import Worker


def running_beside(follow_up: FollowUp, worker: Worker, at: datetime) -> FollowUp | None:
    """The worker's other follow-up of the pathogen that runs."""
    others = worker.follow_ups.running(at=at).filter(pathogen=follow_up.pathogen).exclude(pk=follow_up.pk)
    return others.select_related("worker__site", "site").first()


def move_exposures(follow_up: FollowUp, into: FollowUp) -> None:
    """All exposures of `follow_up`, withdrawn ones too, go to `into`, which has been open since the
    first of the two was: a silence before they were joined is a gap all the same."""
    into.opened_at = min(into.opened_at, follow_up.opened_at)
    into.save()
    for exposure in follow_up.exposures.all():
        exposure.follow_up = into
        exposure.save()


def move_person(worker: Worker, into: Worker) -> None:
    """What is kept of `worker` outside follow-ups goes to `into`: reports, removals, protections, the
    private note, and a telephone number where none is known."""
    for row in (*worker.breaches.all(), *worker.removals.all()):
        row.worker = into
        row.save()
    for given in worker.protections.all():
        same = {"kind": given.kind, "what": given.what, "given_at": given.given_at, "batch": given.batch}
        if not into.protections.filter(**same).exists():
            Protection.objects.create(worker=into, **same)
    if worker.phone and not into.phone:
        into.phone = worker.phone
        into.save()
    note = PrivateNote.objects.filter(worker=worker).first()
    if note is not None:
        kept, _fresh = PrivateNote.objects.get_or_create(worker=into)
        kept.fever_unreliable = kept.fever_unreliable or note.fever_unreliable
        kept.text = "\n".join(filter(None, (kept.text, note.text)))
        kept.save()
