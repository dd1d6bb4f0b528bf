"""Sites, stations and what is done there: protocols, their steps, what goes wrong and the first aid for it."""

from zoneinfo import available_timezones

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from exposure.record import InsertOnly, Recorded


def validate_zone(name: str) -> None:
    """Accept an IANA zone name."""
    if name not in available_timezones():
        raise ValidationError(
            _("“%(name)s” is no IANA time zone; write it like Europe/Lisbon."), params={"name": name}
        )


class Identity(models.TextChoices):
    """By what a worker who opens an invitation shows who they are (`exposure.people.invitations.asked_of` says what is
    asked of whom it is not known of)."""

    NUMBER = "number", _("the staff number")
    BIRTH_YEAR = "birth_year", _("the year of birth")
    NOTHING = "nothing", _("nothing: whoever holds the invitation comes in")


class Site(Recorded):
    """A hospital or clinic. Without a tested 24-hour telephone number it cannot go live."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=200)
    short_name = models.CharField(max_length=40, help_text=_("Stands in messages; names no disease."))
    zone = models.CharField(max_length=64, validators=[validate_zone])
    phone = models.CharField(_("24-hour number"), max_length=40)
    phone_tested_at = models.DateTimeField(null=True, blank=True)
    emergency_phone = models.CharField(max_length=40)
    support_phone = models.CharField(max_length=40, blank=True)
    live_from = models.DateTimeField(null=True, blank=True)
    switchboard = models.CharField(
        max_length=40,
        blank=True,
        help_text=_("Shown where nobody on call takes an alert; else the 24-hour number."),
    )
    climb_minutes = models.PositiveSmallIntegerField(
        default=15, help_text=_("After so many minutes an alert that nobody takes goes to the next on call.")
    )
    told_within_minutes = models.PositiveIntegerField(default=60)
    default_days = models.PositiveSmallIntegerField(
        default=21, help_text=_("Days of readings when no criteria are adopted.")
    )
    identity = models.CharField(
        _("what an invited worker is asked"),
        max_length=20,
        choices=Identity,
        default=Identity.NUMBER,
        db_default=Identity.NUMBER,
        help_text=_(
            "By it who opens an invitation shows who they are, beside holding the sheet or the e-mail."
        ),
    )

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(live_from=None) | Q(phone_tested_at__isnull=False),
                name="site_live_needs_tested_phone",
            )
        ]

    def __str__(self) -> str:
        return self.name


class SiteWindow(Recorded):
    """A reading window of a site in wall times of the worker's zone; it may cross midnight."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="windows")
    name = models.SlugField(max_length=40)
    opens = models.TimeField()
    due = models.TimeField()
    closes = models.TimeField()

    class Meta:
        ordering = ["site", "opens"]
        constraints = [models.UniqueConstraint(fields=["site", "name"], name="site_window_name")]

    def __str__(self) -> str:
        return f"{self.site_id} {self.name}"


