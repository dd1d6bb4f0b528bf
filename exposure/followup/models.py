"""What must be checked, and when: follow-ups, their exposures, planned checks, readings and what they fill."""

from datetime import datetime

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.classify.models import Assessment, CriteriaVersion
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.record import GuardedQuerySet, InsertOnly, Recorded
from exposure.report.models import Breach, Case, Told


class FollowUpQuerySet(GuardedQuerySet):
    def running(self, *, at: datetime) -> "FollowUpQuerySet":
        """Not ended at `at`; a signed clearance ends when the last day does."""
        return self.filter(Q(ended_at=None) | Q(ended_at__gt=at), opened_at__lte=at)


class FollowUp(Recorded):
    """One worker's monitoring for one pathogen, over one or more exposures."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="follow_ups")
    worker = models.ForeignKey(Worker, models.PROTECT, related_name="follow_ups")
    pathogen = models.SlugField(max_length=60)
    opened_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = models.Manager.from_queryset(FollowUpQuerySet)()

    class Meta:
        ordering = ["opened_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["worker", "pathogen"], condition=Q(ended_at=None), name="follow_up_one_unended"
            )
        ]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.pathogen}"


class FollowUpState(Recorded):
    """A state of a follow-up, from an instant until another: kind, by whom, why, on what basis."""

    class Kind(models.TextChoices):
        PROVISIONAL = "provisional", _("provisional")
        MONITORED = "monitored", _("monitored")
        EVALUATED = "evaluated", _("being evaluated")
        ADMITTED = "admitted", _("admitted")
        CLEARED = "cleared", _("cleared")
        FELL_ILL = "fell_ill", _("fell ill with it")
        RULED_OUT = "ruled_out", _("ruled out")
        HANDED_OVER = "handed_over", _("handed over and accepted")
        DECLINED = "declined", _("declined")
        LEFT = "left", _("left the employer")
        LOST = "lost", _("lost")
        DIED = "died", _("died")
        JOINED = "joined", _("goes on in another follow-up")

    class Basis(models.TextChoices):
        AGREED = "agreed", _("agreed with the worker")
        INSTRUCTION = "instruction", _("the employer's instruction")
        ORDER = "order", _("a public-health order")

    follow_up = models.ForeignKey(FollowUp, models.PROTECT, related_name="states")
    kind = models.CharField(max_length=20, choices=Kind)
    from_at = models.DateTimeField()
    by = models.CharField(max_length=100)
    until_at = models.DateTimeField(null=True, blank=True)
    until_by = models.CharField(max_length=100, blank=True)
    reason = models.TextField(blank=True)
    basis = models.CharField(max_length=60, choices=Basis, blank=True)
    accepted_by = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["from_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["follow_up"], condition=Q(until_at=None), name="follow_up_one_state"
            )
        ]

    def __str__(self) -> str:
        return f"{self.follow_up_id} {self.kind}"


class Exposure(Recorded):
    """One dated contact that counts, with its own day 0, tier and plan.

    `day_zero` and `last_day` are dates in `zone`; `last_day` is empty where the plan has no readings. `plan` is
    the tier's plan as it stood when the assessment was made. Without a breach report there is no assessment: `version`
    names the criteria that the tier is of, `note` says what happened and `entered_at` when it was recorded; `told_at`
    is empty until a person has told the worker.
    """

    class Source(models.TextChoices):
        REPORT = "report", _("breach report")
        CONTACT_LIST = "contact_list", _("contact list")
        ROSTER = "roster", _("duty roster")
        OUTSIDE = "outside", _("exposure outside")

    follow_up = models.ForeignKey(FollowUp, models.PROTECT, related_name="exposures")
    source = models.CharField(max_length=20, choices=Source, default=Source.REPORT)
    case = models.ForeignKey(Case, models.PROTECT, null=True, blank=True, related_name="exposures")
    corrects = models.OneToOneField(
        "self", models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )
    breach = models.ForeignKey(Breach, models.PROTECT, null=True, blank=True, related_name="exposures")
    assessment = models.ForeignKey(
        Assessment, models.PROTECT, null=True, blank=True, related_name="exposures"
    )
    version = models.ForeignKey(
        CriteriaVersion, models.PROTECT, null=True, blank=True, related_name="exposures"
    )
    occurred_at = models.DateTimeField()
    zone = models.CharField(max_length=64)
    day_zero = models.DateField()
    last_day = models.DateField(null=True, blank=True)
    tier = models.CharField(max_length=60, blank=True)
    tier_label = models.CharField(max_length=200, blank=True)
    plan = models.JSONField(default=dict)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.TextField(blank=True)
    note = models.TextField(blank=True)
    entered_at = models.DateTimeField(null=True, blank=True)
    told_at = models.DateTimeField(null=True, blank=True)
    told_by = models.CharField(max_length=20, choices=Told.HOW, blank=True)

    class Meta:
        ordering = ["occurred_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["follow_up", "breach"],
                condition=Q(withdrawn_at=None),
                name="exposure_once_per_breach",
            )
        ]

    def __str__(self) -> str:
        return f"{self.follow_up_id} {self.day_zero}"

    @property
    def criteria_version(self) -> CriteriaVersion | None:
        """The version that the tier is of."""
        return self.assessment.version if self.assessment else self.version


class Check(InsertOnly):
    """One expected reading in one window of one day. Only `withdrawn_at` may be set later.

    `day` counts from the exposure that gave the last day when the check was planned; the instants are UTC;
    `local_date` is the worker's date of its opening in `zone`.
    """

    follow_up = models.ForeignKey(FollowUp, models.PROTECT, related_name="checks")
    day = models.SmallIntegerField()
    window = models.CharField(max_length=40)
    local_date = models.DateField()
    zone = models.CharField(max_length=64)
    opens_at = models.DateTimeField()
    due_at = models.DateTimeField()
    closes_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["opens_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["follow_up", "opens_at"], condition=Q(withdrawn_at=None), name="check_identity"
            ),
            models.CheckConstraint(
                condition=Q(opens_at__lt=models.F("closes_at"))
                & Q(due_at__gte=models.F("opens_at"))
                & Q(due_at__lte=models.F("closes_at")),
                name="check_window_in_order",
            ),
        ]
        indexes = [
            models.Index(fields=["closes_at"], condition=Q(withdrawn_at=None), name="check_by_closing")
        ]

    def __str__(self) -> str:
        return f"{self.follow_up_id} day {self.day} {self.window}"


METHODS = [
    ("oral", _("in the mouth")),
    ("tympanic", _("in the ear")),
    ("temporal", _("across the temple")),
    ("forehead", _("on the forehead")),
    ("axillary", _("in the armpit")),
    ("rectal", _("rectal")),
]


# What a reading, or an excuse, is to a check: the words of `exposure.followup.readings.place`.
READING_STATES = ("recorded", "recorded_late", "close", "repeat_due", "extra", "unplaced")
FILL_STATES = ("recorded", "recorded_late", "close", "repeat_due", "excused")


class ReadingFields(InsertOnly):
    """What people enter for a reading. `uid` is the submission's id; `taken_at` and `recorded_at` are both kept."""

    worker = models.ForeignKey(Worker, models.PROTECT, related_name="%(class)ss")
    taken_at = models.DateTimeField(null=True)
    unit = models.CharField(max_length=1, choices=[("C", "°C"), ("F", "°F")], blank=True)
    method = models.CharField(max_length=20, choices=METHODS, blank=True)
    felt_feverish = models.BooleanField(default=False)
    fever_reducer = models.CharField(max_length=100, blank=True)
    fever_reducer_hours = models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True)
    symptoms = models.JSONField(default=list)
    could_not = models.TextField(blank=True)
    note = models.TextField(blank=True)
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    body_sha256 = models.CharField(max_length=64)

    class Meta:
        abstract = True


