"""Figures about what leaves and what waits: amounts only, of nobody. Asked of the database when somebody looks.

What is counted over a day is counted among the newest rows of a table, by its key, so that it costs the same however
long the service runs.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Min, Model, Q

from exposure.attend.models import Alert, Promise
from exposure.people.models import Channel
from exposure.remind import heartbeat, jumps, outbox, verdict
from exposure.remind.models import Attempt, Heartbeat, Message, Reminder, SetAside

DAY = timedelta(days=1)
NEWEST = 100_000  # rows of a table among which a day is counted
OTHER = "other"  # whatever no list here knows: nothing free gets into a label
CHANNELS = tuple(Channel.values)
# Why a reminder became no message at all (`reminders`), and why a message did not go (`verdict`).
REMINDER_REASONS = (*verdict.REMINDER_REASONS, "overtaken", "no_address")
MESSAGE_REASONS = (*verdict.REMINDER_REASONS, *verdict.PAGE_REASONS)
PARTS = ("reminders", "missed", "late", "soon", "pages", "climbing", "messages", "unfinished_marks", "replan")
ACCEPTED, REFUSED, CUT_OFF, UNDER_WAY = "accepted", "refused", "cut_off", "under_way"
Amounts = dict[str, int]


@dataclass(frozen=True)
class Figures:
    """Ages and durations in seconds. Of the last day: `sent` and `given_up` by channel, the skipped by reason,
    `attempts` by (channel, outcome); `reach` is how far back they were counted, a day unless there were too many.
    An age is infinite of a process that has never beaten; a duration is missing where nobody measured it."""

    oldest_unsent: float
    reach: float
    sent: Amounts
    given_up: Amounts
    messages_skipped: Amounts
    reminders_skipped: Amounts
    attempts: dict[tuple[str, str], int]
    set_aside: Amounts
    heartbeat_age: dict[str, float]
    round_seconds: dict[str, float]
    alerts_unseen: Amounts
    promises_late: int
    clock_jumps: int


def figures(*, at: datetime) -> Figures:
    """A fixed number of statements, each by an index, by the newest rows of a table, or over what is open."""
    oldest = oldest_unsent(at=at)
    messages, attempts, reminders = (_Newest.of(model, at=at) for model in (Message, Attempt, Reminder))
    beats = {beat.name: beat for beat in Heartbeat.objects.filter(name__in=heartbeat.PROCESSES)}
    ended = messages.rows.filter(given_up_at__gt=at - DAY, given_up_at__lte=at)
    aside = SetAside.objects.filter(settled_at=None)
    unseen = Alert.objects.filter(closed_at=None, acknowledged_at=None)
    urgent = dict(unseen.order_by().values_list("urgent").annotate(Count("pk")))
    return Figures(
        oldest_unsent=(at - oldest).total_seconds() if oldest else 0.0,
        reach=min(newest.reach for newest in (messages, attempts, reminders)).total_seconds(),
        sent=_by(messages.rows.filter(sent_at__gt=at - DAY, sent_at__lte=at), "channel", CHANNELS),
        given_up=_by(ended.filter(skipped_because=""), "channel", CHANNELS),
        messages_skipped=_by(ended.exclude(skipped_because=""), "skipped_because", MESSAGE_REASONS),
        reminders_skipped=_by(
            reminders.rows.filter(recorded_at__gt=at - DAY, recorded_at__lte=at).exclude(skipped_because=""),
            "skipped_because",
            REMINDER_REASONS,
        ),
        attempts=_attempts(attempts.rows.filter(recorded_at__gt=at - DAY, recorded_at__lte=at), at),
        set_aside=_by(aside, "part", PARTS),
        heartbeat_age={
            name: (at - beats[name].at).total_seconds() if name in beats else float("inf")
            for name in heartbeat.PROCESSES
        },
        round_seconds={name: beat.seconds for name, beat in beats.items() if beat.seconds is not None},
        alerts_unseen={"urgent": urgent.get(True, 0), OTHER: urgent.get(False, 0)},
        promises_late=Promise.objects.late(at=at).count(),
        clock_jumps=len(jumps.recent(at=at)),
    )


@dataclass(frozen=True)
class _Newest:
    """The newest rows of a table; `reach`: how far back they go, a day where they hold it whole."""

    rows: Any
    reach: timedelta

    @classmethod
    def of(cls, model: type[Model], *, at: datetime) -> "_Newest":
        every: Any = model._default_manager.order_by()
        stamp = "created_at" if model is Message else "recorded_at"
        last = every.order_by("-pk").values_list("pk", flat=True).first() or 0
        first = every.filter(pk__gt=last - NEWEST).order_by("pk").values_list("pk", stamp).first()
        whole = first is None or not every.filter(pk__lt=first[0]).exists()
        reach = DAY if whole else min(DAY, max(at - first[1], timedelta(0)))
        return cls(every.filter(pk__gt=last - NEWEST), reach)


def _by(rows: Any, column: str, known: Iterable[str]) -> Amounts:
    """How many of each of the known values, none missing, and of all others together."""
    found: Counter[str] = Counter(dict.fromkeys((*known, OTHER), 0))
    for value, count in rows.order_by().values_list(column).annotate(Count("pk")):
        found[value if value in found else OTHER] += count
    return dict(found)


def _attempts(rows: Any, at: datetime) -> dict[tuple[str, str], int]:
    """By channel and outcome. One without an outcome is under way as long as its message can be held, then cut off."""
    outcomes = (ACCEPTED, REFUSED, CUT_OFF, UNDER_WAY)
    found = {(channel, outcome): 0 for channel in (*CHANNELS, OTHER) for outcome in outcomes}
    over = Q(recorded_at__lte=at - outbox.LEASE)
    named = {True: ACCEPTED, False: REFUSED}
    for still, outcome in ((over, CUT_OFF), (~over, UNDER_WAY)):
        counted = rows.filter(still).order_by().values_list("channel", "outcome__accepted")
        for channel, accepted, count in counted.annotate(Count("pk")):
            found[channel if channel in CHANNELS else OTHER, named.get(accepted, outcome)] += count
    return found


def oldest_unsent(*, at: datetime) -> datetime | None:
    """When the oldest message that could have left was written; None where there is none. Whatever its next try: only
    one that was decided to wait, as for the end of quiet hours, and was never tried, could not."""
    waiting = Message.objects.filter(sent_at=None, given_up_at=None)
    return waiting.exclude(Q(attempts_made=0, due_at__gt=at)).aggregate(at=Min("created_at"))["at"]
