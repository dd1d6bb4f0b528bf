"""What can wait for a clinician, in which order; and one line of it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from exposure.attend.models import Alert, Promise
from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.report.models import Case

Cause = Alert.Cause
# What waits without being an alert; the keys stand beside the causes of alerts in the filter.
TO_CONFIRM, TO_SIGN, TO_REVIEW, TO_RING, TO_DO = "to_confirm", "to_sign", "to_review", "to_ring", "to_do"
TO_TELL = "to_tell"  # what has changed for somebody who was told otherwise
OWN_TASK = "own_task"  # not late yet, for whoever has it
TO_IDENTIFY = "to_identify"  # somebody typed in by name
READY, OBSTRUCTED = "ready_to_sign", "not_ready"  # a follow-up that is over: it can be signed, or not yet
URGENT, WAITING, CONFIRM, TELL, RING, SIGN, REVIEW, SEEN, LATE, GONE, PRACTICE = range(11)
# Which alert comes before which, where they are equally urgent; a local choice.
WEIGHT = {
    cause: weight
    for weight, cause in enumerate(
        (
            Cause.FEVER,
            Cause.SYMPTOM,
            TO_DO,
            Cause.UNASSESSED,
            Cause.CALL_ME,
            Cause.MISSED,
            Cause.SILENCE,
            Cause.RISE,
            Cause.UNTOLD,
            Cause.LATE_CONFIRMATION,
            Cause.CASE_CHANGED,
            Cause.COULD_NOT,
            Cause.UNREACHABLE,
            Cause.TO_LOOK_AT,
            Cause.OTHER_CONTENT,
            Cause.WITHDRAWAL,
            Cause.TASK_SOON,
            Cause.LATE_CALL,
            Cause.LATE_TASK,
            Cause.LATE_REVIEW,
            Cause.LATE_SIGNATURE,
            Cause.DRILL,
        )
    )
}


@dataclass(frozen=True)
class Line:
    """One thing to do: why, since when, for whom, by when (None: now), who has it. `group` is its urgency; `exposed`:
    its time runs since the exposure; `missed`: it was over already when it was reported; `gone`: an alert that has lost
    its cause and waits to be closed. `alert` or `promise` is what it stands for; `cases` those that have changed, where
    it is about that."""

    group: int
    cause: str
    label: str
    why: str
    since: datetime
    worker: Worker | None
    site: Site
    by: datetime | None
    holder: str
    url: str
    late: bool = False
    missed: bool = False
    exposed: bool = False
    gone: bool = False
    alert: Alert | None = None
    cases: tuple[Case, ...] = ()
    promise: Promise | None = None

    @property
    def row(self) -> Alert | Promise | None:
        """What it stands for."""
        return self.alert or self.promise

    @property
    def held_by(self) -> User | None:
        return self.row.held_by if self.row is not None else None

    @property
    def is_given(self) -> bool:
        """Whether somebody was handed an alert and has not said yet that they have it."""
        return self.alert is not None and self.held_by is not None and self.alert.acknowledged_at is None

    @property
    def take_url(self) -> str:
        """Where one says that one has it."""
        return (
            reverse("alert_acknowledge", args=[self.alert.uid])
            if self.alert is not None
            else self.hand_over_url
        )

    @property
    def hand_over_url(self) -> str:
        """Where it is handed over; empty where that cannot be."""
        if self.alert is not None:
            return reverse("alert_hand_over", args=[self.alert.uid])
        return reverse("hand_over", args=[self.promise.uid]) if self.promise and self.worker else ""

    @property
    def rank(self) -> tuple[Any, ...]:
        """The same order however often it is asked, and whatever the database returns first."""
        weight = WEIGHT[self.cause] if self.group in (URGENT, WAITING) else 0
        whose = self.worker.pk if self.worker is not None else 0
        return (self.group, weight, self.by or self.since, self.since, whose, self.url)
