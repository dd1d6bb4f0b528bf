"""When may it end: clearances."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.followup.models import FollowUp
from exposure.record import Recorded


class Clearance(Recorded):
    """The end of a follow-up. Its signatures are rows of their own; with the last one needed it is `signed_at`,
    and it takes effect at `effective_at`, when the last day ends in the exposure's zone. `reasons` are the codes of
    what was found in order at the last signature (`exposure.clear.rule.Ruling.grounds`)."""

    class Kind(models.TextChoices):
        COMPLETED = "completed", _("completed")
        WITH_GAP = "with_gap", _("completed with a gap")

    follow_up = models.ForeignKey(FollowUp, models.PROTECT, related_name="clearances")
    kind = models.CharField(max_length=20, choices=Kind)
    signatures_needed = models.PositiveSmallIntegerField(default=1)
    signed_at = models.DateTimeField(null=True, blank=True)
    effective_at = models.DateTimeField()
    void_at = models.DateTimeField(null=True, blank=True)
    void_because = models.TextField(blank=True)
    reasons = models.JSONField(default=list)

    class Meta:
        ordering = ["effective_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["follow_up"], condition=Q(void_at=None), name="clearance_one_standing"
            )
        ]

    def __str__(self) -> str:
        return f"{self.follow_up_id} {self.effective_at:%Y-%m-%d}"
