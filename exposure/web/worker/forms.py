"""The worker's forms. The reading form only carries what was typed: the pipeline judges it, so that nothing in it
that matters is lost to a slip elsewhere in the form."""

import json
import uuid
from collections.abc import Iterable, Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure import wording
from exposure.attend.told import STOPPING
from exposure.followup.entry import ReadingEntry, worth_asking
from exposure.followup.models import METHODS, Reading
from exposure.refusal import Problem
from exposure.web.local_time import LocalTimeInput, instant_of, likeliest
from exposure.web.templatetags.look import degrees
from exposure.web.worker.offers import Offer, offer

UNITS = [("C", "°C"), ("F", "°F")]
REDUCERS = [
    ("", gettext_lazy("None in the last 24 hours")),
    ("paracetamol", gettext_lazy("Paracetamol (acetaminophen)")),
    ("ibuprofen", gettext_lazy("Ibuprofen")),
    ("aspirin", gettext_lazy("Aspirin")),
    ("other", gettext_lazy("Another one, or not sure which")),
]

NONE_OF_THESE = "none"
# One tap where a reading cannot be taken; what it says is kept as the reason.
CANNOT = {
    "no_thermometer": gettext_lazy("I have no thermometer here"),
    "broken": gettext_lazy("The thermometer does not work"),
}


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
        label=gettext_lazy("I feel feverish, whatever a thermometer says"), required=False
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
    cannot = Typed(widget=forms.HiddenInput)  # a key of CANNOT: the button that was tapped
    could_not = Typed(label=gettext_lazy("Another reason"), widget=forms.TextInput({"maxlength": 300}))

    def __init__(self, data: Mapping | None = None, *, symptoms: Mapping[str, str], **options: Any) -> None:
        super().__init__(data, **options)
        self._asks_symptoms = bool(symptoms)
        offered = [*symptoms.items(), (NONE_OF_THESE, _("None of these"))] if symptoms else []
        self.fields["symptoms"].widget.choices = offered

    def body(self) -> dict[str, Any]:
        """The body of the pipeline's reading, as typed. Who ticks a symptom and “None of these” has the symptom."""
        self.full_clean()
        typed = {name: value or None for name, value in self.cleaned_data.items() if name != "asked_low"}
        cannot = CANNOT.get(typed.pop("cannot") or "")
        if cannot and not typed["could_not"]:
            with wording.kept():
                typed["could_not"] = str(cannot)
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

    @property
    def is_well(self) -> bool:
        """Whether “No symptoms” was the answer, and nothing else."""
        return list(self["symptoms"].value() or ()) == [NONE_OF_THESE]

    @property
    def how(self) -> str:
        """The unit and the place that are chosen, in words: "°C, in the mouth"."""
        chosen = (
            dict(UNITS).get(self["unit"].value() or "", ""),
            dict(METHODS).get(self["method"].value() or "", ""),
        )
        return ", ".join(str(words) for words in chosen if words)

    @property
    def offer(self) -> Offer | None:
        """What was probably meant by a temperature that could not be taken."""
        wrong = self.is_bound and self.errors.keys() & {"temperature", "unit"}
        return offer(self["temperature"].value() or "", self["unit"].value() or "") if wrong else None

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


class CorrectionForm(ReadingForm):
    """The same for a reading that was entered wrongly: another stands in for it, with the reason."""

    reason = Typed(
        label=gettext_lazy("What was wrong with it?"),
        help_text=gettext_lazy("Occupational health sees both readings and this reason."),
        widget=forms.TextInput({"maxlength": 300, "autocomplete": "off"}),
    )

    def __init__(self, data: Mapping | None = None, *, corrects: Reading, **options: Any) -> None:
        self.corrects = corrects
        super().__init__(data, initial=_as_entered(corrects), **options)

    def body(self) -> dict[str, Any]:
        """As entered, and which reading it stands in for."""
        return {**super().body(), "replaces": str(self.corrects.uid)}


def _as_entered(reading: Reading) -> dict[str, Any]:
    symptoms = reading.symptoms or ([] if STOPPING.intersection(reading.triggers) else [NONE_OF_THESE])
    return {
        "submission_id": str(uuid.uuid4()),
        "temperature": "" if reading.value is None else degrees(reading.value, "").rstrip("\u00a0°"),
        "unit": reading.unit or "C",
        "method": reading.method,
        "felt_feverish": reading.felt_feverish,
        "symptoms": symptoms,
        "fever_reducer": reading.fever_reducer,
        "fever_reducer_hours": ""
        if reading.fever_reducer_hours is None
        else f"{reading.fever_reducer_hours:g}",
        "taken_at": reading.taken_at,
        "observed_by": reading.observed_by,
    }


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
