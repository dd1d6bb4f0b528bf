"""How an evaluation ends, or a follow-up: a diagnosis, a test with its hours, a reason."""

from collections.abc import Iterable, Mapping
from typing import Any

from django import forms
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from exposure.followup.finding import LONGEST
from exposure.followup.models import FollowUpState
from exposure.report.cases import early_test
from exposure.web.nurse.forms import AREA


class TestedForm(forms.Form):
    """With a test and its hours since the onset. What is cautioned about is asked once more before it is sent on."""

    hours_since_onset = forms.IntegerField(
        label=_("Hours from the onset of symptoms to the test"),
        help_text=_("A negative test within 72 hours of the onset is usually repeated (from memory)."),
        min_value=0,
        max_value=LONGEST,
        required=False,
    )
    sure = forms.BooleanField(label=_("It stands nevertheless"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.is_bound:
            del self.fields["sure"]

    def caution(self, given: Mapping[str, Any]) -> str:
        """What must be said about what was entered before it is sent on; nothing where it is empty."""
        return early_test(given.get("hours_since_onset"))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        sure = cleaned.pop("sure", False)
        caution = self.caution(cleaned)
        if not caution:
            del self.fields["sure"]
        elif not sure:
            self.add_error("sure", caution)
        return cleaned


class ReturnForm(TestedForm):
    """What was found: a diagnosis, or a test with its hours."""

    diagnosis = forms.CharField(label=_("Diagnosis"), required=False, max_length=500)
    test = forms.CharField(
        label=_("Or the test, and its result"),
        help_text=_("With the hours from the onset of symptoms."),
        required=False,
        max_length=500,
    )
    field_order = ("diagnosis", "test", "hours_since_onset", "sure")


class EndForm(TestedForm):
    kind = forms.ChoiceField(label=_("How does it end?"), widget=forms.RadioSelect)
    basis = forms.ChoiceField(
        label=_("On what basis was it run?"),
        choices=[(value, capfirst(label)) for value, label in FollowUpState.Basis.choices],
        widget=forms.RadioSelect,
    )
    accepted_by = forms.CharField(
        label=_("For a hand-over: who has accepted it?"),
        help_text=_("Name, and where they can be reached."),
        max_length=200,
        required=False,
    )
    reason = forms.CharField(label=_("Reason"), widget=AREA)
    field_order = ("kind", "hours_since_onset", "accepted_by", "basis", "reason", "sure")

    def __init__(self, *args: Any, kinds: Iterable[tuple[str, Any]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [(value, capfirst(label)) for value, label in kinds]
        self.fields["hours_since_onset"].label = _(
            "For ruled out: hours from the onset of symptoms to the test"
        )

    def caution(self, given: Mapping[str, Any]) -> str:
        if given.get("kind") != FollowUpState.Kind.RULED_OUT:
            return ""
        if given.get("hours_since_onset") is None:
            return _("Give the hours to the test. Was there none? Say so in the reason, and choose this.")
        return super().caution(given)
