"""Who looked at what, and who came in."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.record import InsertOnly


class AccessEntry(InsertOnly):
    """One look: at a person, an export or an API detail each time; at a list once per filter and hour. And what
    happened at the door: who signed in, who was refused, whose password changed.

    `subject` names what was seen (worker:UID, follow-up:UID, the list's name and filter); `about` is the uid of the
    worker concerned, so that they can be shown who looked.
    """

    class Kind(models.TextChoices):
        PERSON = "person", _("person's page")
        DETAIL = "detail", _("detail")
        LIST = "list", _("list")
        EXPORT = "export", _("printed or exported")
        SIGNED_IN = "signed_in", _("signed in")
        REFUSED = "refused", _("refused at the sign-in")
        SIGNED_OUT = "signed_out", _("signed out")
        PASSWORD = "password", _("password set anew")

    AT_THE_DOOR = (Kind.SIGNED_IN, Kind.REFUSED, Kind.SIGNED_OUT, Kind.PASSWORD)

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="looks")
    kind = models.CharField(max_length=20, choices=Kind)
    subject = models.CharField(max_length=200)
    about = models.UUIDField(null=True, blank=True, db_index=True)
    hour = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["recorded_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["user", "kind", "subject", "hour"],
                condition=Q(hour__isnull=False),
                name="list_look_once_an_hour",
            )
        ]

    def __str__(self) -> str:
        return f"{self.user_id} {self.subject}"
