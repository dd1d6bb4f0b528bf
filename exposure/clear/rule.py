"""Whether a follow-up may be signed off. Pure: yes or no with reasons; a named clinician decides."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

ANSWERED = ("recorded", "recorded_late", "excused")
Span = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Ruling:
    """`reasons` are codes of what stands in the way, none when `yes`: being_evaluated, not_confirmed,
    last_reading_missing, open_alerts, open_tasks. `gap`: the clearance must read "completed with a gap". `grounds` are
    codes of what was found in order: confirmed, last_reading_ with its state (no_readings where none are asked),
    no_open_alerts, no_open_tasks, and gap, no_gap or gap_not_asked."""

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
    being_evaluated: bool = False,
    attended: Iterable[Span] = (),
) -> Ruling:
    """Rule on one follow-up.

    `last_check` is the state of the last check of the last day (`exposure.followup.status`), None when the
    plan has no checks. `contacts` are the instants of contact made, readings and answered calls.
    `since` is when the follow-up opened, `until` the end of the last day or, when it is ruled on before, that
    moment; all UTC. None for `silence_hours` switches the gap off: a plan of dated tasks without checks.
    `being_evaluated`: nobody has found yet what the worker has, or they are in hospital. `attended` are spans, from and
    until, in which clinicians had the worker: contact throughout.
    """
    obstacles = {
        "being_evaluated": being_evaluated,
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
    gap = silence_hours is not None and longest_silence(
        contacts, since=since, until=until, attended=attended
    ) >= timedelta(hours=silence_hours)
    silence = "gap_not_asked" if silence_hours is None else "gap" if gap else "no_gap"
    grounds = (*(ground for code, ground in in_order.items() if code not in reasons), silence)
    return Ruling(not reasons, reasons, gap, grounds)


def longest_silence(
    contacts: Iterable[datetime], *, since: datetime, until: datetime, attended: Iterable[Span] = ()
) -> timedelta:
    """The longest time on end without contact, also before the first and after the last; as in `may_clear`."""
    heard, longest = since, timedelta(0)
    for begins, ends in sorted([*((moment, moment) for moment in contacts), *attended]):
        longest = max(longest, min(begins, until) - heard)
        heard = max(heard, ends)
    return max(longest, until - heard)
