"""How things stand with messages that are claimed: what `verdict` decides from, read with a fixed number of statements
for a batch."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import OuterRef, Q, QuerySet

from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Fill, FollowUp, FollowUpState
from exposure.followup.states import PAUSED, died
from exposure.people.models import Role, Worker
from exposure.remind import reminders, verdict, ways
from exposure.remind.ladder import quiet_until
from exposure.remind.models import Message, Reply
from exposure.remind.verdict import Alerted, Asked, Recipient, Verdict
from exposure.remind.ways import Way

PAUSE_AFTER_DONE = timedelta(minutes=30)
PAGED_ROLES = (Role.Kind.NURSE, Role.Kind.PHYSICIAN)


@dataclass(frozen=True)
class Standing:
    """What is to become of each message, and by which ways its recipient can be reached; `spoken_for`: the other pages
    to the same people that need not go either; `waiting`: account -> how many alerts wait for its holder."""

    verdicts: dict[int, Verdict]
    spoken_for: list[int]
    ways: dict[int, list[Way]]
    waiting: dict[int, int]


def whole(ids: Iterable[int]) -> list[Message]:
    """The messages with what is asked of them, pages first, then the earliest."""
    rows = Message.objects.filter(pk__in=list(ids)).select_related(
        "site",
        "reminder",
        "worker__site",
        "worker__user",
        "user",
        "alert__worker",
        "alert__follow_up__worker",
        "alert__breach__worker",
    )
    return sorted(rows, key=lambda message: (message.alert_id is None, message.due_at, message.pk))


def standing(messages: Sequence[Message], *, at: datetime) -> Standing:
    """How things stand at `at` with these messages, of which all wait."""
    reminding = [message for message in messages if message.reminder_id is not None]
    paging = [message for message in messages if message.alert_id is not None]
    pages = _of_pages(paging, at)
    spoken_for = [pk for pk, found in pages.items() if found.because == verdict.TOGETHER]
    verdicts = {**_of_reminders(reminding, at), **pages}
    accounts = {message.user_id for message in paging}
    accounts |= {message.worker.user_id for message in reminding if message.worker and message.worker.user_id}
    devices = ways.devices_of(account for account in accounts if account is not None)
    reached = {}
    for message in messages:
        if message.worker is not None:
            reached[message.pk] = ways.of_worker(message.worker, devices)
        elif message.user is not None:
            reached[message.pk] = ways.of_user(message.user, devices)
    return Standing(verdicts, spoken_for, reached, _alerts_waiting(paging))


def tried(messages: Sequence[Message]) -> dict[int, set[str]]:
    """Message -> the other channels on which the same reminder, or the same page to the same person, stands already."""
    same = Message.objects.filter(
        Q(reminder__in=[message.reminder_id for message in messages if message.reminder_id])
        | Q(alert__in=[message.alert_id for message in messages if message.alert_id])
    )
    channels: dict[tuple[object, ...], dict[int, str]] = defaultdict(dict)
    for other in same.only(*SAME, "channel"):
        channels[_same(other)][other.pk] = other.channel
    return {
        message.pk: {channel for pk, channel in channels[_same(message)].items() if pk != message.pk}
        for message in messages
    }


SAME = ("reminder_id", "alert_id", "alert_round", "page_rung", "user_id")


def _same(message: Message) -> tuple[object, ...]:
    return tuple(getattr(message, name) for name in SAME)


# Reminders


def _of_reminders(claimed: Sequence[Message], at: datetime) -> dict[int, Verdict]:
    """Of all that wait for the same workers, because one goes for each; only the claimed ones are answered for."""
    if not claimed:
        return {}
    workers = {message.worker_id for message in claimed}
    others = Message.objects.filter(
        worker__in=workers, reminder__isnull=False, sent_at=None, given_up_at=None, pointless_at__gt=at
    ).exclude(pk__in=[message.pk for message in claimed])
    every = [*claimed, *others.select_related("reminder", "worker__site")]
    asked = _asked(every, at)
    recipients = _recipients({message.worker_id: message.worker for message in every if message.worker}, at)
    alone = {
        message.pk: verdict.of_reminder(
            asked[message.worker_id, message.reminder.slot_opens_at], recipients[message.worker_id], at=at
        )
        for message in every
        if message.reminder and message.worker_id
    }
    order = [message.pk for message in sorted(every, key=_newness)]
    found = verdict.one_each(
        alone,
        {message.pk: message.worker_id for message in every},
        order,
        verdict.SUPERSEDED,
        already=_followed(every, at),
    )
    return {message.pk: found[message.pk] for message in claimed}


def _newness(message: Message) -> tuple[datetime, int]:
    assert message.reminder is not None
    return message.reminder.rung_at, message.pk


def _followed(messages: Sequence[Message], at: datetime) -> frozenset[int]:
    """Those after which a newer reminder of the same worker has been sent. One that is not due yet does not count: a
    clock that was ahead had sent it."""
    later = Message.objects.filter(
        worker=OuterRef("worker"),
        sent_at__isnull=False,
        reminder__rung_at__gt=OuterRef("reminder__rung_at"),
        reminder__rung_at__lte=at,
    )
    rows = Message.objects.filter(reminders.found(later), pk__in=[message.pk for message in messages])
    return frozenset(rows.values_list("pk", flat=True))


def _asked(messages: Sequence[Message], at: datetime) -> dict[tuple[int | None, datetime], list[Asked]]:
    """Worker and opening -> the readings that are asked of them then."""
    slots = {(message.worker_id, message.reminder.slot_opens_at) for message in messages if message.reminder}
    # By the keys of the follow-ups: joined, the checks of everybody would be read.
    theirs = list(
        FollowUp.objects.filter(worker__in={worker for worker, _opens in slots}).values_list("pk", flat=True)
    )
    opening = {opens_at for _worker, opens_at in slots}
    follow_up = OuterRef("follow_up")
    answers = Fill.objects.filter(standing_fill(), check_row=OuterRef("pk")).exclude(state="repeat_due")
    pauses = FollowUpState.objects.filter(follow_up=follow_up, until_at=None, kind__in=PAUSED)
    dead = died().filter(follow_up__worker=OuterRef("follow_up__worker"))
    checks = Check.objects.filter(follow_up__in=theirs, opens_at__in=opening, withdrawn_at=None)
    found: dict[tuple[int | None, datetime], list[Asked]] = defaultdict(list)
    for check in checks.select_related("follow_up").annotate(
        answered=reminders.found(answers),
        paused=reminders.found(pauses),
        told=reminders.found(reminders.told_of(follow_up)),
        died=reminders.found(dead),
    ):
        ended_at = check.follow_up.ended_at
        found[check.follow_up.worker_id, check.opens_at].append(
            Asked(
                closes_at=check.closes_at,
                ended=check.died or (ended_at is not None and ended_at <= at),
                answered=check.answered,
                paused=check.paused,
                told=check.told,
            )
        )
    return found


def _recipients(workers: dict[int | None, Worker], at: datetime) -> dict[int | None, Recipient]:
    done = Reply.objects.filter(
        worker__in=workers, kind=Reply.Kind.DONE, at__gt=at - PAUSE_AFTER_DONE, at__lte=at
    )
    done_at = dict(done.order_by("at").values_list("worker", "at"))
    found = {}
    for key, worker in workers.items():
        quiet = (worker.quiet_from, worker.quiet_until) if worker.quiet_from and worker.quiet_until else None
        found[key] = Recipient(
            phone_only=worker.phone_only,
            quiet_until=quiet_until(at, quiet, worker.zone),
            done_until=done_at[key] + PAUSE_AFTER_DONE if key in done_at else None,
        )
    return found


# Pages


def _of_pages(claimed: Sequence[Message], at: datetime) -> dict[int, Verdict]:
    """One goes for each clinician, whatever waits for them; an urgent one stays rather than another. What waits beside
    the claimed ones is answered for too: after a bad hour a thousand wait for each, and would be read at each claim."""
    if not claimed:
        return {}
    users = {message.user_id for message in claimed}
    waiting = Message.objects.filter(
        user__in=users, alert__isnull=False, sent_at=None, given_up_at=None, pointless_at__gt=at
    ).exclude(pk__in=[message.pk for message in claimed])
    every = [*claimed, *waiting.select_related("alert", "user")]
    held = _roles(users, at)
    alone = {message.pk: verdict.of_page(_alerted(message, held)) for message in every if message.alert}
    order = [message.pk for message in sorted(every, key=_urgency)]
    whom = {message.pk: message.user_id for message in every}
    return verdict.one_each(alone, whom, order, verdict.TOGETHER, already=_counted(every))


def _counted(messages: Sequence[Message]) -> frozenset[int]:
    rows = counted(Message.objects.filter(pk__in=[message.pk for message in messages]))
    return frozenset(rows.values_list("pk", flat=True))


def counted(pages: QuerySet[Message]) -> QuerySet[Message]:
    """Those that waited already when another page went to the same person, which said how much waits."""
    went = Message.objects.filter(
        user=OuterRef("user"), alert__isnull=False, sent_at__gte=OuterRef("created_at")
    )
    return pages.filter(reminders.found(went))


def _urgency(message: Message) -> tuple[bool, int]:
    assert message.alert is not None
    return message.alert.urgent, message.pk


def _roles(users: Iterable[int | None], at: datetime) -> dict[int, set[int | None]]:
    """Account -> the sites (None: all) at which its holder is told of alerts."""
    roles = Role.objects.held(at=at).filter(user__in=list(users), kind__in=PAGED_ROLES, user__is_active=True)
    found: dict[int, set[int | None]] = defaultdict(set)
    for user, site in roles.values_list("user", "site"):
        found[user].add(site)
    return found


def _alerted(message: Message, held: dict[int, set[int | None]]) -> Alerted:
    alert: Any = message.alert
    return Alerted(
        closed=alert.closed_at is not None,
        taken=alert.acknowledged_at is not None,
        round=alert.round,
        paged_round=message.alert_round or 0,
        has_role=bool(held.get(message.user_id or 0, set()) & {None, message.site_id}),
    )


def _alerts_waiting(paging: Sequence[Message]) -> dict[int, int]:
    """Account -> the open alerts that nobody has taken and of which its holder is told."""
    users = {message.user_id for message in paging}
    rows = Message.objects.filter(
        user__in=users, alert__closed_at=None, alert__acknowledged_at=None, alert__isnull=False
    )
    found: dict[int, set[int]] = defaultdict(set)
    for user, alert in rows.values_list("user", "alert").distinct():
        found[user].add(alert)
    return {user: len(alerts) for user, alerts in found.items()}
