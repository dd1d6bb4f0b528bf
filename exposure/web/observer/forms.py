"""The forms at the station. They ask again for what is not answered; they refuse nothing for being odd."""

from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.classify.table import Fact
from exposure.people.models import Worker
from exposure.places.models import Protocol, Station
from exposure.report.models import Breach, Removal
from exposure.web.bidi import isolated
from exposure.web.local_time import LocalTimeInput, instant_of
from exposure.web.observer.draft import ANSWER
from exposure.web.observer.here import shown_at
from exposure.web.observer.questions import UNKNOWN, choices, in_words, number

REAL_OR_DRILL = [("no", gettext_lazy("Real")), ("yes", gettext_lazy("Drill"))]
PHASES = [(code, capfirst(words)) for code, words in Breach.Phase.choices]
# The usual one first; a drill is one more answer to the same question, so that real is chosen each time too.
POINTS = [
    (Breach.Phase.REMOVAL, gettext_lazy("Real, during the removal")),
    (Breach.Phase.ROOM, gettext_lazy("Real, in the room")),
    (Breach.Phase.ENTRY, gettext_lazy("Real, before entry")),
    (Breach.Phase.LATER, gettext_lazy("Real, found later")),
    ("drill", gettext_lazy("It was a drill")),
]
WATCHED = [
    (Removal.Watched.OBSERVER, gettext_lazy("I do, as a trained observer")),
    (Removal.Watched.TWO, gettext_lazy("Two observers, I am one")),
    (Removal.Watched.BUDDY, gettext_lazy("I do, as a buddy")),
    (Removal.Watched.NOBODY, gettext_lazy("Nobody")),
]
DONT_KNOW = gettext_lazy("Don't know")


