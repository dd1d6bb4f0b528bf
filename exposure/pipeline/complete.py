"""Tasks are done; the alerts that say they are late, or soon due, are answered with them."""

from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from exposure.attend import alerts, promises
from exposure.attend.models import Alert, Promise
from exposure.attend.still import OF_TASKS, still
from exposure.people.access import require_on
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, NotYet, Problem, require_text
from exposure.wording import ending_in_words


def complete_task(*, task: Promise, note: str, by: User, at: datetime) -> Promise:
    """Done; tasks that count from this one get their time. Raises BadSubmission at /not_before while it is too early,
    NotYet where it is no longer asked for, and Conflict where it is done otherwise, or does not apply."""
    assert task.worker is not None  # only what criteria wait for is about nobody
    require_on(by, Deed.COMPLETE_TASK, task, at=at)
    with turn.of(task.worker, at=at) as own, because_of(note):
        task = _locked(task)
        if task.kept_at is not None:
            if task.not_applicable or task.note.strip() != note.strip():
                own.clash(task, "complete", task.worker, task.site, note=note)
            return task
        if task.not_before is not None and task.not_before > at:
            from_then = ending_in_words(localtime(task.not_before, ZoneInfo(task.site.zone)))
            words = _("This cannot be done yet: not before %(time)s (%(zone)s).")
            said = {"time": from_then, "zone": task.site.zone}
            raise BadSubmission(Problem("/not_before", words % said))
        promises.keep([task], by=by, at=at, note=note)
        _answer_late(task, by, at)
        return task


def mark_not_applicable(*, task: Promise, reason: str, by: User, at: datetime) -> Promise:
    """It is not to be done for this worker, for the reason, which is kept: nobody waits for it any more, and what
    counts from it counts from now. Raises BadSubmission at /reason, NotYet where it is no longer asked for, and
    Conflict where it is done, or another reason stands."""
    assert task.worker is not None
    require_on(by, Deed.COMPLETE_TASK, task, at=at)
    require_text(reason, "/reason", _("Say why it does not apply."))
    with turn.of(task.worker, at=at) as own, because_of(reason):
        task = _locked(task)
        if task.kept_at is not None:
            if not task.not_applicable or task.note.strip() != reason.strip():
                own.clash(task, "not_applicable", task.worker, task.site, reason=reason)
            return task
        task.not_applicable = True
        promises.keep([task], by=by, at=at, note=reason)
        _answer_late(task, by, at)
        return task


def _locked(task: Promise) -> Promise:
    """As it stands now. Raises NotYet where it is no longer asked for."""
    rows = Promise.objects.select_for_update(of=("self",))
    task = rows.select_related("site", "worker", "exposure__follow_up", "breach").get(pk=task.pk)
    if task.void_at is not None:
        raise NotYet("no_longer_asked")
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
