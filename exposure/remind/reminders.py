"""Reminder instants as rows, and what becomes of each when it has passed: one message, or skipped with a reason.

The rows are settled where they are: each step of a batch is one statement of the database, however many they are.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db.models import Case, F, Max, OuterRef, Q, QuerySet, Subquery, Value, When
from django.db.models.functions import Coalesce, NullIf
from django.db.models.lookups import IsNull
from django.utils.translation import gettext as _

from exposure.attend import duties
from exposure.attend.models import Promise
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState
from exposure.followup.states import PAUSED, died
from exposure.people.models import PushSubscription, Worker
from exposure.record import create_many, insert_many, mark_withdrawn
from exposure.remind import ladder
from exposure.remind.among import among
from exposure.remind.insert_select import insert_select
from exposure.remind.models import Message, Reminder, Rung
from exposure.report.models import Told

NO_ADDRESS = "no_address"
BATCH = 5000  # a statement costs as much to word as to run for a few hundred


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
    return _passed(rungs, at).order_by("at").only("pk")


def _passed(rungs: QuerySet[Rung], at: datetime) -> QuerySet[Rung]:
    return rungs.filter(withdrawn_at=None, at__lte=at).exclude(kind=Rung.CLOSED)


def settle_passed(due: Sequence[Rung], at: datetime) -> int:
    """The latest instant of an open reading becomes a message, the others are recorded as skipped. Returns how many
    messages were made."""
    rungs = Rung.objects.filter(among(rung.pk for rung in due))
    made = Reminder.objects.filter(among(_record(rungs, at)))
    _ask_to_ring(made.filter(skipped_because=NO_ADDRESS), at)
    messages = _write_messages(made.filter(skipped_because=""), at)
    mark_withdrawn(rungs, at=at)
    return len(messages)


# Why nothing is sent


def reasons(at: datetime) -> dict[str, Any]:
    """Reason -> the condition on a rung; the first that holds is why nothing is sent. Where none does, it is."""
    check, follow_up = OuterRef("check_row"), OuterRef("check_row__follow_up")
    worker = "check_row__follow_up__worker"
    answers = Fill.objects.filter(standing_fill(), check_row=check).exclude(state="repeat_due")
    # Settled or not: one that another round has just settled has passed all the same.
    later = Rung.objects.filter(check_row=check, at__gt=OuterRef("at"), at__lte=at).exclude(kind=Rung.CLOSED)
    dead = died().filter(follow_up__worker=OuterRef(worker))
    pauses = FollowUpState.objects.filter(follow_up=follow_up, until_at=None, kind__in=PAUSED)
    devices = PushSubscription.objects.filter(user=OuterRef(f"{worker}__user"), ended_at=None)
    account = Q(**{f"{worker}__user__email": None}) | Q(**{f"{worker}__user__email": ""})
    nowhere = account & Q(**{f"{worker}__email": "", f"{worker}__mobile": ""})
    return {
        "closed": Q(check_row__closes_at__lte=at),
        "overtaken": found(later),
        "answered": found(answers),
        "ended": Q(check_row__follow_up__ended_at__lte=at) | found(dead),
        "paused": found(pauses),
        "not_told": ~found(told_of(follow_up)),
        "by_phone_only": Q(**{f"{worker}__phone_only": True}),
        NO_ADDRESS: nowhere & ~found(devices),
    }


def found(rows: QuerySet) -> Q:
    """Whether there is any, asked by index for each rung. EXISTS leaves PostgreSQL the choice to read the whole table
    into a hash first, which it takes wrongly where nothing was analysed lately."""
    return Q(IsNull(Subquery(rows.order_by().values("pk")[:1]), False))


def with_reason(rungs: QuerySet[Rung], at: datetime) -> QuerySet[Rung]:
    """Each with its `reason`, "" where it is to be sent."""
    whens = [When(condition, then=Value(reason)) for reason, condition in reasons(at).items()]
    return rungs.annotate(reason=Case(*whens, default=Value("")))


def told_of(follow_up: OuterRef) -> QuerySet:
    """Exposures whose worker was told, of the report or, where there is none, of the exposure itself."""
    told = found(Told.objects.filter(breach=OuterRef("breach"))) | Q(breach=None, told_at__isnull=False)
    return Exposure.objects.filter(told, follow_up=follow_up, withdrawn_at=None)


# What is written


def _record(rungs: QuerySet[Rung], at: datetime) -> list[int]:
    """One reminder per worker, slot and rung, whichever of the worker's follow-ups asks for it; returns their keys. A
    skipped one leaves the place to one that is to be sent, also where another batch or another round settles that."""
    follow_up, worker = "check_row__follow_up", "check_row__follow_up__worker"
    others = FollowUp.objects.filter(worker=OuterRef(worker)).exclude(pk=OuterRef(follow_up))
    # A subquery for each follow-up, not a join: where nothing was analysed yet, PostgreSQL would go by the instant.
    of_the_slot = _passed(Rung.objects.all(), at).filter(
        check_row__follow_up=OuterRef("pk"),
        check_row__opens_at=OuterRef(OuterRef("check_row__opens_at")),
        kind=OuterRef(OuterRef("kind")),
        again=OuterRef(OuterRef("again")),
    )
    theirs = Subquery(with_reason(of_the_slot, at).order_by().values("reason")[:1])
    to_be_sent = others.annotate(theirs=theirs).filter(theirs="")
    # Asked in this order: who has one follow-up, as nearly everybody, is not looked at any further.
    takes_it = ~found(others) | Q(reason="") | ~found(to_be_sent)
    return insert_select(
        Reminder,
        with_reason(rungs, at)
        .filter(takes_it)
        .order_by("reason", "at", "pk"),  # what is to be sent comes first
        {
            "worker": F(worker),
            "slot_opens_at": F("check_row__opens_at"),
            "rung": F("kind"),
            "rung_at": F("at"),
            "again": F("again"),
            "skipped_because": F("reason"),
        },
    )


def _closing(follow_up: OuterRef, slot_opens_at: OuterRef) -> Subquery:
    """When the check of a follow-up that opens then closes."""
    checks = Check.objects.filter(follow_up=follow_up, opens_at=slot_opens_at, withdrawn_at=None)
    return Subquery(checks.order_by().values("closes_at")[:1])


def _write_messages(reminders: QuerySet[Reminder], at: datetime) -> list[int]:
    """By which road each goes, and its words, are decided when it is claimed; the address is that of the e-mail."""
    of_worker = FollowUp.objects.filter(worker=OuterRef("worker")).order_by().values("worker")
    last = of_worker.annotate(last=Max(_closing(OuterRef("pk"), OuterRef(OuterRef("slot_opens_at")))))
    account = Coalesce("worker__user__email", Value(""))
    return insert_select(
        Message,
        reminders.order_by("pk"),
        {
            "site": F("worker__site"),
            "reminder": F("pk"),
            "worker": F("worker"),
            "channel": Value(Message.Channel.EMAIL),
            "address": Coalesce(NullIf("worker__email", Value("")), account),
            "created_at": Value(at),
            "due_at": Value(at),
            "pointless_at": Coalesce(Subquery(last.values("last")), Value(at)),
        },
    )


def _ask_to_ring(reminders: QuerySet[Reminder], at: datetime) -> None:
    """Somebody who cannot be reminded must be rung: one call, whichever of their follow-ups asks first, and another on
    a later day, as long as nothing is known to reach them by."""
    follow_up = "worker__follow_ups"
    asked = Promise.objects.open().filter(
        kind=Promise.Kind.CALL, key__startswith=duties.NO_ADDRESS, worker__isnull=False
    )
    reminders = reminders.exclude(worker__in=asked.values("worker"))
    rows = reminders.annotate(closes_at=_closing(OuterRef(follow_up), OuterRef("slot_opens_at")))
    calls: dict[int, Promise] = {}
    for worker, key, site, closes_at in rows.order_by(follow_up).values_list(
        "worker", follow_up, f"{follow_up}__site", "closes_at"
    ):
        if closes_at is not None and worker not in calls:
            calls[worker] = Promise(
                site_id=site,
                worker_id=worker,
                follow_up_id=key,
                kind=Promise.Kind.CALL,
                key=f"{duties.NO_ADDRESS} {closes_at:%Y-%m-%d}",
                title=_("No reminder can reach this person: ring, and ask how to."),
                asked_at=at,
                due_at=closes_at,
                basis="first reminder",
            )
    if calls:
        create_many(Promise, calls.values(), ignore_conflicts=True)
