"""Who looked at what, and who came in; and the seals over all that is recorded."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.record import GuardedQuerySet, InsertOnly


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
        FACTOR = "factor", _("second factor changed")
        ADDRESS = "address", _("address changed")
        KEY = "key", _("key to the interface")
        INVITED = "invited", _("invited")

    AT_THE_DOOR = (
        Kind.SIGNED_IN,
        Kind.REFUSED,
        Kind.SIGNED_OUT,
        Kind.PASSWORD,
        Kind.FACTOR,
        Kind.ADDRESS,
        Kind.KEY,
        Kind.INVITED,
    )

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


class Seals(models.Model):
    """Written by the sealer alone: no row of the record, so that seals are not sealed in their turn."""

    objects = models.Manager.from_queryset(GuardedQuerySet)()

    class Meta:
        abstract = True


class SealEntry(Seals):
    """One leaf of the tree: which version or row written once it stands for, and the hash of its exact bytes.

    `sequence` counts from 0 without a gap, in the order of sealing. `model` is Django's name of the table sealed
    (historicalworker, reading; `check.withdrawn` for the withdrawal of a row), `row` its primary key there.
    """

    sequence = models.BigIntegerField(primary_key=True)
    model = models.CharField(max_length=80)
    row = models.BigIntegerField()
    leaf_hash = models.BinaryField(max_length=32)

    class Meta:
        ordering = ["sequence"]
        constraints = [models.UniqueConstraint(fields=["model", "row"], name="sealed_once")]

    def __str__(self) -> str:
        return f"{self.sequence} {self.model} {self.row}"


class SealedBytes(Seals):
    """The exact bytes of an entry (RFC 8785). They may be taken away by a lawful purge; the entry's hash stays."""

    entry = models.OneToOneField(SealEntry, models.PROTECT, primary_key=True, related_name="sealed")
    content = models.BinaryField()

    def __str__(self) -> str:
        return str(self.entry_id)


class SealHead(Seals):
    """The root over the first `size` entries, signed with Ed25519 by `key` (the public one, 64 hexadecimal digits).

    With `next_key` it is a hand-over as well: whatever comes after it is signed by that key. `peaks` is what the next
    head goes on from; nothing is proved by it.
    """

    size = models.BigIntegerField()
    root = models.BinaryField(max_length=32)
    at = models.DateTimeField()
    key = models.CharField(max_length=64)
    next_key = models.CharField(max_length=64, blank=True)
    signature = models.BinaryField(max_length=64)
    peaks = models.BinaryField()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["size"], condition=Q(next_key=""), name="one_head_a_size"),
            models.UniqueConstraint(fields=["key"], condition=~Q(next_key=""), name="a_key_hands_over_once"),
        ]

    def __str__(self) -> str:
        return f"{self.size} {self.at:%Y-%m-%d %H:%M:%S}"