class WhoForm(forms.Form):
    """Who it is: one of those lately here, a number, or a name."""

    who = forms.ChoiceField(label=gettext_lazy("Who?"), widget=forms.RadioSelect)
    number = forms.CharField(
        label=gettext_lazy("Number on the badge"),
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
        error_messages={
            "required": gettext_lazy(
                "Not answered yet: the number on the badge. Without one, choose “By name”."
            )
        },
    )
    name = forms.CharField(
        label=gettext_lazy("Name"),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        error_messages={
            "required": gettext_lazy(
                "Not answered yet: the name. If nobody knows it, choose “Not known yet”."
            )
        },
    )

    def __init__(
        self,
        *args: Any,
        station: Station,
        people: list[Worker],
        self_worker: Worker | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        listed = [(str(worker.uid), shown_at(station, worker)) for worker in people if worker != self_worker]
        if self_worker is not None:
            listed.append(
                (str(self_worker.uid), _("Myself, %(name)s") % {"name": isolated(self_worker.name)})
            )
        self.fields["who"].choices = [
            *listed,
            ("number", _("By number")),
            ("name", _("By name, without a number")),
            ("nobody", _("Not known yet")),
        ]
        if self.is_bound:
            for kind in ("number", "name"):
                self.fields[kind].required = self.data.get("who") == kind

    @property
    def offered(self) -> list[tuple[str, Any, bool]]:
        """(value, words, whether chosen) of each way to say who it is: a button."""
        return [(value, words, value == self["who"].value()) for value, words in self.fields["who"].choices]

    @property
    def typing(self) -> str:
        """Whether a number or a name is typed: by which of the two."""
        kind = self["who"].value()
        return kind if kind in ("number", "name") else ""


class StartForm(WhoForm):
    """Starts a guided removal. Real or drill is chosen each time."""

    protocol = forms.ModelChoiceField(queryset=Protocol.objects.none(), to_field_name="code")
    drill = forms.ChoiceField(label=gettext_lazy("Real or drill?"), choices=REAL_OR_DRILL)
    watched = forms.ChoiceField(
        label=gettext_lazy("Who watches?"),
        choices=WATCHED,
        widget=forms.RadioSelect,
        required=False,
        initial=Removal.Watched.OBSERVER,
    )

    def __init__(self, *args: Any, station: Station, **kwargs: Any) -> None:
        super().__init__(*args, station=station, **kwargs)
        self.fields["protocol"].queryset = station.protocols.all()


class PersonForm(forms.Form):
    """How to reach somebody on no list. Nothing holds the report up: what nobody knows stays empty."""

    phone = forms.CharField(
        label=gettext_lazy("Their telephone"),
        required=False,
        widget=forms.TextInput(attrs={"type": "tel", "autocomplete": "off"}),
    )
    employer = forms.CharField(
        label=gettext_lazy("Their employer"),
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


class ReportedForm(PersonForm, WhoForm):
    """Who was reported."""


class WhenForm(forms.Form):
    """When it happened, where that is not the moment of the report."""

    # Any text is taken: a time that cannot be read is sent as it was typed.
    occurred_at = forms.CharField(
        label=gettext_lazy("When?"), required=False, widget=LocalTimeInput(attrs={"autocomplete": "off"})
    )

    def __init__(self, *args: Any, station: Station, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["occurred_at"].help_text = _("On the clock of %(site)s.") % {
            "site": isolated(station.site.short_name)
        }
        self.fields["occurred_at"].widget.zone = ZoneInfo(station.site.zone)

    def clean_occurred_at(self) -> str:
        """Only what the clock showed twice is asked again: one of the two is an hour off."""
        typed = self.cleaned_data["occurred_at"]
        try:
            instant_of(typed, self.fields["occurred_at"].widget.zone)
        except ValidationError as error:
            if error.code == "twice":
                raise
        return typed


class TapForm(forms.Form):
    """One question, each answer a button that goes on (`offered`: code, words, whether it was chosen before)."""

    def __init__(
        self, *args: Any, name: str, ask: Any, answers: list[tuple[str, Any]], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.field_name = name
        self.fields[name] = forms.ChoiceField(choices=answers, widget=forms.RadioSelect, label=ask)

    @property
    def question(self) -> forms.BoundField:
        return self[self.field_name]

    @property
    def offered(self) -> list[tuple[str, Any, bool]]:
        chosen = self.question.value()
        return [(code, words, code == chosen) for code, words in self.fields[self.field_name].choices]


class FactForm(TapForm):
    """One question of the criteria; "Don't know" is an answer like the others; a measured answer is typed."""

    def __init__(self, *args: Any, fact: Fact, **kwargs: Any) -> None:
        answers = [*choices(fact), (UNKNOWN, DONT_KNOW)]
        super().__init__(*args, name=ANSWER + fact.name, ask=in_words(fact), answers=answers, **kwargs)
        self.fact = fact
        if fact.cuts:
            self.fields[self.field_name] = forms.CharField(
                label=in_words(fact),
                widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
            )

    @property
    def offered(self) -> list[tuple[str, Any, bool]]:
        if self.fact.cuts:
            return [(UNKNOWN, DONT_KNOW, self.question.value() == UNKNOWN)]
        return super().offered

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        typed = cleaned.get(self.field_name, UNKNOWN)
        if self.fact.cuts and typed != UNKNOWN and number(typed) is None:
            words = _("Not answered yet: %(question)s Write a number, such as 20, or choose “Don't know”.")
            self.add_error(self.field_name, words % {"question": in_words(self.fact)})
        return cleaned


class ReviewForm(forms.Form):
    """The last page before a report is sent; nothing on it is needed."""

    narrative = forms.CharField(
        label=gettext_lazy("Anything else worth knowing"),
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class FurtherAnswersForm(forms.Form):
    """Any of the questions, once more, with "Don't know" as an answer; what is left empty changes nothing."""

    def __init__(self, *args: Any, facts: list[Fact], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.facts = facts
        for fact in facts:
            offered = choices(fact)
            asked = {"label": in_words(fact), "required": False}
            self.fields[ANSWER + fact.name] = (
                forms.ChoiceField(choices=[*offered, (UNKNOWN, DONT_KNOW)], widget=forms.RadioSelect, **asked)
                if offered
                else forms.CharField(help_text=_("A number, or “?” if nobody knows."), **asked)
            )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        for fact in self.facts:
            typed = cleaned.get(ANSWER + fact.name, "")
            if fact.cuts and typed not in ("", UNKNOWN) and number(typed) is None:
                words = _("%(question)s Write a number, such as 20.") % {"question": in_words(fact)}
                self.add_error(ANSWER + fact.name, words)
        if not self.errors and not any(cleaned.values()):
            self.add_error(None, _("Not answered yet: choose an answer to at least one question."))
        return cleaned


class WithdrawalForm(forms.Form):
    """Asks a clinician to withdraw a report."""

    reason = forms.CharField(
        label=gettext_lazy("Why should this report be withdrawn?"),
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": gettext_lazy("Not answered yet: why this report should be withdrawn.")},
    )
