"""The worker's forms. The reading form only carries what was typed: the pipeline judges it, so that nothing in it
that matters is lost to a slip elsewhere in the form."""

import json
import uuid
from collections.abc import Iterable, Mapping
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.followup.entry import ReadingEntry, worth_asking
from exposure.followup.models import METHODS
from exposure.people.models import Worker
from exposure.refusal import Problem
from exposure.web.bidi import isolated
from exposure.web.local_time import LocalTimeInput, instant_of, likeliest
from exposure.web.reach_forms import offer_channels, offer_languages, require_number

UNITS = [("C", "°C"), ("F", "°F")]
REDUCERS = [
    ("", gettext_lazy("None in the last 24 hours")),
    ("paracetamol", gettext_lazy("Paracetamol (acetaminophen)")),
    ("ibuprofen", gettext_lazy("Ibuprofen")),
    ("aspirin", gettext_lazy("Aspirin")),
    ("other", gettext_lazy("Another one, or not sure which")),
]

NONE_OF_THESE = "none"


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
    # What a value too low to be likely was when it was asked about: sent again, it is taken.
    asked_low = Typed(widget=forms.HiddenInput)
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
        widget=LocalTimeInput,
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
        label=gettext_lazy("I can't take a reading, because"),
        help_text=gettext_lazy(
            "Occupational health sees it on its list and rings you. If you feel ill, do not wait for that: ring."
        ),
        widget=forms.TextInput({"maxlength": 300}),
    )

    def __init__(self, data: Mapping | None = None, *, symptoms: Mapping[str, str], **options: Any) -> None:
        super().__init__(data, **options)
        self._asks_symptoms = bool(symptoms)
        offered = [*symptoms.items(), (NONE_OF_THESE, _("None of these"))] if symptoms else []
        self.fields["symptoms"].widget.choices = offered

    def body(self) -> dict[str, Any]:
        """The body of the pipeline's reading, as typed. Who ticks a symptom and “None of these” has the symptom."""
        self.full_clean()
        typed = {name: value or None for name, value in self.cleaned_data.items() if name != "asked_low"}
        measured = typed["temperature"] is not None
        ticked = [code for code in typed["symptoms"] or [] if code != NONE_OF_THESE]
        return {
            **typed,
            "symptoms": ticked or None,
            "unit": typed["unit"] if measured else None,
            "method": typed["method"] if measured else None,
            "taken_at": _with_zone(typed["taken_at"]),
        }

    def asks_again(self, entry: ReadingEntry) -> tuple[Problem, ...]:
        """What is to be asked once more before the entry is taken. Only for one that does not stop the worker."""
        asked = worth_asking(
            entry,
            symptoms_answered=not self._asks_symptoms or bool(self.cleaned_data["symptoms"]),
            low_is_right=bool(self.cleaned_data["asked_low"]),
        )
        typed = self.cleaned_data["taken_at"]
        wrong = _clock_change(typed) if typed else None
        return (*asked, Problem("/taken_at", wrong)) if wrong else asked

    def remember(self, asked: Iterable[Problem]) -> None:
        """That the low value was asked about: it is taken the next time."""
        if any(problem.pointer == "/temperature" for problem in asked):
            self.data = self.data.copy()
            self.data["asked_low"] = self.data.get("temperature", "")

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
    """A wall time of the active zone as RFC 3339; one that occurs twice is its first occurrence, one that is skipped
    moves on by the gap. What is no time stays as typed, for the pipeline to refuse."""
    if typed is None:
        return None
    try:
        return likeliest(typed, timezone.get_current_timezone()).isoformat()
    except ValidationError:
        return typed


def _clock_change(typed: str) -> str | None:
    """What is wrong with a time that the clock showed twice or not at all; None with any other."""
    try:
        instant_of(typed, timezone.get_current_timezone())
    except ValidationError as wrong:
        return wrong.messages[0] if wrong.code in ("twice", "skipped") else None
    return None


class SettingsForm(forms.ModelForm):
    """How and when a worker is reminded, and where their clock hangs."""

    class Meta:
        model = Worker
        fields = [
            "unit", "phone_only", "reach_by", "mobile", "language", "quiet_from", "quiet_until", "own_zone",
        ]  # fmt: skip
        labels = {
            "unit": gettext_lazy("Temperatures in"),
            "phone_only": gettext_lazy("How to remind me"),
            "reach_by": gettext_lazy("Remind me first by"),
            "mobile": gettext_lazy("Mobile number for text messages"),
            "language": gettext_lazy("Language of the reminders"),
            "quiet_from": gettext_lazy("No reminders from"),
            "quiet_until": gettext_lazy("until"),
            "own_zone": gettext_lazy("Time zone where you are now"),
        }
        help_texts = {
            "mobile": gettext_lazy("With + and the country code."),
            "quiet_from": gettext_lazy("While you sleep, for one. Occupational health may still telephone."),
            "own_zone": gettext_lazy("For travel. Readings that have not opened move to the clock there."),
        }
        widgets = {"unit": forms.RadioSelect(choices=UNITS)}

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["phone_only"] = forms.TypedChoiceField(
            label=self.fields["phone_only"].label,
            choices=[("False", _("By message")), ("True", _("By telephone only: no messages"))],
            coerce=lambda chosen: chosen == "True",
            widget=forms.RadioSelect,
        )
        self.fields["own_zone"].widget = forms.Select(choices=_zones(self.instance))
        offer_channels(self)
        offer_languages(self)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        require_number(self)
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
    home = _("As at %(site)s (%(zone)s)") % {
        "site": isolated(worker.site.short_name),
        "zone": worker.site.zone,
    }
    return [("", home), *regions.items()]
