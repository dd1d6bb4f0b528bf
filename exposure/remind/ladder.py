"""When a check's reminders go out. Pure; escalation is another matter and never quiet."""

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from typing import Protocol

LAST_CALL = timedelta(minutes=30)  # before closing


@dataclass(frozen=True, slots=True)
class Rung:
    """One reminder: `kind` is opening, due or last_call; `at` is a UTC instant."""

    kind: str
    at: datetime


class Instants(Protocol):
    @property
    def opens_at(self) -> datetime: ...
    @property
    def due_at(self) -> datetime: ...
    @property
    def closes_at(self) -> datetime: ...


def rungs(check: Instants, quiet: tuple[time, time] | None, zone: tzinfo) -> list[Rung]:
    """The check's reminders in order of time.

    Those inside the worker's quiet hours are skipped: `quiet` are wall times in `zone`, from the first up to
    the second, which may be past midnight; None, or two equal times, for no quiet hours. Of the others, one
    before the opening or not after the one before it is dropped.
    """
    ladder: list[Rung] = []
    for kind, at in (
        ("opening", check.opens_at),
        ("due", check.due_at),
        ("last_call", check.closes_at - LAST_CALL),
    ):
        too_early = at < check.opens_at or (ladder and at <= ladder[-1].at)
        if not too_early and not _is_quiet(at.astimezone(zone).time(), quiet):
            ladder.append(Rung(kind, at))
    return ladder


def quiet_until(at: datetime, quiet: tuple[time, time] | None, zone: tzinfo) -> datetime | None:
    """When the quiet hours in which `at` lies are over, in UTC; None outside them."""
    here = at.astimezone(zone)
    if quiet is None or not _is_quiet(here.time(), quiet):
        return None
    day = here.date() if here.time() < quiet[1] else here.date() + timedelta(days=1)
    return datetime.combine(day, quiet[1], tzinfo=zone).astimezone(UTC)


def _is_quiet(wall: time, quiet: tuple[time, time] | None) -> bool:
    if quiet is None:
        return False
    start, end = quiet
    if start <= end:
        return start <= wall < end
    return wall >= start or wall < end