class Reading(ReadingFields):
    """A reading as entered: value and unit are never converted. An amendment is a new row that `replaces` one.

    `judged_by` is by what it was judged, once per follow-up: [{"version", "sha256", "limit", "unit", "at", "profile"}],
    version and sha256 empty where the usual profile served.
    """

    value = models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True)
    replaces = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")
    reason = models.TextField(blank=True)
    observed_by = models.CharField(max_length=200, blank=True)
    window = models.CharField(max_length=40, blank=True)
    local_date = models.DateField()
    triggers = models.JSONField(default=list)
    state = models.CharField(max_length=20)
    judged_by = models.JSONField(default=list)

    class Meta:
        ordering = ["taken_at", "id"]
        indexes = [models.Index(fields=["worker", "taken_at"], name="reading_of_worker")]
        constraints = [
            models.CheckConstraint(condition=Q(taken_at__isnull=False), name="reading_has_its_moment"),
            models.CheckConstraint(condition=Q(state__in=READING_STATES), name="reading_state"),
            models.CheckConstraint(
                condition=Q(value=None, unit="", method="")
                | (Q(value__isnull=False) & ~Q(unit="") & ~Q(method="")),
                name="reading_value_unit_method_together",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.value} {self.unit}"


class UnplacedReading(ReadingFields):
    """A refused entry that would have been a trigger: kept with its text as typed, and its alert is raised."""

    typed = models.CharField(max_length=200)
    refused_because = models.TextField()
    triggers = models.JSONField(default=list)

    class Meta:
        ordering = ["recorded_at"]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.typed}"


