"""Who looked at what, and who came in; the seals over all that is recorded; how long it is kept, and what went."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from exposure.record import GuardedQuerySet, InsertOnly, Recorded


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


class Hold(Recorded):
    """A court, a claim or an inquiry needs the record of a worker, or of a whole site (no `worker`): nothing of it is
    purged until somebody has lifted the hold."""

    site = models.ForeignKey("exposure.Site", models.PROTECT, related_name="holds")
    worker = models.ForeignKey("exposure.Worker", models.PROTECT, null=True, related_name="holds")
    reason = models.TextField()
    placed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="holds_placed")
    placed_at = models.DateTimeField()
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="holds_lifted"
    )
    lifted_at = models.DateTimeField(null=True)
    lifted_because = models.TextField(blank=True)

    class Meta:
        ordering = ["placed_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(lifted_at=None, lifted_by=None)
                | Q(lifted_at__isnull=False, lifted_by__isnull=False) & ~Q(lifted_because=""),
                name="hold_lifted_whole",
            )
        ]

    def __str__(self) -> str:
        return f"{self.site_id} {self.worker_id or 'all'}"


class PurgeOrder(Recorded):
    """Whose records are to go, proposed by one person and answered by another; `agreed` is empty until then.

    `people` holds the uids of the workers, because a name here would outlive the record. Nothing goes by the order
    itself: `manage.py purge`, run by whoever owns the tables, carries it out.
    """

    site = models.ForeignKey("exposure.Site", models.PROTECT, related_name="purge_orders")
    people = models.JSONField()
    reason = models.TextField()
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="purges_proposed")
    proposed_at = models.DateTimeField()
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="purges_answered"
    )
    answered_at = models.DateTimeField(null=True)
    agreed = models.BooleanField(null=True)

    class Meta:
        ordering = ["proposed_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(answered_by=None, answered_at=None, agreed=None)
                | Q(answered_by__isnull=False, answered_at__isnull=False, agreed__isnull=False)
                & ~Q(answered_by=F("proposed_by")),
                name="purge_order_by_two",
            )
        ]

    def __str__(self) -> str:
        return f"{self.site_id} {self.proposed_at:%Y-%m-%d}"


class Purge(InsertOnly):
    """The record of one person has gone under an order. `about` is the worker's uid, `counts` rows by model,
    `first_at` and `last_at` the dates between which they were recorded, `leaves` the numbers of their entries in the
    tree as [[first, last], ...]: their hashes stay. Written by the owner of the tables alone, and sealed."""

    order = models.ForeignKey(PurgeOrder, models.PROTECT, related_name="purges")
    about = models.UUIDField(unique=True)
    counts = models.JSONField()
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()
    leaves = models.JSONField()

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.order_id} {self.about}"

    @property
    def entries(self) -> int:
        """How many entries lost their bytes."""
        return sum(last - first + 1 for first, last in self.leaves)
