"""Accounts, workers and roles. A worker is apart from an account: many exposed people have none."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower
from django.utils.translation import gettext_lazy as _

from exposure.places.models import Site, Station, validate_zone
from exposure.record import GuardedQuerySet, Identified, InsertOnly, Recorded, Versions


class Channel(models.TextChoices):
    """How a message can travel."""

    EMAIL = "email", _("e-mail")
    TEXT = "text", _("text message")
    PUSH = "push", _("notification on a device")


# As the recommendation E.164 of the ITU writes it, with the spaces that people put in.
validate_mobile = RegexValidator(
    r"^\+[0-9 ]{7,20}$", _("Write it with + and the country code, for example +44 1632 960 001.")
)


class UserManager(BaseUserManager.from_queryset(GuardedQuerySet)):
    """Accounts, found by name."""

    def create_user(self, name: str, password: str | None = None, **fields: Any) -> "User":
        user = self.model(name=name, **fields)
        user.set_password(password)
        user.save()
        return user

    def by_actor(self, actors: Iterable[str]) -> dict[str, "User"]:
        """Actor, as the history names it -> the person's or device's account; whatever else acted is left out."""
        wanted = {
            actor: actor.partition(":")[2] for actor in actors if actor.startswith(("user:", "device:"))
        }
        accounts = self.in_bulk(set(map(int, wanted.values())))
        return {actor: accounts[int(key)] for actor, key in wanted.items() if int(key) in accounts}


class User(AbstractBaseUser, Identified):
    """An account. What it may do hangs on its roles per site (`exposure.people.access`)."""

    name = models.CharField(
        _("sign-in name"),
        max_length=60,
        unique=True,
        validators=[RegexValidator(r"^[\w.-]+$", _("Letters, digits, dot, hyphen and underscore only."))],
    )
    full_name = models.CharField(max_length=200)
    email = models.EmailField(null=True, blank=True, unique=True)
    mobile = models.CharField(
        _("mobile number"), max_length=40, blank=True, validators=[validate_mobile], default="", db_default=""
    )
    reach_by = models.CharField(
        _("reach me first by"), max_length=20, choices=Channel, blank=True, default="", db_default=""
    )
    is_active = models.BooleanField(default=True)
    # Whether the password is long enough to be all that is asked; a shorter one goes with a second factor only.
    password_alone = models.BooleanField(default=True, db_default=True, editable=False)
    # Set for what is nobody's account but a device's, at its station: it reports by its key and does nothing else.
    device_of = models.ForeignKey(Station, models.PROTECT, null=True, editable=False, related_name="devices")
    last_login = None  # sign-ins are in the access log; a column here would be history without meaning

    acts_as = ""  # the one kind of role that whoever asks now carries; set by a key that holds no more

    history = Versions(excluded_fields=["password"])
    objects = UserManager()

    USERNAME_FIELD = "name"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS = ["full_name"]

    class Meta:
        ordering = ["full_name"]
        constraints = [models.UniqueConstraint(Lower("name"), name="user_name_any_case")]

    def __str__(self) -> str:
        return self.full_name

    @property
    def actor(self) -> str:
        """How this account is named in the history."""
        return f"{'device' if self.device_of_id else 'user'}:{self.pk}"


def display_name(user: User) -> str:
    """The name that a page shows for an account."""
    return user.full_name or user.name


class Worker(Recorded):
    """Somebody who may be exposed: staff, agency, student, cleaner; with or without number and account."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="workers")
    user = models.OneToOneField(User, models.PROTECT, null=True, blank=True, related_name="worker")
    number = models.CharField(max_length=40, null=True, blank=True, unique=True)
    name = models.CharField(max_length=200)
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)
    mobile = models.CharField(
        _("mobile number for text messages"),
        max_length=40,
        blank=True,
        validators=[validate_mobile],
        default="",
        db_default="",
    )
    reach_by = models.CharField(
        _("remind me first by"), max_length=20, choices=Channel, blank=True, default="", db_default=""
    )
    language = models.CharField(
        _("language of the reminders"), max_length=10, blank=True, default="", db_default=""
    )
    employer = models.CharField(max_length=200, blank=True)
    # Asked of who opens an invitation, where the site has chosen so; clinicians enter it, and they and the history
    # alone show it.
    birth_year = models.PositiveSmallIntegerField(null=True, blank=True, db_default=None)
    # How long the record is kept is counted from here; unknown, it is kept.
    left_on = models.DateField(_("last day of employment"), null=True, blank=True)
    own_zone = models.CharField(
        _("time zone while travelling"), max_length=64, blank=True, validators=[validate_zone]
    )
    unit = models.CharField(max_length=1, choices=[("C", "°C"), ("F", "°F")], default="C")
    phone_only = models.BooleanField(default=False)
    quiet_from = models.TimeField(null=True, blank=True)
    quiet_until = models.TimeField(null=True, blank=True)
    same_as = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="also")

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(quiet_from=None, quiet_until=None)
                | Q(quiet_from__isnull=False, quiet_until__isnull=False),
                name="worker_quiet_hours_whole",
            ),
            models.CheckConstraint(
                condition=Q(birth_year=None) | Q(birth_year__range=(1900, 2100)),
                name="worker_birth_year_is_one",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_unlisted(self) -> bool:
        """Somebody typed in by name, without number and account, who has not been linked."""
        return not (self.number or self.user_id or self.same_as_id)

    @property
    def zone(self) -> ZoneInfo:
        """Where the worker's clock hangs now."""
        return ZoneInfo(self.own_zone or self.site.zone)


class WorkerWindow(Recorded):
    """A reading window of one worker (nights, for one); while any stands, the site's do not count."""

    worker = models.ForeignKey(Worker, models.PROTECT, related_name="windows")
    name = models.SlugField(max_length=40)
    opens = models.TimeField()
    due = models.TimeField()
    closes = models.TimeField()

    class Meta:
        ordering = ["worker", "opens"]
        constraints = [models.UniqueConstraint(fields=["worker", "name"], name="worker_window_name")]

    def __str__(self) -> str:
        return f"{self.worker_id} {self.name}"


class RoleQuerySet(GuardedQuerySet):
    def held(self, *, at: datetime) -> "RoleQuerySet":
        """Roles in force at `at`."""
        return self.filter(Q(until_at=None) | Q(until_at__gt=at), from_at__lte=at, waiting=False)


class Role(Recorded):
    """What an account may do at a site; without a site, at all of them. One that `waiting` says so of takes effect
    when a second person has confirmed it."""

    class Kind(models.TextChoices):
        OBSERVER = "observer", _("observer")
        NURSE = "nurse", _("occupational-health nurse")
        PHYSICIAN = "physician", _("occupational-health physician")
        LEAD = "lead", _("station lead")
        AUDITOR = "auditor", _("auditor")
        ADMINISTRATOR = "administrator", _("administrator")

    user = models.ForeignKey(User, models.PROTECT, related_name="roles")
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="roles")
    kind = models.CharField(max_length=20, choices=Kind)
    from_at = models.DateTimeField()
    until_at = models.DateTimeField(null=True, blank=True)
    waiting = models.BooleanField(default=False, db_default=False, editable=False)
    asked_by = models.ForeignKey(User, models.PROTECT, null=True, editable=False, related_name="roles_asked")
    confirmed_by = models.ForeignKey(
        User, models.PROTECT, null=True, editable=False, related_name="roles_confirmed"
    )

    objects = models.Manager.from_queryset(RoleQuerySet)()

    class Meta:
        ordering = ["user", "site", "kind"]
        constraints = [
            models.UniqueConstraint(
                fields=["user", "site", "kind"], condition=Q(until_at=None), name="role_once_per_site"
            ),
            models.UniqueConstraint(
                fields=["user", "kind"], condition=Q(until_at=None, site=None), name="role_once_everywhere"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user_id} {self.kind}"


class BrokenGlass(InsertOnly):
    """A clinician of another site has opened somebody's record, for a reason and until then. The person sees it on
    their own page, and it stands in the history."""

    user = models.ForeignKey(User, models.PROTECT, related_name="broken_glass")
    worker = models.ForeignKey(Worker, models.PROTECT, related_name="broken_glass")
    reason = models.TextField()
    until_at = models.DateTimeField()

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.user_id} {self.worker_id}"


