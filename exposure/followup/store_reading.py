"""Store a reading: place it in every open follow-up of the worker and judge it. The caller raises what it found."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.utils.translation import gettext as _

from exposure.followup import readings
from exposure.followup.entry import ReadingEntry
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Fill, FollowUp, PrivateNote, Reading, UnplacedReading
from exposure.followup.plans import profile_of, version_of
from exposure.followup.readings import Placement, Trigger
from exposure.people.models import User, Worker
from exposure.refusal import Problem

LATEST_BY_WORKER = timedelta(hours=48)
STATES = ("recorded", "recorded_late", "close", "repeat_due", "extra", "unplaced")  # the best one first
STOPS = frozenset({"fever", "symptom"})


@dataclass(frozen=True)
class Logged:
    """What became of an entry. With `problems` it was refused: `row` is then the unplaced reading that keeps it,
    or None when nothing in it had to be kept."""

    row: Reading | UnplacedReading | None
    fills: tuple[Check, ...]
    state: str
    triggers: tuple[str, ...]
    problems: tuple[Problem, ...]
    found: tuple[Trigger, ...] = ()  # what must be raised; none where the entry stood already
    created: bool = False  # stored by this very call

    @property
    def contact(self) -> bool:
        """Whether the worker was heard from: a reading, not the word that none could be taken."""
        return isinstance(self.row, Reading) and not self.row.could_not

    @property
    def stop(self) -> bool:
        """Whether the worker must stop and call."""
        return not STOPS.isdisjoint(self.triggers)


def follow_ups_taking_readings(worker: Worker, *, at: datetime) -> list[FollowUp]:
    """The worker's follow-ups that take readings: running ones first, and ended ones for some days more."""
    grace = timedelta(days=settings.READINGS_TAKEN_AFTER_CLEARANCE_DAYS)
    taking = worker.follow_ups.filter(Q(ended_at=None) | Q(ended_at__gt=at - grace))
    running_first = F("ended_at").desc(nulls_first=True)
    return list(taking.select_related("worker", "site").order_by(running_first, "opened_at"))


@dataclass(frozen=True)
class Judged:
    """An entry against the worker's record, nothing stored: `reading` is what it is judged as, `checks` the standing
    ones of each follow-up by its id, `others` the worker's other unreplaced readings, oldest first."""

    reading: readings.Reading
    checks: Mapping[int, list[Check]]
    others: tuple[readings.Reading, ...]
    triggers: tuple[Trigger, ...]

    @property
    def stop(self) -> bool:
        """Whether the worker must stop and call."""
        return not STOPS.isdisjoint(_codes(self.triggers))


def judge_entry(entry: ReadingEntry, worker: Worker, follow_ups: Sequence[FollowUp]) -> Judged:
    """What the entry means for the worker, whether or not it can be taken as it is. Stores nothing."""
    unreliable = PrivateNote.objects.filter(worker=worker, fever_unreliable=True).exists()
    judged = replace(entry.judged, fever_unreliable=unreliable)
    checks = {one.pk: list(one.checks.filter(withdrawn_at=None)) for one in follow_ups}
    held = next((found for one in follow_ups if (found := readings.check_of(judged, checks[one.pk]))), None)
    judged = replace(
        judged, window=held.window if held else None, local_date=held.local_date if held else None
    )
    others = _unreplaced(worker, entry.replaces, unreliable)
    earlier = [one for one in others if one.taken_at <= judged.taken_at]
    return Judged(judged, checks, tuple(others), tuple(_judge(judged, follow_ups, earlier)))


def log_entry(
    entry: ReadingEntry, worker: Worker, follow_ups: Sequence[FollowUp], *, entered_by: User, at: datetime
) -> Logged:
    """Store the entry, or keep it unplaced. Inside a transaction."""
    found = judge_entry(entry, worker, follow_ups)
    judged, checks, triggers = found.reading, found.checks, found.triggers
    problems = entry.refused + _refused_by_record(entry, worker, entered_by, at)
    if problems:
        if not readings.must_keep(triggers):
            return Logged(None, (), "", (), problems)
        unplaced = _keep(entry, worker, problems, triggers, entered_by)
        return Logged(unplaced, (), "unplaced", _codes(triggers), problems, tuple(triggers), True)
    placements = [_place(judged, checks[one.pk], found.others, one) for one in follow_ups]
    state = "extra" if entry.could_not else _state(placements)
    row = _store(entry, worker, judged, triggers, state, _evidence(judged, follow_ups), entered_by)
    filled = _fill(row, placements, judged, checks.values()) if not entry.could_not else []
    if row.replaces is not None:
        _fill_what_is_left(row.replaces, worker, follow_ups, checks, judged.fever_unreliable)
    return Logged(row, tuple(filled), state, _codes(triggers), (), tuple(triggers), True)


