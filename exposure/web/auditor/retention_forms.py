"""What is typed on the page of retention."""

from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.web.bidi import isolated


class OfSite(forms.ModelChoiceField):
    def label_from_instance(self, site: Site) -> str:
        return isolated(site.name)


class HoldForm(forms.Form):
    """Whose record is needed, and for what."""

    site = OfSite(Site.objects.none(), label=gettext_lazy("Site"), empty_label=None)
    number = forms.CharField(
        label=gettext_lazy("Worker's number"),
        help_text=gettext_lazy("Empty: all of the site."),
        required=False,
    )
    reason = forms.CharField(
        label=gettext_lazy("What needs it"),
        help_text=gettext_lazy("A court, a claim, an inquiry, with its reference."),
        widget=forms.Textarea({"rows": 2}),
    )

    def __init__(self, *args: Any, sites: QuerySet[Site], user: User, **kwargs: Any) -> None:
        super().__init__(*args, prefix="hold", **kwargs)
        self.user = user
        self.fields["site"].queryset = sites

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        number, site = values.get("number"), values.get("site")
        values["worker"] = None
        if number and site:
            workers = Worker.objects.filter(site=site, number__iexact=number).exclude(user=self.user)
            values["worker"] = workers.first()
            if values["worker"] is None:
                self.add_error("number", _("No worker of this site has this number."))
        return values


class ProposeForm(forms.Form):
    """Whose records are to go, and why now."""

    people = forms.MultipleChoiceField(
        label=gettext_lazy("Whose records are to go"), widget=forms.CheckboxSelectMultiple
    )
    reason = forms.CharField(label=gettext_lazy("Why now"), widget=forms.Textarea({"rows": 2}))

    def __init__(self, *args: Any, people: list[Worker], **kwargs: Any) -> None:
        super().__init__(*args, prefix="purge", **kwargs)
        self.by_uid = {str(worker.uid): worker for worker in people}
        self.fields["people"].choices = [(uid, isolated(str(one))) for uid, one in self.by_uid.items()]

    def workers(self) -> list[Worker]:
        return [self.by_uid[uid] for uid in self.cleaned_data["people"]]


class LiftForm(forms.Form):
    because = forms.CharField(label=gettext_lazy("Why nothing needs it any more"), max_length=500)
