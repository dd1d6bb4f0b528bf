"""Two follow-ups of one pathogen become one, and two rows of one person become one record. Inside a transaction.

Exposures move with their history, their tasks and their restrictions. Readings and opened checks are written once
and stay where they are; `overview` reads them together.
"""

from datetime import datetime

from django.utils.translation import gettext as _

from exposure.followup.alerts import close, raise_alert
from exposure.followup.models import FollowUp, PrivateNote, Protection
from exposure.followup.work_models import Alert
from exposure.people.models import User, Worker


def running_beside(follow_up: FollowUp, worker: Worker, at: datetime) -> FollowUp | None:
    """The worker's other follow-up of the pathogen that runs."""
    others = worker.follow_ups.running(at=at).filter(pathogen=follow_up.pathogen).exclude(pk=follow_up.pk)
    return others.select_related("worker__site", "site").first()


def move_exposures(follow_up: FollowUp, into: FollowUp, *, by: User, at: datetime) -> None:
    """All exposures of `follow_up`, withdrawn ones too, and its open alerts go to `into`, which has been open since the
    first of the two was: a silence before they were joined is a gap all the same."""
    into.opened_at = min(into.opened_at, follow_up.opened_at)
    into.save()
    for exposure in follow_up.exposures.all():
        exposure.follow_up = into
        exposure.save()
    _move_alerts(follow_up, into, by, at)


def move_person(worker: Worker, into: Worker, *, by: User, at: datetime) -> None:
    """What is kept of `worker` outside follow-ups goes to `into`: reports, removals, open alerts, protections, the
    private note, and a telephone number where none is known."""
    for row in (*worker.breaches.all(), *worker.removals.all()):
        row.worker = into
        row.save()
    _move_alerts(worker, into, by, at)
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


def _move_alerts(subject: FollowUp | Worker, into: FollowUp | Worker, by: User, at: datetime) -> None:
    """Open alerts are raised anew, so that somebody looks with the whole record before them."""
    for alert in subject.alerts.filter(closed_at=None):
        reading = alert.entries.filter(reading__isnull=False).last()
        unplaced = alert.entries.filter(unplaced__isnull=False).last()
        raise_alert(
            into,
            alert.cause,
            alert.because,
            site=alert.site,
            at=at,
            urgent=alert.urgent,
            reading=reading.reading if reading else None,
            unplaced=unplaced.unplaced if unplaced else None,
        )
        note = _("Goes on where the records were joined.")
        close(alert, outcome=Alert.Outcome.EVALUATED, note=note, by=by, at=at)