def _state(placements: Sequence[Placement[Check]]) -> str:
    """The best of what it is to the follow-ups; but what one of them wants repeated is to be repeated."""
    states = [placement.state for placement in placements]
    return "repeat_due" if "repeat_due" in states else min(states, key=STATES.index)


def as_value(row: Reading, *, fever_unreliable: bool) -> readings.Reading:
    """The stored reading as the pure modules take it; `fever_unreliable` is the clinicians' note on the worker."""
    return readings.Reading(
        value=row.value,
        unit=row.unit or None,
        method=row.method or None,
        felt_feverish=row.felt_feverish,
        fever_reducer_hours=row.fever_reducer_hours,
        symptoms=tuple(row.symptoms),
        taken_at=row.taken_at,
        window=row.window or None,
        local_date=row.local_date,
        fever_unreliable=fever_unreliable,
    )


def readings_of(worker: Worker) -> QuerySet[Reading]:
    """The worker's readings, those of another record that proved to be the same person's among them."""
    records = Worker.objects.filter(Q(pk=worker.pk) | Q(same_as=worker))
    return Reading.objects.filter(worker__in=records.values("pk"))  # a join would read every reading there is


def _unreplaced(worker: Worker, but: UUID | None, unreliable: bool) -> list[readings.Reading]:
    """The worker's readings that no amendment has replaced, oldest first, without the one with that id."""
    rows = readings_of(worker).filter(replaced_by=None, could_not="").order_by("taken_at", "id")
    return [as_value(row, fever_unreliable=unreliable) for row in rows if row.uid != but]


def _judge(
    judged: readings.Reading, follow_ups: Iterable[FollowUp], earlier: Sequence[readings.Reading]
) -> list[Trigger]:
    """The triggers under the profile of every follow-up, one per code, urgent if any is."""
    found: dict[str, Trigger] = {}
    for follow_up in follow_ups:
        profile = profile_of(follow_up) or readings.USUAL_PROFILE
        for trigger in readings.judge(judged, profile, earlier):
            if trigger.code not in found or (trigger.urgent and not found[trigger.code].urgent):
                found[trigger.code] = trigger
    return list(found.values())


def _evidence(judged: readings.Reading, follow_ups: Iterable[FollowUp]) -> list[dict[str, Any]]:
    """By what the reading is judged, once per follow-up: the version of the criteria, the limit and the profile."""
    evidence = []
    for follow_up in follow_ups:
        version, profile = version_of(follow_up), profile_of(follow_up) or readings.USUAL_PROFILE
        limit = readings.limit_of(judged, profile)
        evidence.append(
            {
                "version": str(version or ""),
                "sha256": version.sha256 if version else "",
                "limit": str(limit.limit),
                "unit": limit.unit,
                "at": limit.at,
                "profile": readings.as_json(profile),
            }
        )
    return evidence


def _codes(triggers: Iterable[Trigger]) -> tuple[str, ...]:
    return tuple(trigger.code for trigger in triggers)


def _refused_by_record(
    entry: ReadingEntry, worker: Worker, entered_by: User, at: datetime
) -> tuple[Problem, ...]:
    """What only the stored record can refuse."""
    problems = []
    if entry.taken_at < at - LATEST_BY_WORKER and worker.user_id == entered_by.pk:
        problems.append(
            Problem(
                "/taken_at",
                _("Readings older than 48 hours are entered by occupational health. Please ring %(phone)s.")
                % {"phone": worker.site.phone},
            )
        )
    if entry.replaces:
        replaced = readings_of(worker).filter(uid=entry.replaces).first()
        if replaced is None:
            problems.append(Problem("/replaces", _("There is no such reading of this person.")))
        elif hasattr(replaced, "replaced_by"):
            problems.append(
                Problem("/replaces", _("This reading has been replaced already; replace the newer one."))
            )
    return tuple(problems)


