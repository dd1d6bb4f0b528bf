"""Whether a follow-up may be signed off. Pure: yes or no with reasons; a named clinician decides."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

ANSWERED = ("recorded", "recorded_late", "excused")


@dataclass(frozen=True, slots=True)
class Ruling:
    """`reasons` are codes of what stands in the way, none when `yes`: not_confirmed, last_reading_missing,
    open_alerts, open_tasks. `gap`: the clearance must read "completed with a gap". `grounds` are codes of what was
    found in order: confirmed, last_reading_ with its state (no_readings where none are asked), no_open_alerts,
    no_open_tasks, and gap, no_gap or gap_not_asked."""

    yes: bool
    reasons: tuple[str, ...]
    gap: bool
    grounds: tuple[str, ...]


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
    in_order = {
        "not_confirmed": "confirmed",
        "last_reading_missing": f"last_reading_{last_check}" if last_check else "no_readings",
        "open_alerts": "no_open_alerts",
        "open_tasks": "no_open_tasks",
    }
    reasons = tuple(code for code, stands in obstacles.items() if stands)
    gap = _has_gap(contacts, since, until, silence_hours)
    silence = "gap_not_asked" if silence_hours is None else "gap" if gap else "no_gap"
    grounds = (*(ground for code, ground in in_order.items() if code not in reasons), silence)
    return Ruling(not reasons, reasons, gap, grounds)


def _has_gap(
    contacts: Iterable[datetime], since: datetime, until: datetime, silence_hours: int | None
) -> bool:
    """Whether contact was lacking for `silence_hours` on end, also before the first and after the last."""
    if silence_hours is None:
        return False
    within = sorted(moment for moment in contacts if since < moment < until)
    silences = (later - earlier for earlier, later in pairwise([since, *within, until]))
    return any(silence >= timedelta(hours=silence_hours) for silence in silences)
