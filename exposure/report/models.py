"""Someone saw a breach: cases, removals, marks made on the spot, breach reports and what is said about them."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from exposure.people.models import Worker
from exposure.places.models import FailureType, Protocol, Site, Station, Step
from exposure.record import InsertOnly, Recorded


class Case(Recorded):
    """A source patient at a station under a random code, never a name."""

    code = models.SlugField(max_length=20, unique=True)
    site = models.ForeignKey(Site, models.PROTECT, related_name="cases")
    station = models.ForeignKey(Station, models.PROTECT, related_name="cases")
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-opened_at"]

    def __str__(self) -> str:
        return self.code


class CaseStatement(InsertOnly):
    """What a clinician stated about a case and one pathogen; the newest one per pathogen holds.

    `facts` answers the criteria's facts about the case; `hours_since_onset` belongs to a test's result.
    """

    class Status(models.TextChoices):
        SUSPECTED = "suspected", _("suspected")
        CONFIRMED = "confirmed", _("confirmed")
        RULED_OUT = "ruled_out", _("ruled out")

    case = models.ForeignKey(Case, models.PROTECT, related_name="statements")
    pathogen = models.SlugField(max_length=60)
    status = models.CharField(max_length=20, choices=Status)
    onset_on = models.DateField(null=True, blank=True)
    hours_since_onset = models.PositiveIntegerField(null=True, blank=True)
    facts = models.JSONField(default=dict)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["case", "recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.case_id} {self.pathogen} {self.status}"


class Event(Recorded):
    """Several people exposed at once: linked reports, each with its own facts."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="events")
    title = models.CharField(max_length=200)
    occurred_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.title


class Removal(Recorded):
    """One worker's one doffing, real or drill: the denominator of every rate."""

    class Watched(models.TextChoices):
        OBSERVER = "observer", _("by a trained observer")
        TWO = "two", _("by two observers")
        BUDDY = "buddy", _("by a buddy")
        NOBODY = "nobody", _("by nobody")

    site = models.ForeignKey(Site, models.PROTECT, related_name="removals")
    station = models.ForeignKey(Station, models.PROTECT, related_name="removals")
    protocol = models.ForeignKey(Protocol, models.PROTECT, related_name="removals")
    worker = models.ForeignKey(Worker, models.PROTECT, null=True, blank=True, related_name="removals")
    observer = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="observed_removals"
    )
    unlisted = models.BooleanField(
        default=False, help_text=_("The worker was named at the station and is on no list.")
    )
    watched = models.CharField(max_length=20, choices=Watched, default=Watched.OBSERVER)
    drill = models.BooleanField()
    at_step = models.PositiveSmallIntegerField(default=1)
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    paused_at = models.DateTimeField(null=True, blank=True, help_text=_("It stands still since then."))
    way_out_at = models.DateTimeField(
        null=True, blank=True, help_text=_("Since then it goes by the shortest safe way out.")
    )

    class Meta:
        ordering = ["-started_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(finished_at=None) | Q(finished_at__gte=F("started_at")),
                name="removal_ends_after_start",
            )
        ]

    def __str__(self) -> str:
        return f"{self.station_id} {self.started_at:%Y-%m-%d %H:%M}"


class Mark(Recorded):
    """The one tap that something went wrong: step and moment. Later it becomes a deviation or a breach report."""

    removal = models.ForeignKey(Removal, models.PROTECT, related_name="marks")
    step = models.ForeignKey(Step, models.PROTECT, related_name="marks")
    failure = models.ForeignKey(FailureType, models.PROTECT, null=True, blank=True, related_name="marks")
    marked_at = models.DateTimeField()
    deviation_at = models.DateTimeField(
        null=True, blank=True, help_text=_("No contact possible: noted, done.")
    )
    reopened_at = models.DateTimeField(
        null=True, blank=True, help_text=_("“No contact possible” was taken back.")
    )
    aid_begun_at = models.DateTimeField(
        null=True,
        blank=True,
        help_text=_("Rinsing or washing began: the length of the card counts from then."),
    )
    breach = models.ForeignKey("Breach", models.PROTECT, null=True, blank=True, related_name="marks")

    class Meta:
        ordering = ["marked_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(deviation_at=None) | Q(breach=None), name="mark_is_deviation_or_breach"
            )
        ]

    def __str__(self) -> str:
        return f"{self.removal_id} {self.step_id}"


