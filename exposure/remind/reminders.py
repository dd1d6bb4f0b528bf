"""Reminder instants as rows, and what becomes of each when it has passed: one message, or skipped with a reason."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils.translation import gettext as _

from exposure.attend.models import Promise
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, FollowUpState
from exposure.followup.states import PAUSED, died
from exposure.people.models import Worker
from exposure.record import create_many, insert_many, mark_withdrawn
from exposure.remind import ladder
from exposure.remind.models import Message, Reminder, Rung
from exposure.report.models import Told

NO_ADDRESS = "no_address"


def plan_rungs(checks: Sequence[Check], worker: Worker) -> None:
    """Store the reminder instants of newly planned checks of one worker."""
    quiet = (worker.quiet_from, worker.quiet_until) if worker.quiet_from and worker.quiet_until else None
    insert_many(
        Rung,
        [
            Rung(check_row=check, kind=kind, at=at)
            for check in checks
            for kind, at in (
                *((rung.kind, rung.at) for rung in ladder.rungs(check, quiet, worker.zone)),
                (Rung.CLOSED, check.closes_at),
            )
        ],
    )


def withdraw_rungs(checks: Sequence[Check], *, at: datetime) -> None:
    """Nobody is reminded of a withdrawn check."""
    mark_withdrawn(Rung.objects.filter(check_row__in=[check.pk for check in checks]), at=at)


def passed(at: datetime) -> QuerySet[Rung]:
    """Reminder instants that have passed, the earliest first."""
    rungs = Rung.objects.select_for_update(skip_locked=True, of=("self",))
    return rungs.filter(withdrawn_at=None, at__lte=at).exclude(kind=Rung.CLOSED).order_by("at", "pk")


def settle_passed(due: Sequence[Rung], at: datetime) -> int:
    """The latest instant of an open reading becomes a message, the others are recorded as skipped. Returns how many
    messages were made."""
    rungs = list(_with_circumstances([rung.pk for rung in due], at))
    made = _settle(rungs, at)
    mark_withdrawn(Rung.objects.filter(pk__in=[rung.pk for rung in due]), at=at)
    return made


def _with_circumstances(rung_ids: Sequence[int], at: datetime) -> QuerySet[Rung]:
    own = OuterRef("check_row")
    follow_up = OuterRef("check_row__follow_up")
    answers = Fill.objects.filter(standing_fill(), check_row=own).exclude(state="repeat_due")
    later = Rung.objects.filter(check_row=own, withdrawn_at=None, at__gt=OuterRef("at"), at__lte=at)
    pauses = FollowUpState.objects.filter(follow_up=follow_up, until_at=None, kind__in=PAUSED)
    return (
        Rung.objects.filter(pk__in=rung_ids)
        .select_related(
            "check_row__follow_up__site",
            "check_row__follow_up__worker__site",
            "check_row__follow_up__worker__user",
        )
        .annotate(
            answered=Exists(answers),
            overtaken=Exists(later.exclude(kind=Rung.CLOSED)),
            paused=Exists(pauses),
            told=Exists(_told(follow_up)),
            died=Exists(died().filter(follow_up__worker=OuterRef("check_row__follow_up__worker"))),
        )
        .order_by("at", "pk")
    )


def _told(follow_up: OuterRef) -> QuerySet:
    """Exposures whose worker was told, of the report or, where there is none, of the exposure itself."""
    told = Q(Exists(Told.objects.filter(breach=OuterRef("breach")))) | Q(breach=None, told_at__isnull=False)
    return Exposure.objects.filter(told, follow_up=follow_up, withdrawn_at=None)


def _settle(rungs: Iterable[Rung], at: datetime) -> int:
    """One reminder per worker, slot and rung, whichever of the worker's follow-ups asks for it."""
    reminders: dict[tuple[int, datetime, str], tuple[Reminder, Check]] = {}
    for rung in rungs:
        reminder, check = _reminder(rung, at), rung.check_row
        key = (reminder.worker_id, reminder.slot_opens_at, reminder.rung)
        if key not in reminders or reminders[key][0].skipped_because:
            reminders[key] = reminder, check
    insert_many(Reminder, [reminder for reminder, _check in reminders.values()], ignore_conflicts=True)
    uids = [reminder.uid for reminder, _check in reminders.values()]
    stored = {row.uid: row for row in Reminder.objects.filter(uid__in=uids)}
    messages = [
        _message(stored[reminder.uid], check, at)
        for reminder, check in reminders.values()
        if reminder.uid in stored and not reminder.skipped_because
    ]
    Message.objects.bulk_create(messages)
    _ask_to_ring(
        [check for reminder, check in reminders.values() if reminder.skipped_because == NO_ADDRESS], at
    )
    return len(messages)


def _ask_to_ring(checks: Iterable[Check], at: datetime) -> None:
    """Somebody who cannot be reminded must be rung, once per follow-up."""
    calls = {
        check.follow_up_id: Promise(
            site=check.follow_up.site,
            worker=check.follow_up.worker,
            follow_up=check.follow_up,
            kind=Promise.Kind.CALL,
            key=NO_ADDRESS,
            title=_("No reminder can reach this person: ring, and ask how to."),
            asked_at=at,
            due_at=check.closes_at,
            basis="first reminder",
        )
        for check in checks
    }
    if calls:
        create_many(Promise, calls.values(), ignore_conflicts=True)


def _reminder(rung: Rung, at: datetime) -> Reminder:
    check = rung.check_row
    return Reminder(
        worker=check.follow_up.worker,
        slot_opens_at=check.opens_at,
        rung=rung.kind,
        rung_at=rung.at,
        skipped_because=_skipped(rung, at),
    )


def _skipped(rung: Rung, at: datetime) -> str:
    """Why nothing is sent; "" when it is."""
    follow_up = rung.check_row.follow_up
    worker = follow_up.worker
    reasons = {
        "closed": rung.check_row.closes_at <= at,
        "overtaken": rung.overtaken,
        "answered": rung.answered,
        "ended": rung.died or (follow_up.ended_at is not None and follow_up.ended_at <= at),
        "paused": rung.paused,
        "not_told": not rung.told,
        "by_phone_only": worker.phone_only,
        NO_ADDRESS: not address_of(worker),
    }
    return next((reason for reason, holds in reasons.items() if holds), "")


def address_of(worker: Worker) -> str:
    """Where the worker gets e-mail; "" nowhere."""
    return worker.email or (worker.user.email if worker.user and worker.user.email else "")


def _message(reminder: Reminder, check: Check, at: datetime) -> Message:
    worker = check.follow_up.worker
    return Message(
        site=worker.site,
        reminder=reminder,
        worker=worker,
        channel=Message.Channel.EMAIL,
        address=address_of(worker),
        created_at=at,
        due_at=at,
        pointless_at=check.closes_at,
    )
