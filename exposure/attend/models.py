"""What a follow-up asks of people: alerts, tasks, calls and restrictions."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.followup.models import Exposure, FollowUp, Reading, UnplacedReading
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.record import InsertOnly, Recorded
from exposure.report.models import Breach

ONE_SUBJECT = (
    Q(breach__isnull=False, follow_up=None, worker=None)
    | Q(breach=None, follow_up__isnull=False, worker=None)
    | Q(breach=None, follow_up=None, worker__isnull=False)
)


class Alert(Recorded):
    """Something a clinician must act on, about one breach, follow-up or worker; one per cause while open.

    Acknowledged is not closed: `next_look_at` names when it pages again. A new trigger after the acknowledgement
    opens a new round.
    """

    class Cause(models.TextChoices):
        FEVER = "fever", _("fever")
        SYMPTOM = "symptom", _("symptom")
        RISE = "rise", _("rising temperature")
        UNASSESSED = "unassessed", _("no criteria: not assessed")
        TO_LOOK_AT = "to_look_at", _("report to look at")
        OTHER_CONTENT = "other_content", _("sent twice with other content")
        LATE_CONFIRMATION = "late_confirmation", _("late to confirm")
        UNTOLD = "untold", _("not yet told")
        MISSED = "missed", _("readings missing")
        COULD_NOT = "could_not", _("could not take a reading")
        SILENCE = "silence", _("silent")
        LATE_TASK = "late_task", _("task late")
        UNREACHABLE = "unreachable", _("messages do not arrive")
        CASE_CHANGED = "case_changed", _("the case has changed")
        WITHDRAWAL = "withdrawal", _("withdrawal asked for")
        CALL_ME = "call_me", _("asks to be called")
        DRILL = "drill", _("drill reported")

    class Outcome(models.TextChoices):
        OTHER_DIAGNOSIS = "other_diagnosis", _("other diagnosis")
        EVALUATED = "evaluated", _("evaluated")
        FELL_ILL = "fell_ill", _("fell ill with it")
        ENTRY_ERROR = "entry_error", _("entry error")

    site = models.ForeignKey(Site, models.PROTECT, related_name="alerts")
    breach = models.ForeignKey(Breach, models.PROTECT, null=True, blank=True, related_name="alerts")
    follow_up = models.ForeignKey(FollowUp, models.PROTECT, null=True, blank=True, related_name="alerts")
    worker = models.ForeignKey(Worker, models.PROTECT, null=True, blank=True, related_name="alerts")
    cause = models.CharField(max_length=30, choices=Cause)
    urgent = models.BooleanField(default=False)
    because = models.TextField()
    raised_at = models.DateTimeField()
    round = models.PositiveSmallIntegerField(default=1)
    round_at = models.DateTimeField()
    acknowledged_at = models.DateTimeField(null=True, blank=True)
    held_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="held_alerts"
    )
    next_look_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="closed_alerts"
    )
    outcome = models.CharField(max_length=20, choices=Outcome, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["-urgent", "round_at"]
        constraints = [
            models.CheckConstraint(condition=ONE_SUBJECT, name="alert_one_subject"),
            models.CheckConstraint(
                condition=Q(closed_at=None) | (Q(closed_by__isnull=False) & ~Q(outcome="")),
                name="alert_closed_with_outcome",
            ),
            *(
                models.UniqueConstraint(
                    fields=[subject, "cause"], condition=Q(closed_at=None), name=f"alert_open_{subject}"
                )
                for subject in ("breach", "follow_up", "worker")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.cause} {self.raised_at:%Y-%m-%d %H:%M}"


class AlertEntry(InsertOnly):
    """What happened to an alert, in order: raised, joined, a new round, acknowledged, paged, closed."""

    class Kind(models.TextChoices):
        RAISED = "raised", _("raised")
        JOINED = "joined", _("happened again")
        ROUND = "round", _("happened again after it was seen")
        ACKNOWLEDGED = "acknowledged", _("seen")
        LOOK_DUE = "look_due", _("next look due")
        CLOSED = "closed", _("closed")

    alert = models.ForeignKey(Alert, models.PROTECT, related_name="entries")
    kind = models.CharField(max_length=20, choices=Kind)
    because = models.TextField(blank=True)
    reading = models.ForeignKey(Reading, models.PROTECT, null=True, blank=True, related_name="alert_entries")
    unplaced = models.ForeignKey(
        UnplacedReading, models.PROTECT, null=True, blank=True, related_name="alert_entries"
    )

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.alert_id} {self.kind}"


class Task(Recorded):
    """Work with a time by which it must be done, from the plan or the site."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="tasks")
    breach = models.ForeignKey(Breach, models.PROTECT, null=True, blank=True, related_name="tasks")
    exposure = models.ForeignKey(Exposure, models.PROTECT, null=True, blank=True, related_name="tasks")
    code = models.SlugField(max_length=60)
    title = models.CharField(max_length=200)
    not_before = models.DateTimeField(null=True, blank=True)
    due_at = models.DateTimeField(null=True, blank=True)
    starts_from = models.CharField(
        max_length=60, blank=True, help_text=_("exposure, report, or a task's code")
    )
    completed_at = models.DateTimeField(null=True, blank=True)
    completed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="completed_tasks"
    )
    dropped_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["due_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["exposure", "code"], condition=Q(dropped_at=None), name="task_once_per_exposure"
            )
        ]

    def __str__(self) -> str:
        return self.title


class Call(InsertOnly):
    """A telephone call to or from the worker. Only an answered one is contact made."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="calls")
    worker = models.ForeignKey(Worker, models.PROTECT, related_name="calls")
    called_at = models.DateTimeField()
    answered = models.BooleanField()
    note = models.TextField(blank=True)
    by_user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="calls")

    class Meta:
        ordering = ["called_at"]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.called_at:%Y-%m-%d %H:%M}"
