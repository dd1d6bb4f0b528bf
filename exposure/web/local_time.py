"""Date and time as people type them, on the clock of a place. What the clock shows twice in autumn is offered as both,
and what it skips in spring is said so. Every form that asks for a time uses this field."""

from datetime import UTC, datetime, tzinfo
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

TYPED = "%Y-%m-%dT%H:%M"  # HTML Living Standard, "local date and time": what a browser's own picker sends


def instants(wall: datetime, zone: tzinfo) -> tuple[datetime, ...]:
    """The instants at which a clock in the zone shows the naive `wall`: one, two in the hour that comes twice (the
    earlier first), none in the hour that is skipped. Aware, in the zone."""
    both = [wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1)]
    shown = [moment for moment in both if _on_the_clock(moment, zone) == wall.replace(fold=0)]
    first, last = both
    return tuple(shown) if first.utcoffset() != last.utcoffset() else (first,)


def instant_of(typed: str, zone: tzinfo) -> datetime:
    """The instant that was typed, with an offset or on the clock of the zone. Raises ValidationError with the remedy;
    its code is `twice` or `skipped` where the clock is to blame."""
    moment = _read(typed)
    if moment.tzinfo is not None:
        return moment
    found = instants(moment, zone)
    if len(found) == 1:
        return found[0]
    said = {"typed": _clock(moment), "zone": str(zone)}
    if found:
        words = _("%(typed)s came twice that night, when the clocks went back. Choose which of the two.")
        raise ValidationError(words % said, code="twice")
    later = _on_the_clock(moment.replace(tzinfo=zone), zone)
    words = _(
        "There was no %(typed)s on that day in %(zone)s: the clocks went forward. Give the time as the clock showed "
        "it, such as %(instead)s."
    )
    raise ValidationError(words % {**said, "instead": _clock(later)}, code="skipped")


def likeliest(typed: str, zone: tzinfo) -> datetime:
    """As `instant_of`, where nobody can be asked: the first of two, and what was skipped moved on by the gap."""
    moment = _read(typed)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


class LocalTimeInput(forms.DateTimeInput):
    """The browser's own picker; with it, where the time comes twice, which of the two. The choice makes the value an
    instant with its offset. `zone` is the page's where none is given."""

    input_type = "datetime-local"

    def __init__(self, attrs: dict[str, Any] | None = None, *, zone: tzinfo | None = None) -> None:
        super().__init__(attrs, format=TYPED)
        self.zone = zone

    @property
    def zone_now(self) -> tzinfo:
        return self.zone or timezone.get_current_timezone()

    def value_from_datadict(self, data: Any, files: Any, name: str) -> Any:
        typed = super().value_from_datadict(data, files, name)
        chosen = data.get(_which(name))
        return (
            chosen if chosen and _wall(chosen) == _wall(typed) else typed
        )  # not where the time was changed since

    def format_value(self, value: Any) -> str | None:
        moment = self._moment(value)
        return moment.strftime(TYPED) if moment else super().format_value(value)

    def render(self, name: str, value: Any, attrs: dict[str, Any] | None = None, renderer: Any = None) -> str:
        control = super().render(name, value, attrs, renderer)
        both = self._both(value)
        if not both:
            return control
        moment = self._moment(value)
        identity = (attrs or {}).get("id") or f"id_{name}"
        offered = {
            "name": _which(name),
            # As text: a template would put the instants on the page's clock.
            "both": [
                (f"{identity}_which_{place}", one.isoformat(), _clock(one), one.tzname())
                for place, one in enumerate(both)
            ],
            "chosen": moment.isoformat() if moment is not None and moment.tzinfo is not None else "",
        }
        return control + render_to_string("components/twice.html", offered)

    def _both(self, value: Any) -> tuple[datetime, ...]:
        moment = self._moment(value)
        found = instants(moment.replace(tzinfo=None, fold=0), self.zone_now) if moment else ()
        return found if len(found) > 1 else ()

    def _moment(self, value: Any) -> datetime | None:
        """The value on the zone's clock, naive where nothing says which instant it is; None for what is no time."""
        if isinstance(value, str):
            value = _read(value) if _wall(value) else None
        if not isinstance(value, datetime) or value.tzinfo is None:
            return value if isinstance(value, datetime) else None
        return value.astimezone(self.zone_now)


class LocalTimeField(forms.DateTimeField):
    """An instant, typed as date and time on the clock of the page."""

    widget = LocalTimeInput

    def prepare_value(self, value: Any) -> Any:
        """As it is: Django would take its zone away, and with it which of two times it is."""
        return value

    def to_python(self, value: Any) -> datetime | None:
        if value in self.empty_values or isinstance(value, datetime):
            return value or None
        return instant_of(str(value), self.widget.zone_now)


def _read(typed: str) -> datetime:
    """Date and time as typed; aware only where an offset was given. Raises ValidationError."""
    try:
        moment = datetime.fromisoformat(typed.strip())
    except ValueError:
        moment = None
    if moment is not None and moment.tzinfo is not None:
        return moment
    with timezone.override(UTC):  # where every wall time is there once
        read = forms.DateTimeField().to_python(typed)
    if read is None:
        raise ValidationError(_("Enter date and time."), code="required")
    return read.replace(tzinfo=None)


def _wall(typed: Any) -> datetime | None:
    """Date and time as typed, without an offset; None for what is no time."""
    try:
        return _read(str(typed)).replace(tzinfo=None)
    except ValidationError:
        return None


def _on_the_clock(moment: datetime, zone: tzinfo) -> datetime:
    """What the clock shows at that instant, naive."""
    return moment.astimezone(UTC).astimezone(zone).replace(tzinfo=None, fold=0)


def _clock(moment: datetime) -> str:
    return date_format(moment, pgettext("date format: 07:40", "H:i"))


def _which(name: str) -> str:
    return f"{name}_which"