class HouseholdAdvice(InsertOnly):
    """What the people at home of whoever is followed up do, one sentence a line, as a physician of the site approved it
    at `recorded_at`. Both texts empty: what it replaces holds no more. What no other replaces stands."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="household_advice")
    english = models.TextField(blank=True)
    french = models.TextField(blank=True)
    approved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    replaces = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")

    class Meta:
        ordering = ["recorded_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["site"], condition=Q(replaces=None), name="household_advice_one_first"
            )
        ]

    def __str__(self) -> str:
        return f"{self.site_id} {self.recorded_at:%Y-%m-%d %H:%M}"


class Emergency(models.TextChoices):
    """What every step and the report page offer at once; the order in which they stand there."""

    EYES = "eyes", _("Eyes or mouth")
    SHARP = "sharp", _("Needle or sharp")
    COLLAPSE = "collapse", _("Faint or collapse")
    AIR = "air", _("Air or respirator lost")


class FirstAidCard(Recorded):
    """What to do at once. `lines` is a list of short sentences, read to somebody who is frightened; `source` is for
    whoever sets up and is shown nowhere else. `emergency`: the card stands behind that button at every step.
    `minutes`: how long to rinse or wash at least, where a length is named."""

    code = models.SlugField(max_length=60, unique=True, allow_unicode=False)
    title = models.CharField(max_length=200)
    lines = models.JSONField(default=list)
    urgent = models.BooleanField(default=False)
    emergency = models.CharField(
        max_length=20,
        choices=Emergency,
        blank=True,
        help_text=_("Offered at every step and on the report page."),
    )
    minutes = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text=_("How long to rinse or wash, at least.")
    )
    source = models.TextField()

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.title


class FailureGroup(models.TextChoices):
    """What failures have in common, where no step narrows them down; the order in which they stand on the page."""

    SKIN = "skin", _("Sharp or skin")
    FACE = "face", _("Face or eyes")
    AIR = "air", _("Respirator or air")
    COVER = "cover", _("Gloves or clothes")
    EQUIPMENT = "equipment", _("Equipment or station")
    OTHER = "other", _("Something else")


class FailureType(Recorded):
    """A usual way in which a step fails, and the first-aid card that it calls for.

    `answers`: fact -> code of the answer that this failure gives by itself, whatever else happened; it is not asked any
    more. Only what is never too reassuring stands there. Criteria that have no such answer ask as before.
    """

    code = models.SlugField(max_length=60, unique=True)
    label = models.CharField(max_length=200)
    card = models.ForeignKey(FirstAidCard, models.PROTECT, null=True, blank=True, related_name="failures")
    bloodborne = models.BooleanField(
        default=False, help_text=_("It pierces, or reaches eyes, nose, mouth or broken skin.")
    )
    group = models.CharField(max_length=20, choices=FailureGroup, default=FailureGroup.OTHER)
    answers = models.JSONField(
        default=dict, blank=True, help_text=_("What it says of the facts: fact and answer of the criteria.")
    )
    through_skin = models.BooleanField(default=False)  # the older name of `bloodborne`; nothing reads it

    class Meta:
        ordering = ["label"]

    def __str__(self) -> str:
        return self.label


class Protocol(Recorded):
    """An ordered removal sequence."""

    code = models.SlugField(max_length=60, unique=True)
    title = models.CharField(max_length=200)
    source = models.TextField()

    class Meta:
        ordering = ["title"]

    def __str__(self) -> str:
        return self.title


class Step(Recorded):
    """One step: `item` (what is handled), `action` (what is said and done), counted from 1. `way_out`: it belongs to
    the shortest safe way out, which leaves the other steps out in an emergency."""

    protocol = models.ForeignKey(Protocol, models.PROTECT, related_name="steps")
    position = models.PositiveSmallIntegerField()
    code = models.SlugField(max_length=60)
    item = models.CharField(max_length=100)
    action = models.TextField()
    way_out = models.BooleanField(
        default=False, help_text=_("Part of the shortest safe way out, in an emergency.")
    )
    source = models.TextField()

    class Meta:
        ordering = ["protocol", "position"]
        constraints = [
            models.UniqueConstraint(fields=["protocol", "position"], name="step_position"),
            models.UniqueConstraint(fields=["protocol", "code"], name="step_code"),
        ]

    def __str__(self) -> str:
        return f"{self.position}. {self.item}"


class StepFailure(Recorded):
    """A failure type that is usual at a step, in the order in which the observer is offered it."""

    step = models.ForeignKey(Step, models.PROTECT, related_name="step_failures")
    failure = models.ForeignKey(FailureType, models.PROTECT, related_name="step_failures")
    position = models.PositiveSmallIntegerField()

    class Meta:
        ordering = ["step", "position"]
        constraints = [models.UniqueConstraint(fields=["step", "failure"], name="step_failure")]

    def __str__(self) -> str:
        return f"{self.step_id}: {self.failure_id}"


class Station(Recorded):
    """A place where protective equipment is removed."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="stations")
    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=100)
    protocols = models.ManyToManyField(Protocol, through="StationProtocol", related_name="stations")

    class Meta:
        ordering = ["site", "name"]

    def __str__(self) -> str:
        return self.name


class StationProtocol(Recorded):
    """A protocol in use at a station."""

    station = models.ForeignKey(Station, models.PROTECT, related_name="+")
    protocol = models.ForeignKey(Protocol, models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["station", "protocol"], name="station_protocol")]

    def __str__(self) -> str:
        return f"{self.station_id}: {self.protocol_id}"
