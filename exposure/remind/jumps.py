"""A clock that was wrong: noticed, recorded, told, and what it had used up ahead of time is asked anew.

The instant of the round that notices is taken for right. Nothing is deleted: an alert that was raised too early stays
for a nurse to close. Two things cannot be put right, because the rows do not show them: what a clock that was ahead by
an hour had used up early is known for one hour only; and where the clock was right before and is behind now, what was
asked in the hour that comes twice is asked again, until the clock is right.
"""

import threading
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Exists, F, Max, OuterRef, Q

from exposure import clock
from exposure.attend.models import Promise
from exposure.record import mark_withdrawn, update_many
from exposure.remind import heartbeat
from exposure.remind.insert_select import insert_select
from exposure.remind.models import ClockJump, Heartbeat, Message, Planned, Rung, SetAside
from exposure.remind.outbox import LEASE
from exposure.remind.rounds import LONGEST_WAIT
from exposure.remind.verdict import SUPERSEDED

TOLERANCE = timedelta(minutes=2)
# Two machines whose clocks disagree would use up and ask anew for ever: no instant is asked more often than that.
AGAIN_AT_MOST = 3
SAME_JUMP = timedelta(minutes=10)  # in which another process may notice it too
LONGEST_RETRY = timedelta(minutes=20)  # longer than any try is put off, its random part included
TOLD_FOR = timedelta(hours=24)
BATCH = 1000


class Pace:
    """How far the clock ran on in this process since its last round, against a clock that cannot be set."""

    def __init__(self) -> None:
        self._last: tuple[datetime, float] | None = None
        self._lock = threading.Lock()

    def expected(self, *, running: float | None) -> datetime | None:
        """What the clock must say now if nobody has set it; None in the first round."""
        with self._lock:
            if self._last is None or running is None:
                return None
            at, ran = self._last
            return at + timedelta(seconds=running - ran)

    def note(self, *, at: datetime, running: float | None) -> None:
        """A round has looked."""
        if running is not None:
            with self._lock:
                self._last = (at, running)


_pace = Pace()


def look(*, at: datetime, running: float | None = None) -> ClockJump | None:
    """Before a round at `at` uses anything up: has the clock jumped? Puts right what a wrong clock did, and returns
    what was recorded. `running`: what `clock.running` said when `at` was read, which also shows a jump forward; without
    it only a jump back shows, by what earlier rounds left ahead of `at`."""
    jump = None
    # A process that was stopped since it read the clock finds the others ahead of it, and nobody's clock is wrong.
    stopped = timedelta(seconds=0 if running is None else clock.running() - running)
    said_at = _said(at, _pace.expected(running=running), stopped)
    if said_at is not None:
        jump = _put_right(said_at, at)
    heartbeat.begin(at=at)
    _pace.note(at=at, running=running)
    return jump


def recent(*, at: datetime) -> list[ClockJump]:
    """Jumps of the last 24 hours, the newest first."""
    return list(
        ClockJump.objects.filter(right_at__gt=at - TOLD_FOR, right_at__lte=at).order_by("-right_at", "-pk")
    )


def ahead_of(at: datetime) -> datetime | None:
    """The newest instant at which a round was, where it lies ahead of `at`."""
    newest = Heartbeat.objects.exclude(name__in=(heartbeat.READY, heartbeat.SEALER)).aggregate(at=Max("at"))[
        "at"
    ]
    return newest if newest is not None and newest - at > TOLERANCE else None


def _said(at: datetime, expected: datetime | None, stopped: timedelta) -> datetime | None:
    """What the clock would say if it had not jumped; None when it has not."""
    if expected is not None and abs(expected - at) > TOLERANCE:
        return expected
    return ahead_of(at + stopped)


@transaction.atomic
def _put_right(said_at: datetime, at: datetime) -> ClockJump | None:
    """One process at a time: the others wait here, and find nothing left to do."""
    beats = list(Heartbeat.objects.select_for_update().order_by("name"))
    _not_anew_after_all(said_at, at)
    asked = _rungs_anew(at) + sum(_promises_anew(sign, at) for sign in SIGNS)
    _bring_back(at)
    Heartbeat.objects.filter(pk__in=[beat.pk for beat in beats], at__gt=at).update(at=at)
    if not asked and _is_known(said_at, at):
        return None
    return ClockJump.objects.create(said_at=said_at, right_at=at, asked_anew=asked)


