"""What is filled in to send a contact list: of what, and the list as a file or as text."""

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from exposure.followup.contact_list import MOST_BYTES
from exposure.pipeline.expose import LISTS


class ContactListForm(forms.Form):
    """`text` is the list, also where a file was given; it then stands in the field, so that it can be mended there."""

    source = forms.ChoiceField(
        label=_("What is it?"),
        choices=[(source.value, capfirst(source.label)) for source in LISTS],
        initial=LISTS[0].value,
        widget=forms.RadioSelect,
    )
    pathogen = forms.ChoiceField(label=_("Exposed to what?"), widget=forms.RadioSelect)
    tier = forms.ChoiceField(
        label=_("Which tier holds where a line names none?"),
        help_text=_("In the list a tier is written by its code, which stands before its name here."),
        required=False,
    )
    file = forms.FileField(
        label=_("Or a file"),
        help_text=_("CSV in UTF-8. It takes the place of the text above."),
        required=False,
        widget=forms.FileInput(attrs={"accept": ".csv,text/csv,text/plain"}),
    )
    text = forms.CharField(
        label=_("The list"),
        help_text=_(
            "Rows copied from a spreadsheet can be pasted as they are, with the names of the columns."
        ),
        strip=False,  # a line removed at the top would move the numbers of all others
        error_messages={"required": _("Paste the list here, or choose a file.")},
        widget=forms.Textarea(
            attrs={"rows": 10, "wrap": "off", "spellcheck": "false", "autocomplete": "off"}
        ),
    )

    def __init__(self, *args: Any, tiers: Mapping[str, Sequence[tuple[str, str]]], **kwargs: Any) -> None:
        """`tiers`: pathogen -> (code, label)."""
        only = next(iter(tiers)) if len(tiers) == 1 else None
        super().__init__(*args, initial={"pathogen": only}, **kwargs)
        self.fields["pathogen"].choices = [(pathogen, pathogen.capitalize()) for pathogen in tiers]
        named = [
            (
                f"{pathogen}:{code}",
                f"{code}: {label}" if only else f"{pathogen.capitalize()}, {code}: {label}",
            )
            for pathogen, its_tiers in tiers.items()
            for code, label in its_tiers
        ]
        self.fields["tier"].choices = [("", _("Every line names its own")), *named]

    def clean_file(self) -> None:
        """The file's text goes into the text field: nothing else of it is kept."""
        file: UploadedFile | None = self.cleaned_data["file"]
        if file is None:
            return
        if file.size > MOST_BYTES:
            raise forms.ValidationError(_("At most %(most)s KiB at once.") % {"most": MOST_BYTES // 1024})
        try:
            written = file.read().decode("utf-8-sig")
        except UnicodeDecodeError:
            raise forms.ValidationError(
                _(
                    "This file is not in UTF-8. Save it anew from the spreadsheet as “CSV UTF-8”, or copy the rows and "
                    "paste them above."
                )
            ) from None
        self.data = self.data.copy()
        # As a browser would send it back: what is recorded then is to the letter what was shown.
        self.data["text"] = "\n".join(written.replace("\r\n", "\n").split("\r"))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        pathogen, _separator, tier = cleaned.get("tier", "").partition(":")
        if pathogen and cleaned.get("pathogen") not in (None, pathogen):
            self.add_error("tier", _("This tier is of another pathogen."))
        cleaned["tier"] = tier
        if "file" in self.errors:  # says what is to be done
            self.errors.pop("text", None)
        return cleaned

    def again(self) -> list[tuple[str, str]]:
        """(name, value) of what is sent once more when the list is recorded as it was shown."""
        return [(name, self[name].data or "") for name in ("source", "pathogen", "tier", "text")]
