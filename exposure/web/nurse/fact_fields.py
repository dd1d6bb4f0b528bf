"""The questions of criteria as form fields, each with "Don't know", and what was answered as JSON holds it."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from exposure.classify.criteria import text
from exposure.classify.table import Fact

UNKNOWN = ("?", _("Don't know"))
MOST_DIGITS = 12  # 1E+999999 is a number too, and takes half a minute to write out


def question_field(facts: Sequence[Fact]) -> forms.Field:
    """One field for a fact; where several criteria ask it, every answer that one of them knows."""
    fact = facts[0]
    if fact.cuts:
        help_text = _("In %(unit)s; left empty: don't know.") % {"unit": fact.unit}
        return forms.DecimalField(
            label=text(fact.ask), required=False, localize=True, max_digits=MOST_DIGITS, help_text=help_text
        )
    answers = {answer.code: text(answer.label) for fact in facts for answer in fact.answers}
    return forms.ChoiceField(
        label=text(fact.ask), choices=[UNKNOWN, *answers.items()], widget=forms.RadioSelect
    )


def answer_of(value: Any) -> Any:
    """An answer as JSON holds it; None is unknown."""
    if value in (None, UNKNOWN[0]):
        return None
    if isinstance(value, str):
        return value
    return int(value) if value == value.to_integral_value() else float(value)