def _is_known(said_at: datetime, at: datetime) -> bool:
    """Whether another process has recorded this jump: as far, the same way, a moment ago."""
    near = ClockJump.objects.filter(right_at__gt=at - SAME_JUMP, right_at__lt=at + SAME_JUMP)
    # The mark that an idle process finds may be older than the newest by the time that it was idle.
    return any(abs((jump.said_at - jump.right_at) - (said_at - at)) <= SAME_JUMP for jump in near)


def _rungs_anew(at: datetime) -> int:
    """Instants that were used up after `at`, of windows that have not closed by `at`, stand again. One statement,
    whatever their number; what stands again already is left as it is."""
    used = Rung.objects.filter(
        withdrawn_at__gt=at,
        again__lt=AGAIN_AT_MOST,
        check_row__withdrawn_at=None,
        check_row__closes_at__gt=at,
    ).order_by()
    copied = {"check_row": F("check_row"), "kind": F("kind"), "at": F("at"), "again": F("again") + 1}
    return len(insert_select(Rung, used, copied))


def _not_anew_after_all(said_at: datetime, at: datetime) -> None:
    """A clock that had gone back is right again: what was asked before it went back need not be asked anew. But a
    reminder that did not leave then must."""
    if at < said_at:
        return
    same = {"check_row": OuterRef("check_row"), "kind": OuterRef("kind")}
    before = Rung.objects.filter(
        **same, again=OuterRef("again") - 1, withdrawn_at__gt=said_at, withdrawn_at__lte=at
    )
    held_back = Message.objects.filter(
        reminder__worker=OuterRef("check_row__follow_up__worker"),
        reminder__slot_opens_at=OuterRef("check_row__opens_at"),
        reminder__rung=OuterRef("kind"),
        reminder__again=OuterRef("again") - 1,
        skipped_because=SUPERSEDED,
    )
    anew = Rung.objects.filter(Exists(before), ~Exists(held_back), withdrawn_at=None, again__gt=0)
    mark_withdrawn(Rung.objects.filter(pk__in=anew.values("pk")), at=at)


@dataclass(frozen=True)
class _Sign:
    """A column that says that something was told, and the one that says when it is to be."""

    told: str
    due: str


SIGNS = (_Sign("noticed_at", "due_at"), _Sign("warned_at", "warn_at"))


def _promises_anew(sign: _Sign, at: datetime) -> int:
    """What was told ahead of its time is told when it comes."""
    early = Promise.objects.select_for_update(of=("self",)).open()
    early = early.filter(**{f"{sign.told}__gt": at, f"{sign.due}__gt": at}).order_by("pk")
    count = 0
    while rows := list(early[:BATCH]):
        for promise in rows:
            setattr(promise, sign.told, None)
        update_many(Promise, rows, [sign.told])
        count += len(rows)
    return count


def _bring_back(at: datetime) -> None:
    """What would wait until the wrong time."""
    unsent = Message.objects.filter(sent_at=None, given_up_at=None)
    made_ahead = unsent.filter(created_at__gt=at)
    # Its reminder is asked anew. One that is held is being sent perhaps, and decided again when it is claimed.
    made_ahead.filter(reminder__again__lt=AGAIN_AT_MOST, pointless_at__gt=at, lease_until=None).update(
        given_up_at=at, skipped_because=SUPERSEDED
    )
    put_off = unsent.filter(Q(attempts_made__gt=0) | Q(created_at__gt=at), due_at__gt=at + LONGEST_RETRY)
    put_off.update(due_at=at)
    # As if held since now: whoever holds it may be sending it in this moment.
    unsent.filter(lease_until__gt=at + LEASE).update(lease_until=at + LEASE)
    made_ahead.update(created_at=at)
    aside = SetAside.objects.filter(settled_at=None)
    aside.filter(retry_at__gt=at + LONGEST_WAIT).update(retry_at=at)
    for column in ("first_at", "last_at"):
        aside.filter(**{f"{column}__gt": at}).update(**{column: at})
    Planned.objects.filter(at__gt=at).update(at=at)
