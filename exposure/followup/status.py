"""The state of a check, computed whenever it is read: no process has to mark it. Pure."""

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Settled:
    """What stands against a check: the state of its newest reading (as `place` gave it) or `excused`.

    `taken_at` is the reading's moment (aware); None only for an excuse.
    """

    state: str
    taken_at: datetime | None = None


class StandingCheck(Protocol):
    @property
    def opens_at(self) -> datetime: ...
    @property
    def closes_at(self) -> datetime: ...
    @property
    def withdrawn_at(self) -> datetime | None: ...


def check_state(check: StandingCheck, fill: Settled | None, at: datetime) -> str:
    """upcoming, open, recorded, recorded_late, repeat_due, no_reading, excused or withdrawn, as of `at`.

    `fill` is the newest one, None when there is none; the lateness of a reading is that of its `taken_at`, so
    one entered late but taken in the window is recorded.
    """
    if check.withdrawn_at is not None and check.withdrawn_at <= at:
        return "withdrawn"
    if fill is not None:
        if fill.state in ("excused", "repeat_due"):
            return fill.state
        in_window = fill.taken_at is not None and fill.taken_at < check.closes_at
        return "recorded" if in_window else "recorded_late"
    if at < check.opens_at:
        return "upcoming"
    return "open" if at < check.closes_at else "no_reading"
