"""What waits for a person, by when: promises, alerts, calls."""

from datetime import datetime

from django.conf import settings
from django.db import models
from django.db.models import F, OuterRef, Q, Subquery
from django.utils.translation import gettext_lazy as _

from exposure.classify.models import CriteriaVersion
from exposure.followup.models import Exposure, FollowUp, Reading, UnplacedReading
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.record import GuardedQuerySet, InsertOnly, Recorded
from exposure.report.models import Breach

ALERTED = ("breach", "follow_up", "worker")
SUBJECTS = ("breach", "exposure", "follow_up", "alert", "version")
NOT_PAGED = ("rise", "drill")  # causes that wait on the list


def _only(own: str, subjects: tuple[str, ...]) -> Q:
    """Of these foreign keys `own` alone is set."""
    return Q(**{f"{own}__isnull": False}, **{subject: None for subject in subjects if subject != own})


def _exactly_one(subjects: tuple[str, ...]) -> Q:
    condition = Q()
    for own in subjects:
        condition |= _only(own, subjects)
    return condition


class AlertQuerySet(GuardedQuerySet):
    def with_look(self) -> "AlertQuerySet":
        """With the instant of the next look, which `next_look_at` then gives without a statement of its own."""
        looks = Promise.objects.open().filter(alert=OuterRef("pk"), kind=Promise.Kind.LOOK)
        return self.annotate(look_due_at=Subquery(looks.values("due_at")[:1]))


