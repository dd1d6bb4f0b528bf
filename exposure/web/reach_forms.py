"""The fields with which somebody says how to be reached, on the pages of workers and of clinicians."""

from typing import Any

from django import forms
from django.utils.translation import get_language_info, gettext_lazy
from django.utils.translation import gettext as _

from exposure.people.models import Channel, User
from exposure.remind import texts
from exposure.remind.channels.registry import available


def offer_channels(form: forms.ModelForm) -> None:
    """Only what is set up here: no number where no text message leaves, no choice where there is one channel."""
    names = available()
    if Channel.TEXT not in names:
        del form.fields["mobile"]
    else:
        form.fields["mobile"].widget.attrs |= {"inputmode": "tel", "autocomplete": "tel"}
    if len(names) == 1:
        del form.fields["reach_by"]
        return
    field = form.fields["reach_by"]
    form.fields["reach_by"] = forms.ChoiceField(
        label=field.label,
        choices=[(name, Channel(name).label.capitalize()) for name in names],
        help_text=_("Where that does not reach you, the others are tried."),
        required=False,
        widget=forms.RadioSelect,
    )
    form.initial["reach_by"] = form.initial.get("reach_by") or names[0]


def offer_languages(form: forms.ModelForm) -> None:
    """Those in which there are messages; no choice where there is one."""
    languages = texts.languages()
    if len(languages) < 2:
        del form.fields["language"]
        return
    names = [(code, get_language_info(code)["name_local"].capitalize()) for code in languages]
    form.fields["language"] = forms.ChoiceField(
        label=form.fields["language"].label,
        choices=[("", _("As at the hospital")), *names],
        required=False,
    )


def require_number(form: forms.ModelForm) -> None:
    """Whoever wants text messages gives a number."""
    wants_texts = form.cleaned_data.get("reach_by") == Channel.TEXT
    if wants_texts and not form.cleaned_data.get("mobile") and "mobile" not in form.errors:
        form.add_error("mobile", _("Give the number for text messages, or choose another way."))


class ReachForm(forms.ModelForm):
    """A clinician's own."""

    class Meta:
        model = User
        fields = ["mobile", "reach_by"]
        labels = {
            "mobile": gettext_lazy("Mobile number for text messages"),
            "reach_by": gettext_lazy("Tell me first by"),
        }
        help_texts = {"mobile": gettext_lazy("With + and the country code.")}

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        offer_channels(self)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        require_number(self)
        return cleaned
