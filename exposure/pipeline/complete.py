"""Tasks are done; the alerts that say they are late, or soon due, are answered with them."""

from collections.abc import Iterable
from datetime import datetime

from exposure.attend import alerts, promises
from exposure.attend.models import Alert, Promise
from exposure.attend.still import OF_TASKS, still
from exposure.people.access import require_on
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.record import because as because_of
from exposure.refusal import NotYet


def complete_task(*, task: Promise, note: str, by: User, at: datetime) -> Promise:
    """Done; tasks that count from this one get their time."""
    assert task.worker is not None  # only what criteria wait for is about nobody
    require_on(by, Deed.COMPLETE_TASK, task, at=at)
    with turn.of(task.worker, at=at) as own, because_of(note):
        task = Promise.objects.select_for_update(of=("self",)).select_related(
            "site", "worker", "exposure__follow_up", "breach"
        ).get(pk=task.pk)  # fmt: skip
        if task.void_at is not None:
            raise NotYet("no_longer_asked")
        if task.kept_at is not None:
            if task.note.strip() != note.strip():
                own.clash(task, "complete", task.worker, task.site, note=note)
            return task
        promises.keep([task], by=by, at=at, note=note)
        _answer_late(task, by, at)
        return task


def _answer_late(task: Promise, by: User, at: datetime) -> None:
    """The alert that says it is late, or soon due, is answered, or says what is still so."""
    subject = task.exposure.follow_up if task.exposure is not None else task.breach
    for alert in lost_their_cause(subject, OF_TASKS, at):
        alerts.close(alert, outcome=Alert.Outcome.EVALUATED, note="", by=by, at=at)


def lost_their_cause(subject: alerts.Subject | None, causes: Iterable[str], at: datetime) -> list[Alert]:
    """The open alerts of these causes of which nothing is so any more; the others say what still is."""
    if subject is None:
        return []
    rows = subject.alerts.select_for_update(of=("self",)).filter(cause__in=causes, closed_at=None)
    found = list(rows.select_related("follow_up__worker", "breach__worker", "worker").order_by("pk"))
    waiting = still(found, at=at)
    for alert in found:
        if waiting[alert.pk]:
            alerts.reword(alert, promises.titles(waiting[alert.pk]))
    return [alert for alert in found if not waiting[alert.pk]]