class Alert(Recorded):
    """Something a clinician must act on, about one breach, follow-up or worker; one per cause while open.

    Acknowledged is not closed: a promise of the kind `look` names when it pages again. A new trigger after the
    acknowledgement opens a new round. Joined or renewed, `because` says the worst (of the highest `weight`) and
    `newest` what came last. `dated_at` is the deadline or the event, `raised_at` when it was noticed.
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
        TASK_SOON = "task_soon", _("task soon due")
        LATE_REVIEW = "late_review", _("late to look at the tier again")
        LATE_SIGNATURE = "late_signature", _("late to sign")
        LATE_CALL = "late_call", _("call overdue")
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
        REACHED = "reached", _("reached")
        READING_CAME = "reading_came", _("the reading came")
        ENDED = "ended", _("the follow-up has ended")
        DECIDED = "decided", _("decided")

    site = models.ForeignKey(Site, models.PROTECT, related_name="alerts")
    breach = models.ForeignKey(Breach, models.PROTECT, null=True, blank=True, related_name="alerts")
    follow_up = models.ForeignKey(FollowUp, models.PROTECT, null=True, blank=True, related_name="alerts")
    worker = models.ForeignKey(Worker, models.PROTECT, null=True, blank=True, related_name="alerts")
    cause = models.CharField(max_length=30, choices=Cause)
    urgent = models.BooleanField(default=False)
    because = models.TextField()
    weight = models.DecimalField(max_digits=8, decimal_places=2, default=0)
    newest = models.TextField(blank=True)
    times = models.PositiveIntegerField(default=1)
    raised_at = models.DateTimeField()
    dated_at = models.DateTimeField(null=True, blank=True)
    round = models.PositiveSmallIntegerField(default=1)
    round_at = models.DateTimeField()
    acknowledged_at = models.DateTimeField(null=True, blank=True)
    # Handed over and not yet acknowledged: who is to take it.
    held_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="held_alerts"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="closed_alerts"
    )
    outcome = models.CharField(max_length=20, choices=Outcome, blank=True)
    note = models.TextField(blank=True)
    # The round of which somebody was last told: working state of the sweep, derived from its messages.
    paged_round = models.PositiveSmallIntegerField(default=0, db_default=0, editable=False)

    # How many more places of the on-call chain than the first were told in this round, and when the next one is told:
    # working state too.
    climbed = models.PositiveSmallIntegerField(default=0, db_default=0, editable=False)
    climbs_at = models.DateTimeField(null=True, editable=False)

    UNVERSIONED = ("paged_round", "climbed", "climbs_at")
    objects = models.Manager.from_queryset(AlertQuerySet)()

    class Meta:
        ordering = ["-urgent", "round_at"]
        indexes = [
            models.Index(
                fields=["id"],
                condition=Q(closed_at=None, acknowledged_at=None, paged_round__lt=F("round"))
                & ~Q(cause__in=NOT_PAGED),
                name="alert_to_page",
            ),
            models.Index(
                fields=["climbs_at"],
                condition=Q(closed_at=None, acknowledged_at=None, climbs_at__isnull=False),
                name="alert_to_climb",
            ),
        ]
        constraints = [
            models.CheckConstraint(condition=_exactly_one(ALERTED), name="alert_one_subject"),
            models.CheckConstraint(
                condition=Q(closed_at=None) | (Q(closed_by__isnull=False) & ~Q(outcome="")),
                name="alert_closed_with_outcome",
            ),
            *(
                models.UniqueConstraint(
                    fields=[subject, "cause"], condition=Q(closed_at=None), name=f"alert_open_{subject}"
                )
                for subject in ALERTED
            ),
        ]

    def __str__(self) -> str:
        return f"{self.cause} {self.raised_at:%Y-%m-%d %H:%M}"

    @property
    def is_nobodys(self) -> bool:
        """Whether everybody was told, the last of the on-call chain too, and nobody has taken it."""
        told = self.paged_round == self.round and self.climbed > 0 and self.climbs_at is None
        return told and self.acknowledged_at is None and self.closed_at is None

    @property
    def next_look_at(self) -> datetime | None:
        """When it pages again although it was seen."""
        if "look_due_at" not in self.__dict__:
            look = self.promises.open().filter(kind=Promise.Kind.LOOK).first()
            self.__dict__["look_due_at"] = look.due_at if look else None
        return self.__dict__["look_due_at"]

    @property
    def words(self) -> str:
        """The worst and, where it is another, the newest."""
        if not self.newest or self.newest == self.because:
            return self.because
        return _("%(worst)s Newest: %(newest)s") % {"worst": self.because, "newest": self.newest}


class AlertEntry(InsertOnly):
    """What happened to an alert, in order: raised, joined, a new round, acknowledged, paged, closed."""

    class Kind(models.TextChoices):
        RAISED = "raised", _("raised")
        JOINED = "joined", _("happened again")
        ROUND = "round", _("happened again after it was seen")
        ACKNOWLEDGED = "acknowledged", _("seen")
        TAKEN = "taken", _("taken over")
        GIVEN = "given", _("handed over")
        WATCH = "watch", _("watched until the next look")
        REPEAT = "repeat", _("to be measured again by the next look")
        LOOK_DUE = "look_due", _("next look due")
        CLOSED = "closed", _("closed")

    alert = models.ForeignKey(Alert, models.PROTECT, related_name="entries")
    kind = models.CharField(max_length=20, choices=Kind)
    because = models.TextField(blank=True)
    reading = models.ForeignKey(Reading, models.PROTECT, null=True, blank=True, related_name="alert_entries")
    unplaced = models.ForeignKey(
        UnplacedReading, models.PROTECT, null=True, blank=True, related_name="alert_entries"
    )
    promise = models.ForeignKey(
        "Promise", models.PROTECT, null=True, blank=True, related_name="alert_entries"
    )

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.alert_id} {self.kind}"

    @property
    def is_note(self) -> bool:
        """Whether `because` is what a clinician wrote."""
        return self.kind in (self.Kind.WATCH, self.Kind.REPEAT, self.Kind.CLOSED)


class PromiseQuerySet(GuardedQuerySet):
    def open(self) -> "PromiseQuerySet":
        """Neither kept nor void."""
        return self.filter(kept_at=None, void_at=None)

    def late(self, *, at: datetime) -> "PromiseQuerySet":
        """Open, and past its time."""
        return self.open().filter(due_at__lte=at)

    def waiting(self, *, at: datetime) -> "PromiseQuerySet":
        """Open, and it can be kept from now on."""
        return self.open().filter(Q(not_before=None) | Q(not_before__lte=at))

    def most_urgent_first(self) -> "PromiseQuerySet":
        """What is urgent, then by when it is due; last what waits for another, and what is done."""
        done, due = F("kept_at").asc(nulls_first=True), F("due_at").asc(nulls_last=True)
        return self.order_by(done, "-urgent", due, "pk")


class Promise(Recorded):
    """Somebody must do something by then. Everything that waits for anybody is one of these.

    Its subject is a breach, an exposure, a follow-up, an alert, a version of criteria or, with none of these, the
    worker; `worker` is whom it is about in any case but a version's. `key` says which of its kind, for one subject: a
    task's code, the uid of what is to be signed. `due_at` follows what is in force (a task that waits for another has
    none yet); `basis` says what it counts from. `held_by` is who has taken it, or was given it. Kept is done, by
    `kept_by`, or, of a task, `not_applicable` for the reason in `note`; void is no longer asked, because its cause
    has ended. `urgent`: late, it is urgent. `noticed_at` and `warned_at`: when lateness, and its approach, were told;
    emptied when the time moves ahead.
    """

    class Kind(models.TextChoices):
        TELL = "tell", _("tell the worker")
        CONFIRM = "confirm", _("confirm the report")
        TASK = "task", _("task")
        REVIEW = "review", _("look at the tier again")
        LOOK = "look", _("next look")
        CALL = "call", _("ring")
        SIGN = "sign", _("sign")
        IDENTIFY = "identify", _("who is it")

    site = models.ForeignKey(Site, models.PROTECT, related_name="promises")
    kind = models.CharField(max_length=20, choices=Kind)
    key = models.CharField(max_length=100, blank=True)
    title = models.CharField(max_length=200, blank=True)
    breach = models.ForeignKey(Breach, models.PROTECT, null=True, blank=True, related_name="promises")
    exposure = models.ForeignKey(Exposure, models.PROTECT, null=True, blank=True, related_name="promises")
    follow_up = models.ForeignKey(FollowUp, models.PROTECT, null=True, blank=True, related_name="promises")
    worker = models.ForeignKey(Worker, models.PROTECT, null=True, blank=True, related_name="promises")
    alert = models.ForeignKey(Alert, models.PROTECT, null=True, blank=True, related_name="promises")
    version = models.ForeignKey(
        CriteriaVersion, models.PROTECT, null=True, blank=True, related_name="promises"
    )
    asked_at = models.DateTimeField()
    not_before = models.DateTimeField(null=True, blank=True)
    warn_at = models.DateTimeField(null=True, blank=True)
    due_at = models.DateTimeField(null=True, blank=True)
    basis = models.CharField(max_length=100, blank=True, help_text=_("as 24h after report"))
    urgent = models.BooleanField(default=False)
    kept_at = models.DateTimeField(null=True, blank=True)
    kept_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="kept_promises"
    )
    note = models.TextField(blank=True)
    # Without a constraint in the database: SQLite adds such a column without making the table anew.
    held_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="held_promises",
        db_constraint=False,
    )
    not_applicable = models.BooleanField(null=True, editable=False)
    void_at = models.DateTimeField(null=True, blank=True)
    void_because = models.CharField(max_length=60, blank=True)
    noticed_at = models.DateTimeField(null=True, blank=True)
    warned_at = models.DateTimeField(null=True, blank=True)

    objects = models.Manager.from_queryset(PromiseQuerySet)()

    class Meta:
        ordering = ["due_at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=_exactly_one(SUBJECTS) | (_only("worker", (*SUBJECTS, "worker"))),
                name="promise_one_subject",
            ),
            models.CheckConstraint(
                condition=Q(worker__isnull=False) | Q(version__isnull=False), name="promise_about_somebody"
            ),
            models.CheckConstraint(condition=Q(kept_at=None) | Q(void_at=None), name="promise_kept_or_void"),
            *(
                models.UniqueConstraint(
                    fields=[subject, "kind", "key"],
                    condition=Q(void_at=None)
                    & _only(subject, SUBJECTS if subject in SUBJECTS else (*SUBJECTS, subject)),
                    name=f"promise_once_{subject}",
                )
                for subject in (*SUBJECTS, "worker")
            ),
        ]
        indexes = [
            models.Index(
                fields=["due_at"],
                condition=Q(kept_at=None, void_at=None, noticed_at=None),
                name="promise_late",
            ),
            models.Index(
                fields=["warn_at"],
                condition=Q(kept_at=None, void_at=None, warned_at=None),
                name="promise_to_warn",
            ),
            models.Index(
                fields=["site", "kind"], condition=Q(kept_at=None, void_at=None), name="promise_open"
            ),
        ]

    @property
    def was_over(self) -> bool:
        """Whether its time had passed already when it was asked for: of a report that came too late for it."""
        return self.due_at is not None and self.due_at <= self.asked_at

    def __str__(self) -> str:
        return self.title or self.kind


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


class Handover(InsertOnly):
    """Somebody has taken over the list of a site; `recorded_at` is when, `read_at` when the list that they had read was
    made (empty in rows older than the column)."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="handovers")
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="handovers")
    read_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.site_id} {self.recorded_at:%Y-%m-%d %H:%M}"

    @property
    def as_of(self) -> datetime:
        """The instant whose state was handed over: what has happened since, the taker has not seen."""
        return self.read_at or self.recorded_at


class OtherDecision(InsertOnly):
    """What somebody decided while another decision stood already: answered with that one, and kept.

    `subject` is a model's name and the uid of its row; `sent` what was decided, as JSON.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="other_decisions")
    worker = models.ForeignKey(Worker, models.PROTECT, null=True, blank=True, related_name="other_decisions")
    deed = models.CharField(max_length=40)
    subject = models.CharField(max_length=100, db_index=True)
    sent = models.JSONField(default=dict)

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.deed} {self.subject}"
