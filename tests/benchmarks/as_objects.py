"""The same reminders and messages by way of Django's objects: what the set-based writing is measured against."""

from django.db import transaction
from django.db.models import Exists, OuterRef

from exposure.followup.fills import standing_fill
from exposure.followup.models import Fill, FollowUpState
from exposure.followup.states import PAUSED, died
from exposure.record import insert_many, mark_withdrawn
from exposure.remind.models import Message, Reminder, Rung
from exposure.remind.reminders import told_of


def with_circumstances(ids, at):
    """The rungs as objects, with everything that decides about them."""
    own, follow_up = OuterRef("check_row"), OuterRef("check_row__follow_up")
    answers = Fill.objects.filter(standing_fill(), check_row=own).exclude(state="repeat_due")
    later = Rung.objects.filter(check_row=own, withdrawn_at=None, at__gt=OuterRef("at"), at__lte=at)
    pauses = FollowUpState.objects.filter(follow_up=follow_up, until_at=None, kind__in=PAUSED)
    return (
        Rung.objects.filter(pk__in=ids)
        .select_related(
            "check_row__follow_up__site",
            "check_row__follow_up__worker__site",
            "check_row__follow_up__worker__user",
        )
        .annotate(
            answered=Exists(answers),
            overtaken=Exists(later.exclude(kind=Rung.CLOSED)),
            paused=Exists(pauses),
            told=Exists(told_of(follow_up)),
            died=Exists(died().filter(follow_up__worker=OuterRef("check_row__follow_up__worker"))),
        )
        .order_by("at", "pk")
    )


def bulk(due, at):
    """One `bulk_create(ignore_conflicts=True)` of reminders and one of messages."""
    ids = [rung.pk for rung in due]
    rungs = list(with_circumstances(ids, at))
    reminders = insert_many(Reminder, [_reminder(rung, at) for rung in rungs], ignore_conflicts=True)
    stored = {row.uid: row for row in Reminder.objects.filter(uid__in=[row.uid for row in reminders])}
    made = [
        _message(stored[reminder.uid], rung, at)
        for reminder, rung in zip(reminders, rungs, strict=True)
        if reminder.uid in stored and not reminder.skipped_because
    ]
    Message.objects.bulk_create(made)
    mark_withdrawn(Rung.objects.filter(pk__in=ids), at=at)
    return len(made)


def one_by_one(due, at):
    """One at a time, each looked at and written in a transaction of its own."""
    made = 0
    for one in due:
        with transaction.atomic():
            rung = with_circumstances([one.pk], at).get()
            reminder = _reminder(rung, at)
            reminder.save(force_insert=True)
            if not reminder.skipped_because:
                _message(reminder, rung, at).save(force_insert=True)
                made += 1
            mark_withdrawn(Rung.objects.filter(pk=rung.pk), at=at)
    return made


def _reminder(rung, at):
    check = rung.check_row
    return Reminder(
        worker=check.follow_up.worker,
        slot_opens_at=check.opens_at,
        rung=rung.kind,
        rung_at=rung.at,
        skipped_because=_skipped(rung, at),
    )


def loop(due, at):
    """The same without the looking: `objects.create` of what was read together."""
    made = 0
    for rung in list(with_circumstances([rung.pk for rung in due], at)):
        reminder = Reminder.objects.create(**_values(_reminder(rung, at)))
        if not reminder.skipped_because:
            Message.objects.create(**_values(_message(reminder, rung, at)))
            made += 1
        mark_withdrawn(Rung.objects.filter(pk=rung.pk), at=at)
    return made


def _values(row):
    fields = [field for field in row._meta.concrete_fields if not field.primary_key]
    return {field.attname: getattr(row, field.attname) for field in fields}


def _skipped(rung, at):
    follow_up = rung.check_row.follow_up
    reasons = {
        "closed": rung.check_row.closes_at <= at,
        "overtaken": rung.overtaken,
        "answered": rung.answered,
        "ended": rung.died or (follow_up.ended_at is not None and follow_up.ended_at <= at),
        "paused": rung.paused,
        "not_told": not rung.told,
        "by_phone_only": follow_up.worker.phone_only,
        "no_address": not follow_up.worker.email,
    }
    return next((reason for reason, holds in reasons.items() if holds), "")


def _message(reminder, rung, at):
    worker = rung.check_row.follow_up.worker
    return Message(
        site=worker.site,
        reminder=reminder,
        worker=worker,
        channel="email",
        address=worker.email,
        created_at=at,
        due_at=at,
        pointless_at=rung.check_row.closes_at,
    )
