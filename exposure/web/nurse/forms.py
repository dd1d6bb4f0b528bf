"""What nurse and physician fill in. The rules are the pipeline's; a form asks, in words, and reads types."""

import uuid
from collections.abc import Iterable, Mapping
from typing import Any

from django import forms
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from exposure.attend.models import Alert
from exposure.attend.outcomes import FITTING, RAISED_BY_READINGS, needs_note
from exposure.classify.criteria import Criteria, CriteriaError, text
from exposure.followup.models import METHODS, Protection
from exposure.people.models import User
from exposure.places.models import Site
from exposure.report.models import Told
from exposure.web.local_time import LocalTimeField
from exposure.web.nurse.fact_fields import UNKNOWN, answer_of, question_field
from exposure.web.nurse.report_words import questions


def _capital(choices: Iterable[tuple[str, Any]]) -> list[tuple[str, Any]]:
    """Labels that stand alone begin with a capital."""
    return [(value, capfirst(label)) for value, label in choices]


AREA = forms.Textarea(attrs={"rows": 3})


class NoteForm(forms.Form):
    """A note, if there is one to make."""

    note = forms.CharField(label=_("Note"), required=False, widget=AREA)


class ReasonForm(forms.Form):
    """A reason in words."""

    reason = forms.CharField(label=_("Reason"), widget=AREA)


class SeenForm(forms.Form):
    """How often the alert had happened, as the page showed it."""

    times = forms.IntegerField(required=False, min_value=1, widget=forms.HiddenInput)


class TakeForm(SeenForm):
    """From whom an alert is taken over: whom the page showed as its holder; nobody, where it showed none."""

    holder = forms.ModelChoiceField(
        User.objects.all(), to_field_name="uid", required=False, widget=forms.HiddenInput
    )


class HandOverForm(SeenForm):
    """To whom, as they are called; `holder`: the account that had it, as the page showed. The page brings the list of
    names of the `site`."""

    to = forms.CharField(
        label=_("To whom?"), max_length=200, help_text=_("A nurse or physician of this site.")
    )
    holder = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].widget.attrs |= {"list": f"colleagues-{site.pk}", "autocomplete": "off"}


