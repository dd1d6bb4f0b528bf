"""What a physician fills in about criteria: the text itself, and answers to try."""

from decimal import Decimal
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from exposure.classify.criteria import Criteria, CriteriaError
from exposure.classify.table import Fact
from exposure.classify.words import said

UNKNOWN = ("", _("Don't know"))
AROUND = 2  # lines shown before and after one that is wrong


class TextForm(forms.Form):
    """A criteria file as text. What is wrong comes with its line; what was typed stays."""

    content = forms.CharField(
        label=_("Criteria"),
        strip=False,
        help_text=_("One file of one pathogen and version, as YAML. It is kept exactly as it stands here."),
        widget=forms.Textarea(
            attrs={"rows": 32, "spellcheck": "false", "autocapitalize": "off", "class": "criteria-text"}
        ),
    )

    def clean_content(self) -> str:
        """Browsers send every line's end as two characters; the file has one."""
        return self.cleaned_data["content"].replace("\r\n", "\n")

    def refuse(self, error: CriteriaError) -> None:
        """Say what is wrong, and show where."""
        where = {"line": error.line, "path": error.path, "message": error.message}
        if error.line is None:
            self.add_error("content", error.message)
            return
        sentence = (
            _("Line %(line)d, %(path)s: %(message)s") if error.path else _("Line %(line)d: %(message)s")
        )
        self.add_error("content", sentence % where)
        lines = (self.data.get("content") or "").splitlines()
        first = max(error.line - 1 - AROUND, 0)
        self.excerpt = [
            (at, line, at == error.line)
            for at, line in enumerate(lines[first : error.line + AROUND], start=first + 1)
        ]


class TryForm(forms.Form):
    """Every question of the criteria, each with “Don't know”; `facts` is what was answered.

    The fields are named as the facts are, so that an address like ?contact=splash is an answered form.
    """

    def __init__(self, *args: Any, criteria: Criteria, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.criteria = criteria
        self.fields = {fact.name: _question(fact) for fact in criteria.facts}

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        return {"facts": {name: value for name, value in given.items() if value not in (None, "")}}

    def mark_next(self, names: tuple[str, ...]) -> None:
        """Say at the question that decides most that it does."""
        if names:
            self.fields[names[0]].help_text = _("Decides most: ask this next.")


def _question(fact: Fact) -> forms.Field:
    if not fact.cuts:
        answers = [(answer.code, said(answer.label)) for answer in fact.answers]
        return forms.ChoiceField(label=said(fact.ask), choices=[UNKNOWN, *answers], required=False)
    return forms.DecimalField(
        label=said(fact.ask),
        required=False,
        localize=True,
        min_value=Decimal(-(10**9)),
        max_value=Decimal(10**9),
        help_text=_("In %(unit)s; left empty: don't know.") % {"unit": fact.unit},
    )
