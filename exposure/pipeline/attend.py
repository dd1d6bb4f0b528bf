"""What waits for a person: told, seen, done, called, explained, noted."""

from datetime import datetime, timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from exposure.attend import alerts, duties
from exposure.attend.alerts import person_of, worker_of
from exposure.attend.models import Alert, Call, Task
from exposure.followup import plans
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, PrivateNote, Protection
from exposure.people.access import Deed, require, require_for
from exposure.people.models import User, Worker
from exposure.pipeline import turn
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, NotYet, Problem, require_text
from exposure.report.models import Breach, Told
from exposure.report.moments import slip_in

Cause = Alert.Cause
NEXT_LOOK = timedelta(hours=4)  # where no criteria name one
CLOCK_GRACE = timedelta(minutes=10)  # for clocks that go wrong


def tell_worker(*, breach: Breach, how: str, told_at: datetime, by: User, at: datetime) -> Told:
    """Record that the worker was told, in person or by telephone: messages may start."""
    require(by, Deed.TELL, breach.site_id, breach.worker.user_id, at=at)
    if how not in dict(Told.HOW):
        raise BadSubmission(Problem("/by", _("Say whether in person or by telephone.")))
    if slip := slip_in(told_at, "/at", at=at + CLOCK_GRACE):
        raise BadSubmission(slip)
    with transaction.atomic():
        breach = turn.locked_breach(breach)
        standing = breach.tellings.first()
        if standing is not None:
            return standing
        breach.told_due_at = None
        breach.save()
        alerts.close_all(breach, (Cause.UNTOLD,), by, at)
        return Told.objects.create(breach=breach, by=how, told_at=told_at)


def tell_of_exposure(*, exposure: Exposure, how: str, by: User, at: datetime) -> Exposure:
    """Record that the worker was told of it, in person or by telephone: messages may start. Once."""
    follow_up = exposure.follow_up
    require_for(by, Deed.TELL, follow_up.worker, at=at)
    if how not in dict(Told.HOW):
        raise BadSubmission(Problem("/how", _("Say whether in person or by telephone.")))
    with transaction.atomic():
        turn.one_at_a_time(follow_up.worker)
        exposure = Exposure.objects.select_related("follow_up").get(pk=exposure.pk)
        if exposure.told_due_at is None:
            return exposure
        exposure.told_due_at, exposure.told_at, exposure.told_by = None, at, how
        exposure.save()
        follow_up = exposure.follow_up
        if not follow_up.exposures.filter(withdrawn_at=None, told_due_at__isnull=False).exists():
            for alert in follow_up.alerts.filter(cause=Alert.Cause.UNTOLD, closed_at=None):
                alerts.close(alert, outcome=Alert.Outcome.EVALUATED, note="", by=by, at=at)
        return exposure


def acknowledge_alert(*, alert: Alert, by: User, at: datetime) -> Alert:
    """Seen and taken over; the next look is due within the hours that the criteria name."""
    _require_on(alert, Deed.ACKNOWLEDGE, by, at)
    with transaction.atomic():
        alert = Alert.objects.select_for_update(of=("self",)).get(pk=alert.pk)
        if alert.closed_at is not None:
            return alert
        return alerts.acknowledge(alert, by=by, at=at, look_within=_next_look(alert))


def close_alert(*, alert: Alert, outcome: str, note: str, by: User, at: datetime) -> Alert:
    """Close with an outcome. Closing again with the same outcome changes nothing."""
    _require_on(alert, Deed.CLOSE_ALERT, by, at)
    if outcome not in Alert.Outcome.values:
        raise BadSubmission(Problem("/outcome", _("Say what came of it.")))
    with transaction.atomic(), because_of(note):
        alert = Alert.objects.select_for_update(of=("self",)).get(pk=alert.pk)
        if alert.closed_at is not None:
            return alert
        return alerts.close(alert, outcome=outcome, note=note, by=by, at=at)


