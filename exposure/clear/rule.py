"""Whether a follow-up may be signed off. Pure: yes or no with reasons; a named clinician decides."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

ANSWERED = ("recorded", "recorded_late", "excused")


@dataclass(frozen=True, slots=True)
class Ruling:
    """`reasons` are codes of what stands in the way, none when `yes`: not_confirmed, last_reading_missing,
    open_alerts, open_tasks. `gap`: the clearance must read "completed with a gap"."""

    yes: bool
    reasons: tuple[str, ...]
    gap: bool


def may_clear(
    *,
    confirmed: bool,
    last_check: str | None,
    open_alerts: int,
    open_tasks: int,
    contacts: Iterable[datetime],
    since: datetime,
    until: datetime,
    silence_hours: int | None,
) -> Ruling:
    """Rule on one follow-up.

    `last_check` is the state of the last check of the last day (`exposure.followup.status`), None when the
    plan has no checks. `contacts` are the instants of contact made, readings and answered calls.
    `since` is when the follow-up opened, `until` the end of the last day or, when it is ruled on before, that
    moment; all UTC. None for `silence_hours` switches the gap off: a plan of dated tasks without checks.
    """
    obstacles = {
        "not_confirmed": not confirmed,
        "last_reading_missing": last_check is not None and last_check not in ANSWERED,
        "open_alerts": open_alerts > 0,
        "open_tasks": open_tasks > 0,
    }
    reasons = tuple(code for code, stands in obstacles.items() if stands)
    return Ruling(not reasons, reasons, _has_gap(contacts, since, until, silence_hours))


def _has_gap(
    contacts: Iterable[datetime], since: datetime, until: datetime, silence_hours: int | None
) -> bool:
    """Whether contact was lacking for `silence_hours` on end, also before the first and after the last."""
    if silence_hours is None:
        return False
    within = sorted(moment for moment in contacts if since < moment < until)
    silences = (later - earlier for earlier, later in pairwise([since, *within, until]))
    return any(silence >= timedelta(hours=silence_hours) for silence in silences)