class LookForm(SeenForm):
    """`most`: within how many hours the criteria want the next look."""

    kind = forms.ChoiceField(
        label=_("What do you do until then?"),
        choices=[("watch", _("Watch")), ("repeat", _("Have it measured again"))],
        widget=forms.RadioSelect,
    )
    hours = forms.IntegerField(label=_("Look again in how many hours?"), min_value=1)
    note = forms.CharField(label=_("What do you wait for?"), widget=AREA)

    def __init__(self, *args: Any, most: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["hours"].initial = most
        self.fields["hours"].help_text = _("At most %(most)s.") % {"most": most}


# What choosing the outcome does beside closing the alert, or what it asks for first.
CONSEQUENCES = {
    Alert.Outcome.OTHER_DIAGNOSIS: _("Other diagnosis: write its name in the note."),
    Alert.Outcome.FELL_ILL: _(
        "Fell ill with it: being evaluated begins at once, with the note as its reason. Nobody leaves the list."
    ),
    Alert.Outcome.ENTRY_ERROR: _("Entry error: only after the reading has been corrected."),
}


class CloseForm(SeenForm):
    """The outcomes that fit the alert's cause; the one there is, is chosen."""

    outcome = forms.ChoiceField(label=_("What came of it?"), widget=forms.RadioSelect)
    note = forms.CharField(label=_("Note"), required=False, widget=AREA)

    def __init__(self, *args: Any, alert: Alert, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fitting = FITTING[alert.cause]
        beside = CONSEQUENCES if alert.cause in RAISED_BY_READINGS else {}
        self.fields["outcome"].choices = [
            (code, beside.get(code) or capfirst(Alert.Outcome(code).label)) for code in fitting
        ]
        if len(fitting) == 1:
            self.fields["outcome"].initial = fitting[0]
        if all(needs_note(alert.cause, code, urgent=alert.urgent) for code in fitting):
            self.fields["note"].label = _("What was found?")
            self.fields["note"].required = True


# What is asked in the first call to somebody who was exposed; common practice, no source.
FIRST_CALL = {
    "where": _("Where the worker is now, and will be"),
    "fetched": _("How they would be fetched if they fell ill"),
    "household": _("Who lives with them"),
    "room": _("Whether they have a room of their own"),
    "thermometer": _("Whether they have a thermometer, and which kind"),
    "told_whom": _("What may be told to whom"),
    "language": _("Language, and whether an interpreter is needed"),
}


class CallForm(forms.Form):
    """`settles`: key -> what an answered call may settle; `first`: the fixed lines of a first call are asked too."""

    answered = forms.TypedChoiceField(
        label=_("Was the call answered?"),
        help_text=_("Only an answered call counts as contact."),
        choices=[("yes", _("Answered")), ("no", _("Not answered"))],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )
    try_again_at = LocalTimeField(
        label=_("Not answered: ring again when?"),
        help_text=_("From then on it waits in Needs action."),
        required=False,
    )
    settles = forms.MultipleChoiceField(
        label=_("What did the call settle?"),
        help_text=_("Exactly what you choose is done, in your name and with this note. Nothing else is."),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    note = forms.CharField(label=_("Note"), required=False, widget=AREA)

    def __init__(
        self, *args: Any, settles: Mapping[str, str] | None = None, first: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["settles"].choices = list((settles or {}).items())
        if not settles:
            del self.fields["settles"]
        self.first = first
        self._lines = FIRST_CALL if first else {}
        asked = {
            f"line_{name}": forms.CharField(label=words, required=False)
            for name, words in self._lines.items()
        }
        self.fields = {**self.fields, **asked}

    def clean(self) -> dict[str, Any]:
        """What was answered to the fixed lines stands in the note, each with its question."""
        cleaned = super().clean()
        lines = [
            f"{words}: {answer}"
            for name, words in self._lines.items()
            if (answer := cleaned.pop(f"line_{name}", ""))
        ]
        cleaned["note"] = "\n".join(filter(None, [cleaned.get("note", ""), *lines]))
        chosen = cleaned.get("settles")
        if chosen and cleaned.get("answered") is False:
            self.add_error("settles", _("A call that nobody answered settles nothing. Choose none of these."))
        return cleaned


class GlassForm(forms.Form):
    number = forms.CharField(label=_("The person's number"), max_length=40)
    reason = forms.CharField(
        label=_("Why must you see it now?"),
        help_text=_("The person and the auditor read who opened the record, when, and this reason."),
        widget=AREA,
    )


class HowToldForm(forms.Form):
    how = forms.ChoiceField(
        label=_("How was the worker told?"),
        choices=[("person", _("In person")), ("phone", _("By telephone"))],
        widget=forms.RadioSelect,
    )


class ToldForm(HowToldForm):
    told_at = LocalTimeField(label=_("When?"))


class FactsForm(forms.Form):
    """The questions of the criteria in force, each with “Don't know”; `facts` is what was answered."""

    def __init__(self, *args: Any, criterias: Iterable[Criteria], answers: Mapping[str, Any], **kwargs: Any):
        self._criterias = list(criterias)
        self._asked = questions(self._criterias)
        initial = {
            f"fact_{name}": answers.get(name, UNKNOWN[0] if facts[0].answers else None)
            for name, facts in self._asked.items()
        }
        super().__init__(*args, initial=initial, **kwargs)
        asked = {f"fact_{name}": question_field(facts) for name, facts in self._asked.items()}
        self.fields = {**asked, **self.fields}

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        cleaned["facts"] = {name: answer_of(cleaned.get(f"fact_{name}")) for name in self._asked}
        for criteria in self._criterias:
            own = {fact.name for fact in criteria.facts}
            try:
                criteria.classify({name: value for name, value in cleaned["facts"].items() if name in own})
            except CriteriaError as error:
                self.add_error(
                    f"fact_{error.path}" if error.path in self._asked else None,
                    _("These answers cannot be true together. Correct one, or choose “Don't know”."),
                )
        return cleaned


class ConfirmForm(FactsForm):
    note = forms.CharField(label=_("Note on the talk with the worker"), required=False, widget=AREA)


class OverrideForm(forms.Form):
    tier = forms.ChoiceField(label=_("Which tier is right?"), widget=forms.RadioSelect)
    reason = forms.CharField(
        label=_("Why?"), help_text=_("The reason is kept with the report and cannot be changed."), widget=AREA
    )
    standing = forms.UUIDField(
        required=False, widget=forms.HiddenInput
    )  # the assessment that the page showed

    def __init__(self, *args: Any, criteria: Criteria, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["tier"].choices = [(tier.code, text(tier.label)) for tier in criteria.tiers]


class AlsoForm(forms.Form):
    pathogen = forms.ChoiceField(
        label=_("By which criteria too?"),
        widget=forms.RadioSelect,
        help_text=_("Those that the site works with."),
    )
    reason = forms.CharField(
        label=_("Why?"), help_text=_("The reason is kept with the assessment."), widget=AREA
    )

    def __init__(self, *args: Any, pathogens: Iterable[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["pathogen"].choices = [(pathogen, capfirst(pathogen)) for pathogen in pathogens]


class ReadingForm(forms.Form):
    """A reading given by telephone: the fields of the API's body, so that both are judged alike."""

    submission_id = forms.UUIDField(widget=forms.HiddenInput)
    taken_at = LocalTimeField(label=_("When was it taken?"))
    temperature = forms.CharField(
        label=_("Temperature"),
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    unit = forms.ChoiceField(
        label=_("Unit"), choices=[("C", "°C"), ("F", "°F")], required=False, widget=forms.RadioSelect
    )
    method = forms.ChoiceField(
        label=_("Where was it taken?"), choices=_capital(METHODS), required=False, widget=forms.RadioSelect
    )
    felt_feverish = forms.BooleanField(label=_("Feels feverish"), required=False)
    symptoms = forms.MultipleChoiceField(
        label=_("Symptoms"), required=False, widget=forms.CheckboxSelectMultiple
    )
    fever_reducer = forms.CharField(label=_("Fever reducer taken, which"), max_length=100, required=False)
    fever_reducer_hours = forms.CharField(
        label=_("How many hours before the reading?"),
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    observed_by = forms.CharField(label=_("Seen by, where somebody watched"), max_length=200, required=False)
    could_not = forms.CharField(label=_("No reading was possible, because"), required=False)
    note = forms.CharField(label=_("Note"), required=False, widget=AREA)

    def __init__(self, *args: Any, symptoms: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["symptoms"].choices = list(symptoms.items())

    def body(self) -> dict[str, Any]:
        """The reading as the pipeline takes it; unit and method only with a temperature."""
        given = self.cleaned_data
        measured = bool(given["temperature"])
        return {
            **{name: given[name] or None for name in ("temperature", "fever_reducer", "observed_by")},
            **{name: given[name] or None for name in ("fever_reducer_hours", "could_not")},
            "unit": given["unit"] or None if measured else None,
            "method": given["method"] or None if measured else None,
            "submission_id": str(given["submission_id"]),
            "taken_at": given["taken_at"].isoformat(),
            "felt_feverish": given["felt_feverish"],
            "symptoms": given["symptoms"],
            "note": given["note"],
        }

    def renew(self) -> None:
        """What is corrected now is another submission: the refused one is kept under its own id."""
        self.data = self.data.copy()
        self.data["submission_id"] = str(uuid.uuid4())


class WithdrawalForm(forms.Form):
    accepted = forms.TypedChoiceField(
        label=_("After speaking with the worker"),
        choices=[("yes", _("The report is withdrawn")), ("no", _("The report stands"))],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )
    reason = forms.CharField(label=_("Reason"), widget=AREA)


class CorrectionForm(forms.Form):
    occurred_at = LocalTimeField(label=_("When was the contact?"))
    reason = forms.CharField(label=_("How do you know?"), widget=AREA)


class ExposureForm(forms.Form):
    """An exposure that no report led to. `tier` is (pathogen, tier): a tier is one of its pathogen's criteria."""

    tier = forms.ChoiceField(
        label=_("Of what, and in which tier?"), help_text=_("Only tiers that ask for follow-up.")
    )
    occurred_at = LocalTimeField(label=_("When was the contact?"))
    note = forms.CharField(
        label=_("What happened, and where?"), help_text=_("Without the name of a patient."), widget=AREA
    )
    told = forms.ChoiceField(
        label=_("Was the worker told?"),
        help_text=_("No message goes to the worker before a person has told them."),
        choices=[("person", _("In person")), ("phone", _("By telephone")), ("not_yet", _("Not yet"))],
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, tiers: Mapping[str, Iterable[tuple[str, str]]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # The pathogen stands in every label: a closed list shows only the one that is chosen.
        choices = [
            (
                pathogen.capitalize(),
                [(f"{pathogen}:{code}", f"{pathogen.capitalize()}: {label}") for code, label in its_tiers],
            )
            for pathogen, its_tiers in tiers.items()
        ]
        self.fields["tier"].choices = [("", _("Choose one")), *choices]

    def exposure(self) -> dict[str, Any]:
        """As `follow.record_exposure` takes it."""
        given = self.cleaned_data
        pathogen, _separator, tier = given["tier"].partition(":")
        told = given["told"] if given["told"] in dict(Told.HOW) else ""
        return {
            "pathogen": pathogen,
            "tier": tier,
            "occurred_at": given["occurred_at"],
            "note": given["note"],
            "told": told,
        }


class BirthYearForm(forms.Form):
    """`stands`: the year that the page shows."""

    birth_year = forms.IntegerField(
        label=_("Year of birth"),
        help_text=_("Four digits. Empty: it is not known."),
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off", "maxlength": 4}),
    )
    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, data: Any = None, *, stands: int | None) -> None:
        super().__init__(data, initial={"birth_year": stands, "seen": stands})


class ProtectionForm(forms.Form):
    kind = forms.ChoiceField(
        label=_("What was it?"), choices=_capital(Protection.Kind.choices), widget=forms.RadioSelect
    )
    what = forms.CharField(label=_("Name"), max_length=200)
    given_at = LocalTimeField(label=_("Given when?"))
    batch = forms.CharField(label=_("Batch"), max_length=60, required=False)


class PrivateForm(forms.Form):
    fever_unreliable = forms.BooleanField(
        label=_("Fever is not reliable in this worker: feeling unwell counts as a symptom"), required=False
    )
    text = forms.CharField(label=_("Note, seen by clinicians only"), required=False, widget=AREA)
