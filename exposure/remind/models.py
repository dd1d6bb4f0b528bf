"""Tell the right person once: reminder instants, reminders, outgoing messages and each attempt to send one."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.attend.models import Alert
from exposure.followup.models import Check, FollowUp
from exposure.people.models import Channel, Worker
from exposure.places.models import Site
from exposure.record import Identified, InsertOnly


class Rung(InsertOnly):
    """An instant at which the worker is reminded of one check; or, of the kind `closed`, at which a reading that has
    not come is noticed as missing. Settled or dropped it is withdrawn: only `withdrawn_at` may be set later."""

    CLOSED = "closed"

    check_row = models.ForeignKey(Check, models.PROTECT, related_name="rungs", db_column="check_id")
    kind = models.CharField(max_length=20)
    at = models.DateTimeField()
    again = models.PositiveSmallIntegerField(
        default=0
    )  # asked anew after a clock that was wrong had used it up
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["check_row", "kind", "again"], name="rung_once")]
        indexes = [
            models.Index(fields=["at"], condition=Q(withdrawn_at=None), name="rung_by_instant"),
            models.Index(
                fields=["at"], condition=Q(withdrawn_at=None, kind="closed"), name="rung_closed_by_instant"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.check_row_id} {self.kind}"


class Reminder(InsertOnly):
    """A rung that has passed: sent, or skipped with the reason. One per worker, slot and rung."""

    worker = models.ForeignKey(Worker, models.PROTECT, related_name="reminders")
    slot_opens_at = models.DateTimeField()
    rung = models.CharField(max_length=20)
    rung_at = models.DateTimeField()
    again = models.PositiveSmallIntegerField(default=0, db_default=0)
    skipped_because = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering = ["rung_at"]
        constraints = [
            models.UniqueConstraint(fields=["worker", "slot_opens_at", "rung", "again"], name="reminder_once")
        ]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.slot_opens_at:%Y-%m-%d %H:%M} {self.rung}"


class Message(Identified):
    """The outbox: working state, not versioned. `uid` is the idempotency key towards the gateway.

    Claimed with a lease and a fresh token, marked only where the token matches. It ends as sent, or as given up: it was
    decided, when it was claimed, that it must not go (`skipped_because`), or no gateway took it before `pointless_at`
    (no `skipped_because`). `link_sha256`: of the secret in the link that it carries.
    """

    Channel = Channel

    site = models.ForeignKey(Site, models.PROTECT, related_name="messages")
    reminder = models.ForeignKey(Reminder, models.PROTECT, null=True, blank=True, related_name="messages")
    alert = models.ForeignKey(Alert, models.PROTECT, null=True, blank=True, related_name="messages")
    alert_round = models.PositiveSmallIntegerField(null=True, blank=True)
    page_rung = models.PositiveSmallIntegerField(null=True, blank=True)
    worker = models.ForeignKey(Worker, models.PROTECT, null=True, blank=True, related_name="messages")
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="messages"
    )
    channel = models.CharField(max_length=20, choices=Channel)
    address = models.CharField(max_length=254)
    subject = models.CharField(max_length=200)
    body = models.TextField()
    created_at = models.DateTimeField()
    due_at = models.DateTimeField()
    pointless_at = models.DateTimeField()
    lease_until = models.DateTimeField(null=True, blank=True)
    token = models.UUIDField(null=True, blank=True)
    attempts_made = models.PositiveSmallIntegerField(default=0)
    sent_at = models.DateTimeField(null=True, blank=True)
    given_up_at = models.DateTimeField(null=True, blank=True)
    skipped_because = models.CharField(max_length=60, blank=True, default="", db_default="")
    link_sha256 = models.CharField(max_length=64, null=True, blank=True, unique=True)

    objects = models.Manager()  # type: ignore[assignment]

    class Meta:
        ordering = ["due_at", "id"]
        indexes = [
            models.Index(
                fields=["due_at"], condition=Q(sent_at=None, given_up_at=None), name="message_waiting"
            ),
            models.Index(fields=["user", "sent_at"], name="page_by_recipient"),
            # Pages go first, however many reminders wait.
            models.Index(
                fields=["due_at"],
                condition=Q(sent_at=None, given_up_at=None, alert__isnull=False),
                name="page_waiting",
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(reminder__isnull=False, worker__isnull=False, alert=None)
                | Q(alert__isnull=False, user__isnull=False, reminder=None),
                name="message_reminds_or_pages",
            ),
            models.UniqueConstraint(
                fields=["reminder", "channel"],
                condition=Q(reminder__isnull=False),
                name="message_once_per_reminder",
            ),
            models.UniqueConstraint(
                fields=["alert", "alert_round", "page_rung", "user", "channel"],
                condition=Q(alert__isnull=False),
                name="page_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.channel} {self.due_at:%Y-%m-%d %H:%M}"


class Attempt(InsertOnly):
    """One try at sending a message, written before the gateway is called."""

    message = models.ForeignKey(Message, models.PROTECT, related_name="attempts")
    number = models.PositiveSmallIntegerField()
    channel = models.CharField(max_length=20)

    class Meta:
        ordering = ["message", "number"]
        constraints = [models.UniqueConstraint(fields=["message", "number"], name="attempt_number")]

    def __str__(self) -> str:
        return f"{self.message_id} #{self.number}"


class AttemptOutcome(InsertOnly):
    """What the gateway said to an attempt; an attempt without one was cut off by a crash."""

    attempt = models.OneToOneField(Attempt, models.PROTECT, related_name="outcome")
    accepted = models.BooleanField()
    detail = models.TextField(blank=True)

    def __str__(self) -> str:
        return f"{self.attempt_id} {'accepted' if self.accepted else 'refused'}"


class DeliveryReport(InsertOnly):
    """What a gateway said later about a message that it had taken: at the telephone, or never."""

    message = models.ForeignKey(Message, models.PROTECT, related_name="delivery_reports")
    delivered = models.BooleanField()
    detail = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.message_id} {'delivered' if self.delivered else 'not delivered'}"


class Reply(InsertOnly):
    """What somebody answered to a reminder, by its link or by text. It is no reading and no contact."""

    class Kind(models.TextChoices):
        DONE = "done", _("done")
        CANNOT = "cannot", _("cannot take a reading")
        CALL_ME = "call_me", _("call me")
        STOP = "stop", _("no more reminders")
        ILL = "ill", _("feels ill")
        OTHER = "other", _("something else")

    class Road(models.TextChoices):
        LINK = "link", _("the link of a reminder")
        TEXT = "text", _("text message")

    worker = models.ForeignKey(Worker, models.PROTECT, related_name="replies")
    message = models.ForeignKey(Message, models.PROTECT, null=True, blank=True, related_name="replies")
    kind = models.CharField(max_length=20, choices=Kind)
    road = models.CharField(max_length=10, choices=Road)
    text = models.TextField(blank=True)
    reference = models.CharField(
        max_length=200, null=True, blank=True, unique=True
    )  # the gateway's, once each
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["worker", "at"], name="reply_by_worker")]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.kind}"


class ClockJump(InsertOnly):
    """The clock was wrong: it said `said_at`, and by the next look it was `right_at`. What was settled between the two
    by the wrong clock is asked anew."""

    said_at = models.DateTimeField()
    right_at = models.DateTimeField()
    asked_anew = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["right_at", "id"]

    def __str__(self) -> str:
        return f"{self.said_at:%Y-%m-%d %H:%M:%S} {self.right_at:%Y-%m-%d %H:%M:%S}"


class Heartbeat(models.Model):
    """When a process last ended its round, and how long that took. Working state."""

    name = models.CharField(max_length=40, unique=True)
    at = models.DateTimeField()
    seconds = models.FloatField(null=True, blank=True)
    note = models.TextField(blank=True)

    def __str__(self) -> str:
        return f"{self.name} {self.at:%Y-%m-%d %H:%M:%S}"


class SetAside(models.Model):
    """A row at which one part of the round failed: left out until `retry_at`, so that the others go on. Working state.

    `error` is the kind of error only, no content. `settled_at` is when it went well again.
    """

    part = models.CharField(max_length=40)
    row = models.CharField(max_length=100)
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()
    retry_at = models.DateTimeField()
    tries = models.PositiveIntegerField(default=1)
    error = models.CharField(max_length=200)
    settled_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["first_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["part", "row"], condition=Q(settled_at=None), name="set_aside_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.part} {self.row}"


class Planned(models.Model):
    """When the readings of a follow-up that runs were last brought in line with windows and zones. Working state."""

    follow_up = models.OneToOneField(FollowUp, models.PROTECT, related_name="planned")
    at = models.DateTimeField(db_index=True)

    def __str__(self) -> str:
        return f"{self.follow_up_id} {self.at:%Y-%m-%d %H:%M}"
