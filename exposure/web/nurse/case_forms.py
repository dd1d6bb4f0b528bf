"""What is filled in about a case: opened, and stated anew with the facts that its criteria ask about it."""

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from exposure.classify.criteria import Criteria, CriteriaError
from exposure.places.models import Station
from exposure.report.models import CaseStatement
from exposure.web.bidi import isolated
from exposure.web.local_time import LocalTimeInput, instant_of
from exposure.web.nurse.fact_fields import UNKNOWN, answer_of, question_field
from exposure.web.nurse.forms import AREA

OWN_FACT = "case_status"  # what criteria may call the status, which has its own question


class OpenCaseForm(forms.Form):
    station = forms.ModelChoiceField(
        Station.objects.none(), label=_("At which station?"), empty_label=_("Choose one")
    )
    code = forms.CharField(
        label=_("Code"),
        help_text=_(
            "A random code is proposed. Never a name, initials, a date of birth or a hospital number: the code is "
            "read at the station and in letters."
        ),
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    opened_at = forms.CharField(
        label=_("Since when is the patient there?"),
        help_text=_("In the station's time. Left empty: from now on."),
        required=False,
        widget=LocalTimeInput,
    )

    def __init__(self, *args: Any, stations: Iterable[Station], now: datetime, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._now = now
        self.fields["station"].queryset = stations
        self.fields["station"].label_from_instance = lambda station: (
            f"{isolated(station.name)}, {isolated(station.site.name)}"
        )

    def clean(self) -> dict[str, Any]:
        """The time as typed is that of the station's site, whichever zone the page is in."""
        cleaned = super().clean()
        station, typed = cleaned.get("station"), cleaned.get("opened_at")
        if station is None or not typed:
            return {**cleaned, "opened_at": self._now}
        zone = self.fields["opened_at"].widget.zone = ZoneInfo(station.site.zone)
        try:
            return {**cleaned, "opened_at": instant_of(typed, zone)}
        except forms.ValidationError as wrong:
            self.add_error("opened_at", wrong)
            return cleaned


class CaseForm(forms.Form):
    """What is known of a case and one pathogen. Begins with the newest statement; the facts about a case that the
    criteria in use ask stand between, and those that they do not know are carried along."""

    status = forms.ChoiceField(
        label=_("What is known now?"),
        choices=[(value, capfirst(label)) for value, label in CaseStatement.Status.choices],
        widget=forms.RadioSelect,
    )
    onset_on = forms.DateField(label=_("First day of illness"), required=False)
    hours_since_onset = forms.IntegerField(
        label=_("Hours from the onset to the test"),
        help_text=_("A negative test within 72 hours of the onset is usually repeated (from memory)."),
        min_value=0,
        max_value=9999,
        required=False,
    )
    note = forms.CharField(label=_("Note"), required=False, widget=AREA)
    seen = forms.UUIDField(required=False, widget=forms.HiddenInput)  # the statement that the page showed

    def __init__(
        self,
        *args: Any,
        criteria: Criteria | None,
        newest: CaseStatement | None,
        today: date,
        **kwargs: Any,
    ) -> None:
        self._criteria, self._today = criteria, today
        self._standing = newest.facts if newest else {}
        facts = [fact for fact in criteria.facts if fact.about == "case"] if criteria else []
        self._asked = {fact.name: fact for fact in facts if fact.name != OWN_FACT}
        initial = {
            f"fact_{name}": self._standing.get(name, UNKNOWN[0] if fact.answers else None)
            for name, fact in self._asked.items()
        }
        if newest is not None:
            initial |= {name: getattr(newest, name) for name in ("status", "onset_on", "hours_since_onset")}
            initial["seen"] = newest.uid
        super().__init__(*args, initial=initial, **kwargs)
        note = self.fields.pop("note")
        asked = {f"fact_{name}": question_field([fact]) for name, fact in self._asked.items()}
        self.fields |= {**asked, "note": note}

    def clean_onset_on(self) -> date | None:
        onset_on = self.cleaned_data["onset_on"]
        if onset_on is not None and onset_on > self._today:
            raise forms.ValidationError(_("This day has not come yet."))
        return onset_on

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        ruled_out = cleaned.get("status") == CaseStatement.Status.RULED_OUT
        if ruled_out and cleaned.get("hours_since_onset", "") is None:
            asked = _("Say how many hours after the onset of symptoms the test was taken.")
            self.add_error("hours_since_onset", asked)
        answers = {name: answer_of(cleaned.get(f"fact_{name}")) for name in self._asked}
        if self._criteria is not None:
            try:
                self._criteria.classify(answers)
            except CriteriaError:
                self.add_error(
                    None, _("These answers cannot be true together. Correct one, or choose “Don't know”.")
                )
        carried = {
            name: value
            for name, value in self._standing.items()
            if name not in self._asked and name != OWN_FACT
        }
        answered = {name: value for name, value in answers.items() if value is not None}
        cleaned["facts"] = carried | answered
        return cleaned

    def statement(self) -> dict[str, Any]:
        """As `report.state_case` takes it."""
        return {name: value for name, value in self.cleaned_data.items() if not name.startswith("fact_")}
