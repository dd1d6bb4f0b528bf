"""How and when a worker is reminded, and where their clock hangs."""

from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.people.models import Worker
from exposure.web.bidi import isolated
from exposure.web.reach_forms import offer_channels, offer_languages, require_number
from exposure.web.worker.forms import UNITS


class SettingsForm(forms.ModelForm):
    """What a worker chooses; the fields of the reminders come first."""

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
            "language": gettext_lazy("Language of pages and reminders"),
            "quiet_from": gettext_lazy("No reminders from"),
            "quiet_until": gettext_lazy("until"),
            "own_zone": gettext_lazy("Where you are now"),
        }
        help_texts = {
            "mobile": gettext_lazy("With + and the country code."),
            "quiet_from": gettext_lazy("While you sleep, for one. Occupational health may still telephone."),
            "own_zone": gettext_lazy(
                "On a journey: choose the nearest large city. Readings that have not opened move to its clock."
            ),
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


def city(zone: str) -> str:
    """The place by which a time zone is called: Halifax, for America/Halifax."""
    region, _slash, place = zone.partition("/")
    return (place or region).replace("_", " ")


def _zones(worker: Worker) -> list:
    """The zone of the site first, then all places by region."""
    regions: dict[str, list[tuple[str, str]]] = {}
    for name in sorted(available_timezones()):
        region, _slash, place = name.partition("/")
        if (place and region not in ("Etc", "SystemV", "US")) or name == worker.own_zone:
            regions.setdefault(region, []).append((name, city(name)))
    home = _("At home: the clock of %(site)s (%(city)s)") % {
        "site": isolated(worker.site.short_name),
        "city": city(worker.site.zone),
    }
    return [("", home), *regions.items()]
