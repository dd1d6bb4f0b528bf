"""Criteria versions, where they are adopted, signatures, and the assessments made under them."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.places.models import Site
from exposure.record import InsertOnly, Recorded
from exposure.report.models import Breach


class CriteriaVersion(Recorded):
    """One text of one pathogen's criteria. Draft, proposed, approved, retired: an instant and an actor each. A draft
    that is retired without having been proposed was abandoned."""

    pathogen = models.SlugField(max_length=60)
    version = models.CharField(max_length=60)
    title = models.CharField(max_length=200)
    text = models.TextField()
    sha256 = models.CharField(max_length=64, db_index=True)
    withdrawn_guidance = models.BooleanField(default=False)
    drafted_by = models.CharField(max_length=100)
    proposed_at = models.DateTimeField(null=True, blank=True)
    proposed_by = models.CharField(max_length=100, blank=True)
    approved_at = models.DateTimeField(null=True, blank=True)
    retired_at = models.DateTimeField(null=True, blank=True)
    is_example = models.BooleanField(default=False)

    class Meta:
        ordering = ["pathogen", "version"]
        constraints = [
            models.UniqueConstraint(fields=["pathogen", "version"], name="criteria_version"),
            models.CheckConstraint(
                condition=Q(approved_at=None) | Q(proposed_at__isnull=False),
                name="criteria_proposed_before_approved",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pathogen} {self.version}"


class Tick(InsertOnly):
    """Somebody has compared a row that was written from memory with its source: rules[0], tiers[1], profile."""

    version = models.ForeignKey(CriteriaVersion, models.PROTECT, related_name="ticks")
    row = models.CharField(max_length=60)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["version", "row"], name="tick_once_per_row")]

    def __str__(self) -> str:
        return f"{self.version_id} {self.row}"


class Replay(InsertOnly):
    """All past reports classified under a version that is not in force: who would move, and by which rule.

    `moves` counts per (before, after): [{"before", "after", "rules", "settled", "count"}]; `breaches` are the uids
    of the reports that would move, in the order of `moves`. Nothing is moved by it.
    """

    version = models.ForeignKey(CriteriaVersion, models.PROTECT, related_name="replays")
    sha256 = models.CharField(max_length=64)
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="replays")
    reports = models.PositiveIntegerField()
    moves = models.JSONField(default=list)
    breaches = models.JSONField(default=list)

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.version_id} {self.reports}"


class Signature(InsertOnly):
    """One person's signature on one thing; what needs two takes effect with the second row.

    `subject` is a model's name and the uid of its row: criteriaversion:UID, adoption:UID, assessment:UID,
    clearance:UID.
    """

    subject = models.CharField(max_length=100)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="signatures")
    meaning = models.CharField(max_length=60)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["subject", "user"], name="signature_once")]

    def __str__(self) -> str:
        return f"{self.subject} {self.meaning}"


class Adoption(Recorded):
    """A site works with a version from an instant on; one per site and pathogen while `until_at` is empty."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="adoptions")
    pathogen = models.SlugField(max_length=60)
    version = models.ForeignKey(CriteriaVersion, models.PROTECT, related_name="adoptions")
    from_at = models.DateTimeField()
    until_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["site", "pathogen", "from_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "pathogen"], condition=Q(until_at=None), name="adoption_one_at_a_time"
            )
        ]

    def __str__(self) -> str:
        return f"{self.site_id}: {self.version}"


class Assessment(InsertOnly):
    """One criteria version on one set of facts. A later one stands beside it; the newest per pathogen holds.

    `version` is empty where nothing was adopted; then `tier_code` etc. are empty too and the site's default plan
    rules. `treated_as` is the tier that the follow-up goes by: the tier when settled, else the ceiling, the
    highest where a flag says that the content cannot be relied on, or a clinician's override. One that needs a
    second signature takes effect with that row.
    """

    class Kind(models.TextChoices):
        REPORT = "report", _("on the report")
        FACTS = "facts", _("further answers")
        CONFIRMATION = "confirmation", _("confirmed")
        OVERRIDE = "override", _("overridden")

    breach = models.ForeignKey(Breach, models.PROTECT, related_name="assessments")
    pathogen = models.SlugField(max_length=60)
    version = models.ForeignKey(CriteriaVersion, models.PROTECT, null=True, related_name="assessments")
    kind = models.CharField(max_length=20, choices=Kind)
    facts = models.JSONField(default=dict)
    floor = models.CharField(max_length=60, blank=True)
    ceiling = models.CharField(max_length=60, blank=True)
    tier = models.CharField(max_length=60, blank=True)
    treated_as = models.CharField(max_length=60, blank=True)
    covered = models.BooleanField(default=False)
    rules = models.JSONField(default=list)
    reasons = models.JSONField(default=list)
    open_questions = models.JSONField(default=list)
    reason = models.TextField(blank=True)
    second_signature_needed = models.BooleanField(default=False)

    class Meta:
        ordering = ["recorded_at", "id"]
        indexes = [models.Index(fields=["breach", "pathogen"], name="assessment_of_breach")]

    def __str__(self) -> str:
        return f"{self.breach_id} {self.pathogen} {self.tier or self.ceiling}"
