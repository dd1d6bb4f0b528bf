"""The worker's forms. The reading form only carries what was typed: the pipeline judges it, so that nothing in it
that matters is lost to a slip elsewhere in the form."""

import json
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.followup.models import METHODS
from exposure.people.models import Worker
from exposure.refusal import Problem

UNITS = [("C", "°C"), ("F", "°F")]
REDUCERS = [
    ("", gettext_lazy("None in the last 24 hours")),
    ("paracetamol", gettext_lazy("Paracetamol (acetaminophen)")),
    ("ibuprofen", gettext_lazy("Ibuprofen")),
    ("aspirin", gettext_lazy("Aspirin")),
    ("other", gettext_lazy("Another one, or not sure which")),
]


class Typed(forms.Field):
    """Taken as typed."""

    def validate(self, value: Any) -> None:
        """What is missing or wrong is for the pipeline to say."""


class ReadingForm(forms.Form):
    """What a worker enters for a reading; times are wall times of the active zone."""

    use_required_attribute = False
    submission_id = Typed(widget=forms.HiddenInput)
    temperature = Typed(
        label=gettext_lazy("Temperature"),
        widget=forms.TextInput({"inputmode": "decimal", "autocomplete": "off", "maxlength": 40}),
    )
    unit = Typed(label=gettext_lazy("Unit"), widget=forms.RadioSelect(choices=UNITS))
    method = Typed(
        label=gettext_lazy("Where taken"),
        widget=forms.Select(choices=[("", gettext_lazy("Choose")), *METHODS]),
    )
    felt_feverish = forms.BooleanField(
        label=gettext_lazy("I feel feverish, no thermometer (or whatever it says)"), required=False
    )
    symptoms = Typed(
        label=gettext_lazy("Do you have any of these? Tick all that apply."),
        widget=forms.CheckboxSelectMultiple,
    )
    fever_reducer = Typed(
        label=gettext_lazy("Medicine against fever or pain"), widget=forms.Select(choices=REDUCERS)
    )
    fever_reducer_hours = Typed(
        label=gettext_lazy("How many hours ago?"),
        help_text=gettext_lazy("Leave it empty if you took none or are not sure."),
        widget=forms.TextInput({"inputmode": "decimal", "autocomplete": "off", "maxlength": 20}),
    )
    taken_at = Typed(
        label=gettext_lazy("When taken"),
        help_text=gettext_lazy("Leave it empty for just now."),
        widget=forms.DateTimeInput,
    )
    observed_by = Typed(
        label=gettext_lazy("Seen by (name)"),
        help_text=gettext_lazy(
            "One reading a day is seen by a person whom occupational health has named. Leave it empty if nobody saw "
            "this one: it counts all the same."
        ),
        widget=forms.TextInput({"maxlength": 200, "autocomplete": "off"}),
    )
    could_not = Typed(
        label=gettext_lazy("I can't take a reading, because"), widget=forms.TextInput({"maxlength": 300})
    )

    def __init__(self, data: Mapping | None = None, *, symptoms: Mapping[str, str], **options: Any) -> None:
        super().__init__(data, **options)
        self.fields["symptoms"].widget.choices = list(symptoms.items())

    def body(self) -> dict[str, Any]:
        """The body of the pipeline's reading, as typed."""
        self.full_clean()
        typed = {name: value or None for name, value in self.cleaned_data.items()}
        measured = typed["temperature"] is not None
        return {
            **typed,
            "unit": typed["unit"] if measured else None,
            "method": typed["method"] if measured else None,
            "taken_at": _with_zone(typed["taken_at"]),
        }

    def show(self, problems: Iterable[Problem]) -> None:
        """Put each problem at the field that its pointer names."""
        for problem in problems:
            name = problem.pointer.removeprefix("/")
            self.add_error(name if name in self.fields and name != "submission_id" else None, problem.message)

    def renew(self) -> None:
        """A fresh id, for what is sent next."""
        self.data = self.data.copy()
        self.data["submission_id"] = str(uuid.uuid4())


def other_id(body: Mapping[str, Any]) -> str:
    """The id of a page that was sent, gone back to, changed and sent again: the same for the same content."""
    content = json.dumps({**body, "submission_id": None}, sort_keys=True)
    return str(uuid.uuid5(uuid.UUID(body["submission_id"]), content))


def _with_zone(typed: str | None) -> str | None:
    """A wall time of the active zone as RFC 3339; one that occurs twice is its first occurrence. What is no time
    stays as typed, for the pipeline to refuse."""
    if typed is None:
        return None
    try:
        with timezone.override(UTC):
            wall = forms.DateTimeField().to_python(typed)
    except ValidationError:
        return typed
    return wall.replace(tzinfo=timezone.get_current_timezone()).isoformat()


class SettingsForm(forms.ModelForm):
    """How and when a worker is reminded, and where their clock hangs."""

    class Meta:
        model = Worker
        fields = ["unit", "phone_only", "quiet_from", "quiet_until", "own_zone"]
        labels = {
            "unit": gettext_lazy("Temperatures in"),
            "phone_only": gettext_lazy("How to remind me"),
            "quiet_from": gettext_lazy("No reminders from"),
            "quiet_until": gettext_lazy("until"),
            "own_zone": gettext_lazy("Time zone where you are now"),
        }
        help_texts = {
            "quiet_from": gettext_lazy("While you sleep, for one. Occupational health may still telephone."),
            "own_zone": gettext_lazy("For travel. Readings that have not opened move to the clock there."),
        }
        widgets = {"unit": forms.RadioSelect(choices=UNITS)}

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["phone_only"] = forms.TypedChoiceField(
            label=self.fields["phone_only"].label,
            choices=[("False", _("By e-mail")), ("True", _("By telephone only: no messages"))],
            coerce=lambda chosen: chosen == "True",
            widget=forms.RadioSelect,
        )
        self.fields["own_zone"].widget = forms.Select(choices=_zones(self.instance))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        start, end = cleaned.get("quiet_from"), cleaned.get("quiet_until")
        if (start is None) != (end is None) and not self.errors.keys() & {"quiet_from", "quiet_until"}:
            missing = "quiet_from" if start is None else "quiet_until"
            self.add_error(missing, _("Give both times, or leave both empty."))
        return cleaned


def _zones(worker: Worker) -> list:
    """The zone of the site first, then all places by region."""
    regions: dict[str, list[tuple[str, str]]] = {}
    for name in sorted(available_timezones()):
        region, _slash, place = name.partition("/")
        if (place and region not in ("Etc", "SystemV", "US")) or name == worker.own_zone:
            regions.setdefault(region, []).append((name, (place or name).replace("_", " ")))
    home = _("As at %(site)s (%(zone)s)") % {"site": worker.site.short_name, "zone": worker.site.zone}
    return [("", home), *regions.items()]