class Fill(InsertOnly):
    """A reading (or a nurse's excuse, with a reason) settles a check; a later fill of it supersedes."""

    check_row = models.ForeignKey(Check, models.PROTECT, related_name="fills", db_column="check_id")
    reading = models.ForeignKey(Reading, models.PROTECT, null=True, blank=True, related_name="fills")
    state = models.CharField(max_length=20)
    reason = models.TextField(blank=True)

    class Meta:
        ordering = ["recorded_at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(state__in=FILL_STATES), name="fill_state"),
            models.CheckConstraint(
                condition=Q(reading__isnull=False) | (Q(state="excused") & ~Q(reason="")),
                name="fill_has_its_evidence",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.check_row_id} {self.state}"


class Protection(InsertOnly):
    """Vaccine or prophylaxis given: shown on every later alert; it never raises a threshold, delays or closes one."""

    class Kind(models.TextChoices):
        VACCINE = "vaccine", _("vaccine")
        PROPHYLAXIS = "prophylaxis", _("prophylaxis")

    worker = models.ForeignKey(Worker, models.PROTECT, related_name="protections")
    kind = models.CharField(max_length=20, choices=Kind)
    what = models.CharField(max_length=200)
    given_at = models.DateTimeField()
    batch = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering = ["given_at"]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.what}"


class PrivateNote(Recorded):
    """What only clinicians see of a worker. With `fever_unreliable` any "unwell" is a symptom."""

    worker = models.OneToOneField(Worker, models.PROTECT, related_name="private_note")
    fever_unreliable = models.BooleanField(default=False)
    text = models.TextField(blank=True)

    def __str__(self) -> str:
        return f"{self.worker_id}"


class Restriction(Recorded):
    """A work or travel restriction of one exposure, from a date to a date (both included)."""

    exposure = models.ForeignKey(Exposure, models.PROTECT, related_name="restrictions")
    code = models.SlugField(max_length=60)
    title = models.CharField(max_length=200)
    from_date = models.DateField()
    to_date = models.DateField(null=True, blank=True)
    lifted_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["from_date", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["exposure", "code"], condition=Q(lifted_at=None), name="restriction_once_per_exposure"
            )
        ]

    def __str__(self) -> str:
        return self.title