class OnCallQuerySet(GuardedQuerySet):
    def on(self, *, at: datetime) -> "OnCallQuerySet":
        """Those on call at `at`: from the hand-over that instant included to the next one."""
        return self.filter(from_at__lte=at, until_at__gt=at)


class OnCall(Recorded):
    """Somebody is on call for a site from one hand-over to another. An alert that nobody takes goes from `place` to
    place, the first being 1."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="on_call")
    user = models.ForeignKey(User, models.PROTECT, related_name="on_call")
    place = models.PositiveSmallIntegerField()
    from_at = models.DateTimeField()
    until_at = models.DateTimeField()

    objects = models.Manager.from_queryset(OnCallQuerySet)()

    class Meta:
        ordering = ["site", "from_at", "place"]
        constraints = [
            models.CheckConstraint(condition=Q(until_at__gte=F("from_at")), name="on_call_until_after_from"),
            models.CheckConstraint(condition=Q(place__gte=1), name="on_call_place_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.site_id} {self.place} {self.from_at:%Y-%m-%d %H:%M}"


class Invitation(Recorded):
    """A way in for one person, once and for a while: to an account that others have made, or to one that a worker
    makes of it. Only the SHA-256 of its address is kept."""

    user = models.ForeignKey(User, models.PROTECT, null=True, related_name="invitations")
    worker = models.ForeignKey(Worker, models.PROTECT, null=True, related_name="invitations")
    sha256 = models.CharField(max_length=64, unique=True)
    expires_at = models.DateTimeField()
    wrong_answers = models.PositiveSmallIntegerField(default=0, db_default=0)
    used_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    locked_at = models.DateTimeField(null=True, blank=True)  # ended by wrong answers

    class Meta:
        ordering = ["expires_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(user=None, worker__isnull=False) | Q(user__isnull=False, worker=None),
                name="invitation_of_one",
            )
        ]

    def __str__(self) -> str:
        return f"{self.user_id or self.worker_id} {self.expires_at:%Y-%m-%d %H:%M}"


class PhonePin(Identified):
    """Six digits that open an account on the one phone that holds the secret behind `sha256`
    (`exposure.people.pins`). Its versions keep neither."""

    user = models.ForeignKey(User, models.PROTECT, related_name="phone_pins")
    sha256 = models.CharField(max_length=64, unique=True)
    code = models.CharField(max_length=128)  # of secret and digits together, hashed as passwords are
    created_at = models.DateTimeField()
    used_at = models.DateTimeField()
    wrong_tries = models.PositiveSmallIntegerField(default=0)
    ended_at = models.DateTimeField(null=True, blank=True)

    history = Versions(excluded_fields=["sha256", "code"])

    class Meta:
        ordering = ["user", "created_at"]

    def __str__(self) -> str:
        return f"{self.user_id} {self.created_at:%Y-%m-%d %H:%M}"


class StationPin(Identified):
    """Six digits by which somebody says on a station's tablet that they observe (`exposure.people.station_pins`). They
    open nothing. Its versions keep no trace of them."""

    user = models.OneToOneField(User, models.PROTECT, related_name="station_pin")
    code = models.CharField(max_length=128)  # hashed as passwords are
    created_at = models.DateTimeField()
    wrong = models.JSONField(
        default=dict
    )  # uid of a device -> [wrong tries in a row, until when none counts]

    history = Versions(excluded_fields=["code"])

    class Meta:
        ordering = ["user"]

    def __str__(self) -> str:
        return f"{self.user_id} {self.created_at:%Y-%m-%d %H:%M}"


class PushSubscription(Identified):
    """A browser that shows notifications to the holder of an account (RFC 8030, RFC 8291). The browser makes it; it
    ends when the holder or the browser's push service says so. Its versions keep neither address nor keys."""

    user = models.ForeignKey(User, models.PROTECT, related_name="push_subscriptions")
    endpoint = models.URLField(max_length=1000, unique=True)
    p256dh = models.CharField(max_length=200)
    auth = models.CharField(max_length=100)
    created_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    history = Versions(excluded_fields=["endpoint", "p256dh", "auth"])

    class Meta:
        ordering = ["user", "created_at"]

    def __str__(self) -> str:
        return f"{self.user_id} {self.created_at:%Y-%m-%d %H:%M}"


class ApiToken(Recorded):
    """A key to the API for one account, shown once. Only its SHA-256 is kept; it expires and can be revoked. It carries
    every role of the holder, or with `role` that one alone; with OWN none, only what is the holder's own."""

    OWN = "own"

    user = models.ForeignKey(User, models.PROTECT, related_name="api_tokens")
    label = models.CharField(max_length=100)
    role = models.CharField(
        max_length=20,
        choices=[*Role.Kind.choices, (OWN, _("only what is my own"))],
        blank=True,
        default="",
        db_default="",
    )
    sha256 = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["user", "created_at"]

    def __str__(self) -> str:
        return f"{self.user_id} {self.label}"
