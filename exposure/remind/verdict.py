"""Whether a message that waits is still right to send. Pure: decided when it is claimed, from how things stand then.

A message is made when its time comes, and may leave much later: the gateway was away, the worker has answered
meanwhile, somebody else has taken the alert. What is not sent says why, in one of these words.
"""

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

# Why a reminder is not sent: where no reading of the slot asks for it, the first that holds is said.
WITHDRAWN = "withdrawn"  # no reading is planned there any more
ANSWERED = "answered"  # or excused
ENDED = "ended"
PAUSED = "paused"  # being evaluated, or in hospital
NOT_TOLD = "not_told"
BY_PHONE_ONLY = "by_phone_only"
CLOSED = "closed"  # of a reminder: it could not be delivered in time, and a nurse is told
QUIET = "quiet"
SUPERSEDED = "superseded"  # a newer one goes instead, or has gone
# Why a page is not sent.
TAKEN = "taken"
RENEWED = "renewed"  # it asks again: another page goes
NO_ROLE = "no_role"
TOGETHER = "together"  # one message says how much waits
REMINDER_REASONS = (WITHDRAWN, ANSWERED, ENDED, PAUSED, NOT_TOLD, BY_PHONE_ONLY, CLOSED, QUIET, SUPERSEDED)
PAGE_REASONS = (CLOSED, TAKEN, RENEWED, NO_ROLE, TOGETHER)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Send it (neither is set), never (`because` says why), or not before `until` (UTC)."""

    because: str = ""
    until: datetime | None = None

    @property
    def goes(self) -> bool:
        return not self.because and self.until is None


SEND = Verdict()


@dataclass(frozen=True, slots=True)
class Asked:
    """One reading that the reminder is about, as it stands now."""

    closes_at: datetime
    ended: bool
    answered: bool
    paused: bool
    told: bool

    def reason(self, at: datetime) -> str:
        reasons = {
            ANSWERED: self.answered,
            ENDED: self.ended,
            PAUSED: self.paused,
            NOT_TOLD: not self.told,
            CLOSED: self.closes_at <= at,
        }
        return next((reason for reason, holds in reasons.items() if holds), "")


@dataclass(frozen=True, slots=True)
class Recipient:
    """The worker now: `quiet_until` while quiet hours last, `done_until` half an hour after saying "done"."""

    phone_only: bool
    quiet_until: datetime | None = None
    done_until: datetime | None = None


def of_reminder(asked: Sequence[Asked], worker: Recipient, *, at: datetime) -> Verdict:
    """Of one reminder by itself. It goes while any of its readings still asks for it."""
    if not asked:
        return Verdict(WITHDRAWN)
    reasons = [reading.reason(at) for reading in asked]
    if all(reasons):
        reasons = [BY_PHONE_ONLY if worker.phone_only and reason == CLOSED else reason for reason in reasons]
        # The slot that nobody answered in time counts before one that asks no more.
        return Verdict(CLOSED if CLOSED in reasons else min(reasons, key=REMINDER_REASONS.index))
    if worker.phone_only:
        return Verdict(BY_PHONE_ONLY)
    closes_at = max(reading.closes_at for reading, reason in zip(asked, reasons, strict=True) if not reason)
    if worker.quiet_until is not None and worker.quiet_until >= closes_at:
        return Verdict(QUIET)
    waits = [until for until in (worker.quiet_until, worker.done_until) if until is not None and until > at]
    return Verdict(until=max(waits)) if waits else SEND


@dataclass(frozen=True, slots=True)
class Alerted:
    """The alert of a page now; `round` and `paged_round`: of the alert, and of the page."""

    closed: bool
    taken: bool
    round: int
    paged_round: int
    has_role: bool


def of_page(alert: Alerted) -> Verdict:
    """Of one page by itself. It is never quiet."""
    reasons = {
        CLOSED: alert.closed,
        RENEWED: alert.round > alert.paged_round,
        TAKEN: alert.taken,
        NO_ROLE: not alert.has_role,
    }
    return Verdict(next((reason for reason, holds in reasons.items() if holds), ""))


def one_each(
    verdicts: Mapping[int, Verdict],
    whom: Mapping[int, Hashable],
    order: Sequence[int],
    because: str,
    *,
    already: Collection[int] = (),
) -> dict[int, Verdict]:
    """The verdicts by message, with one message for each person: of those that go or wait, the last in `order` stays
    and the others are dropped for this reason. `already`: those after which a newer one has been sent."""
    found, kept = dict(verdicts), set()
    for message in reversed(order):
        if found[message].because:
            continue
        if message in already or whom[message] in kept:
            found[message] = Verdict(because)
        else:
            kept.add(whom[message])
    return found