class Breach(Recorded):
    """A suspected break in protection, as reported. Its `uid` is the submission's id, made on the device.

    `body` is what was sent, to the letter; the columns are what could be understood of it; `flags` names what a
    nurse must look at. `happened_at` is the instant the follow-up counts from: `occurred_at` where that is
    plausible, else the moment of the report.
    """

    class Phase(models.TextChoices):
        ENTRY = "entry", _("before entry")
        ROOM = "room", _("in the room")
        REMOVAL = "removal", _("during removal")
        LATER = "later", _("found later")

    class Observed(models.TextChoices):
        """How it is known who observed, where a station's tablet says so beside the device in whose name it reports."""

        STATED = "stated", _("said to be, not proved")
        PROVED = "proved", _("proved by badge and digits")

    site = models.ForeignKey(Site, models.PROTECT, related_name="breaches")
    station = models.ForeignKey(Station, models.PROTECT, null=True, blank=True, related_name="breaches")
    worker = models.ForeignKey(Worker, models.PROTECT, related_name="breaches")
    reported_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="reported_breaches"
    )
    reported_at = models.DateTimeField()
    occurred_at = models.DateTimeField(null=True, blank=True)
    happened_at = models.DateTimeField()
    case = models.ForeignKey(Case, models.PROTECT, null=True, blank=True, related_name="breaches")
    phase = models.CharField(max_length=20, choices=Phase)
    drill = models.BooleanField(default=False)
    protocol_step = models.CharField(max_length=60, blank=True)
    removal = models.ForeignKey(Removal, models.PROTECT, null=True, blank=True, related_name="breaches")
    event = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="breaches")
    facts = models.JSONField(default=dict)
    criteria_version = models.CharField(max_length=60, blank=True)
    what_happened = models.CharField(max_length=60, blank=True)
    first_aid = models.JSONField(default=list)
    narrative = models.TextField(blank=True)
    body = models.JSONField()
    body_sha256 = models.CharField(max_length=64)
    # Columns that SQLite can add and take away: a table that it makes anew loses what older releases left there. So
    # the account is held by `PROTECT` alone, and what was never said is null.
    observed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="observed_breaches",
        db_constraint=False, db_index=False,
    )  # fmt: skip
    observed_how = models.CharField(max_length=10, choices=Observed, null=True, blank=True)
    flags = models.JSONField(default=list)
    reference = models.CharField(max_length=12, db_index=True)
    confirmed_at = models.DateTimeField(null=True, blank=True)
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="confirmed_breaches"
    )
    confirmation_note = models.TextField(blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-reported_at"]
        verbose_name_plural = "breaches"

    def __str__(self) -> str:
        return self.reference


class OtherContent(InsertOnly):
    """The same submission id sent again with other content: both stay visible to a nurse."""

    breach = models.ForeignKey(Breach, models.PROTECT, related_name="other_contents")
    body = models.JSONField()
    body_sha256 = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["breach", "body_sha256"], name="other_content_once")]

    def __str__(self) -> str:
        return f"{self.breach_id} {self.body_sha256[:8]}"


class Told(InsertOnly):
    """Somebody told the worker, in person or by telephone: messages may start."""

    HOW = [("person", _("in person")), ("phone", _("by telephone"))]

    breach = models.ForeignKey(Breach, models.PROTECT, related_name="tellings")
    by = models.CharField(max_length=10, choices=HOW)
    told_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.breach_id} {self.by}"


class PhonedIn(InsertOnly):
    """The reporter has told occupational health of the report by telephone; the worker is told by others (`Told`)."""

    breach = models.OneToOneField(Breach, models.PROTECT, related_name="phoned_in")

    def __str__(self) -> str:
        return f"{self.breach_id}"


class WithdrawalRequest(InsertOnly):
    """A reporter asks to withdraw; a clinician decides after speaking with the worker."""

    breach = models.ForeignKey(Breach, models.PROTECT, related_name="withdrawal_requests")
    reason = models.TextField()

    def __str__(self) -> str:
        return f"{self.breach_id}"


class WithdrawalDecision(InsertOnly):
    """What a clinician decided after speaking with the worker."""

    request = models.OneToOneField(WithdrawalRequest, models.PROTECT, related_name="decision")
    accepted = models.BooleanField()
    reason = models.TextField()

    def __str__(self) -> str:
        return f"{self.request_id} {self.accepted}"


class ReportDraft(models.Model):
    """A report while somebody writes it. Working state: changed and forgotten without a version, seen by its writer
    alone. `submission_id` is the id that the report will have; the draft of a mark has the mark's."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="report_drafts")
    submission_id = models.UUIDField()
    fields = models.JSONField()
    answers = models.JSONField()
    changed_at = models.DateTimeField(db_index=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["user", "submission_id"], name="report_draft_once")]

    def __str__(self) -> str:
        return str(self.submission_id)