def _require_on(alert: Alert, deed: Deed, by: User, at: datetime) -> None:
    """An alert about a worker is everybody's who follows that worker up."""
    if alert.worker is not None:
        require_for(by, deed, alert.worker, at=at)
    else:
        require(by, deed, alert.site_id, person_of(alert), at=at)


def _next_look(alert: Alert) -> timedelta:
    follow_ups = (
        [alert.follow_up] if alert.follow_up else list(worker_of(alert).follow_ups.filter(ended_at=None))
    )
    hours = [profile.next_look_hours for one in follow_ups if (profile := plans.profile_of(one))]
    return min((timedelta(hours=hour) for hour in hours if hour), default=NEXT_LOOK)


def complete_task(*, task: Task, note: str, by: User, at: datetime) -> Task:
    """Done; tasks that count from this one get their time."""
    person = task.exposure.follow_up.worker.user_id if task.exposure else task.breach.worker.user_id
    require(by, Deed.COMPLETE_TASK, task.site_id, person, at=at)
    with transaction.atomic(), because_of(note):
        task = Task.objects.select_for_update(of=("self",)).get(pk=task.pk)
        if task.completed_at is not None:
            return task
        task.completed_at, task.completed_by, task.note = at, by, note
        task.save()
        duties.date_tasks_after(task, at=at)
        if task.exposure is not None and not duties.late_tasks_of(task.exposure.follow_up, at=at).exists():
            alerts.close_all(task.exposure.follow_up, (Cause.LATE_TASK,), by, at)
        return task


def note_call(*, worker: Worker, answered: bool, note: str, by: User, at: datetime) -> Call:
    """A call to or from the worker; an answered one is contact made."""
    worker = worker.same_as or worker
    require_for(by, Deed.CALL, worker, at=at)
    with transaction.atomic():
        return Call.objects.create(
            site=worker.site, worker=worker, called_at=at, answered=answered, note=note, by_user=by
        )


def excuse_check(*, check: Check, reason: str, by: User, at: datetime) -> Fill:
    """A missing reading is explained by a clinician."""
    follow_up = check.follow_up
    require(by, Deed.EXCUSE, follow_up.site_id, follow_up.worker.user_id, at=at)
    if not reason.strip():
        raise BadSubmission(Problem("/reason", _("Say why the reading is missing.")))
    with transaction.atomic():
        newest = check.fills.filter(standing_fill()).last()
        if newest is not None and newest.state == "excused":
            return newest
        if newest is not None and newest.state != "repeat_due":
            raise NotYet("answered")
        return Fill.objects.create(check_row=check, state="excused", reason=reason)


def note_privately(
    *, worker: Worker, fever_unreliable: bool, text: str, by: User, at: datetime
) -> PrivateNote:
    """What only clinicians see. With `fever_unreliable`, feeling unwell is a symptom from the next reading on."""
    worker = worker.same_as or worker
    require_for(by, Deed.NOTE_PRIVATELY, worker, at=at)
    with transaction.atomic():
        note, _fresh = PrivateNote.objects.select_for_update(of=("self",)).get_or_create(worker=worker)
        if (note.fever_unreliable, note.text) != (fever_unreliable, text):
            note.fever_unreliable, note.text = fever_unreliable, text
            note.save()
        return note


def record_protection(
    *, worker: Worker, kind: str, what: str, given_at: datetime, batch: str = "", by: User, at: datetime
) -> Protection:
    """Vaccine or prophylaxis given: shown beside every alert; no threshold moves. The same entry once."""
    worker = worker.same_as or worker
    require_for(by, Deed.RECORD_PROTECTION, worker, at=at)
    if kind not in Protection.Kind.values:
        raise BadSubmission(Problem("/kind", _("Say whether it was a vaccine or prophylaxis.")))
    require_text(what, "/what", _("Name what was given."))
    if slip := slip_in(given_at, "/given_at", at=at):
        raise BadSubmission(slip)
    given = {"worker": worker, "kind": kind, "what": what, "given_at": given_at, "batch": batch}
    with transaction.atomic():
        return Protection.objects.filter(**given).first() or Protection.objects.create(**given)