def _keep(
    entry: ReadingEntry,
    worker: Worker,
    problems: Sequence[Problem],
    triggers: Sequence[Trigger],
    entered_by: User,
) -> UnplacedReading:
    return UnplacedReading.objects.create(
        uid=entry.submission_id,
        worker=worker,
        taken_at=entry.taken_at,
        unit=entry.unit,
        method=entry.method,
        felt_feverish=entry.felt_feverish,
        fever_reducer=entry.fever_reducer,
        fever_reducer_hours=entry.fever_reducer_hours,
        symptoms=list(entry.symptoms),
        could_not=entry.could_not,
        note=entry.note,
        entered_by=entered_by,
        body_sha256=entry.sha256,
        typed=entry.typed,
        refused_because=" ".join(problem.message for problem in problems),
        triggers=list(_codes(triggers)),
    )


def _store(
    entry: ReadingEntry,
    worker: Worker,
    judged: readings.Reading,
    triggers: Sequence[Trigger],
    state: str,
    judged_by: list[dict[str, Any]],
    entered_by: User,
) -> Reading:
    return Reading.objects.create(
        uid=entry.submission_id,
        worker=worker,
        taken_at=judged.taken_at,
        value=entry.value,
        unit=entry.unit,
        method=entry.method,
        felt_feverish=entry.felt_feverish,
        fever_reducer=entry.fever_reducer,
        fever_reducer_hours=entry.fever_reducer_hours,
        symptoms=list(entry.symptoms),
        could_not=entry.could_not,
        replaces=readings_of(worker).filter(uid=entry.replaces).first() if entry.replaces else None,
        reason=entry.reason,
        observed_by=entry.observed_by,
        note=entry.note,
        window=judged.window or "",
        local_date=judged.local_date or judged.taken_at.astimezone(worker.zone).date(),
        entered_by=entered_by,
        body_sha256=entry.sha256,
        triggers=list(_codes(triggers)),
        state=state,
        judged_by=judged_by,
    )


def _place(
    judged: readings.Reading, checks: list[Check], earlier: Sequence[readings.Reading], follow_up: FollowUp
) -> Placement[Check]:
    profile = profile_of(follow_up) or readings.USUAL_PROFILE
    return readings.place(judged, checks, earlier, getattr(profile, "min_hours", 6), profile=profile)


def _fill(
    row: Reading,
    placements: Iterable[Placement[Check]],
    judged: readings.Reading,
    checks: Iterable[list[Check]],
) -> list[Check]:
    """A fill per check that the reading settles; a masked one marks the check that it leaves due."""
    filled = []
    for placement, own in zip(placements, checks, strict=True):
        waiting = readings.check_of(judged, own) if placement.state == "repeat_due" else None
        for check in placement.fills or ((waiting,) if waiting else ()):
            Fill.objects.create(check_row=check, reading=row, state=placement.state)
        filled += placement.fills
    return filled


def _fill_what_is_left(
    replaced: Reading,
    worker: Worker,
    follow_ups: Iterable[FollowUp],
    checks: Mapping[int, list[Check]],
    unreliable: bool,
) -> None:
    """A check that the replaced reading had filled, and now nothing does, goes to another reading of its window."""
    rows = list(readings_of(worker).filter(replaced_by=None, could_not="").order_by("taken_at", "id"))
    values = [as_value(row, fever_unreliable=unreliable) for row in rows]
    for follow_up in follow_ups:
        own = checks[follow_up.pk]
        answered = Fill.objects.filter(standing_fill(), check_row=OuterRef("pk"))
        left_open = follow_up.checks.filter(~Exists(answered), withdrawn_at=None, fills__reading=replaced)
        for left in left_open.distinct():
            for place, row in enumerate(rows):
                placement = _place(values[place], own, values[:place], follow_up)
                if placement.fills == (left,):
                    Fill.objects.create(check_row=left, reading=row, state=placement.state)
                    break
