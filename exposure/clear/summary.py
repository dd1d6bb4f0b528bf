"""What is signed with a clearance: what was asked, what came, the highest reading, alerts, tasks, exposures, days."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from django.db.models import Q

from exposure.attend.models import Alert
from exposure.attend.overview import Overview
from exposure.clear.rule import longest_silence
from exposure.followup.models import FollowUpState, Reading
from exposure.followup.readings import celsius

LATE, EXCUSED, MISSING = "recorded_late", "excused", ("no_reading", "repeat_due")


@dataclass(frozen=True)
class Summary:
    """Of one follow-up as of the overview's moment. `states` counts its expected readings by their state; `extra` are
    readings beside these; `longest_silence` lies between two contacts made, from the opening on; `course` are the
    states that the follow-up was in, one after the other."""

    states: Mapping[str, int]
    extra: int
    highest: Reading | None
    alerts: tuple[Alert, ...]
    longest_silence: timedelta
    course: tuple[FollowUpState, ...]

    @property
    def asked(self) -> int:
        return sum(self.states.values())

    @property
    def recorded(self) -> int:
        """Those that came, in time or late."""
        return self.states.get("recorded", 0) + self.late

    @property
    def late(self) -> int:
        return self.states.get(LATE, 0)

    @property
    def excused(self) -> int:
        return self.states.get(EXCUSED, 0)

    @property
    def missing(self) -> int:
        """Those that did not come, or were to be repeated and were not."""
        return sum(self.states.get(state, 0) for state in MISSING)

    @property
    def to_come(self) -> int:
        return self.states.get("upcoming", 0) + self.states.get("open", 0)


def summary_of(overview: Overview) -> Summary:
    """From a fixed number of statements."""
    follow_up = overview.follow_up
    of_person = Q(worker=follow_up.worker_id) | Q(worker__same_as=follow_up.worker_id)
    until = overview.ends_at or overview.at
    readings = Reading.objects.filter(
        of_person, replaced_by=None, taken_at__gte=follow_up.opened_at, taken_at__lt=max(until, overview.at)
    )
    taken = [reading for reading in readings if not reading.could_not]
    filling = {line.reading.pk for line in overview.lines if line.reading is not None}
    measured = [reading for reading in taken if reading.value is not None]
    about = Q(follow_up=follow_up) | Q(breach__exposures__follow_up=follow_up)
    about |= Q(worker=follow_up.worker_id, raised_at__gte=follow_up.opened_at)
    alerts = Alert.objects.filter(about).select_related("closed_by").distinct().order_by("raised_at", "pk")
    return Summary(
        states=Counter(line.state for line in overview.lines),
        extra=sum(reading.pk not in filling for reading in taken),
        highest=max(measured, key=lambda reading: celsius(reading.value, reading.unit), default=None),
        alerts=tuple(alerts),
        longest_silence=longest_silence(
            overview.contacts,
            since=follow_up.opened_at,
            until=max(follow_up.opened_at, min(until, overview.at)),
            attended=overview.attended,
        ),
        course=tuple(follow_up.states.all()),
    )
