"""What a clinician keeps at the desk for themselves."""

from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower

from exposure.people.models import User
from exposure.record import Recorded


class SavedFilter(Recorded):
    """A list that a clinician opens again by a name of their own. `chosen`: name in the list's address -> value."""

    user = models.ForeignKey(User, models.PROTECT, related_name="saved_filters")
    name = models.CharField(max_length=60)
    chosen = models.JSONField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["user", "name", "id"]
        constraints = [
            models.UniqueConstraint(
                "user", Lower("name"), condition=Q(ended_at=None), name="saved_filter_name_of_one"
            )
        ]

    def __str__(self) -> str:
        return f"{self.user_id} {self.pk}"
