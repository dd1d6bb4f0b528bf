"""A report that a station's tablet could not send, read out over the telephone or brought on paper: typed in here."""

from collections.abc import Sequence
from contextlib import suppress
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people.access import visible
from exposure.people.models import Worker
from exposure.people.policy import AS_CLINICIAN, IN_LISTS
from exposure.pipeline.report import report_breach
from exposure.refusal import Conflict
from exposure.report.models import Breach
from exposure.report.spoken import Misheard, read_block
from exposure.report.submission import reference
from exposure.web.bidi import isolated
from exposure.web.nurse.by_telephone import with_telephone
from exposure.web.nurse.views import for_clinicians
from exposure.web.observer.here import by_number

NOBODY = "nobody"  # of those offered


class SpokenForm(forms.Form):
    block = forms.CharField(
        label=gettext_lazy("The lines"),
        help_text=gettext_lazy(
            "One below the other, each with its last character. Blanks and small letters do not matter."
        ),
        widget=forms.Textarea(attrs={"rows": 9, "autocomplete": "off", "spellcheck": "false"}),
        max_length=4000,
    )
    name = forms.CharField(
        label=gettext_lazy("Who it is, if they have no staff number"), required=False, max_length=200
    )
    phone = forms.CharField(label=gettext_lazy("Their telephone"), required=False, max_length=40)
    narrative = forms.CharField(
        label=gettext_lazy("What else was said"), required=False, widget=forms.Textarea(attrs={"rows": 3})
    )

    def offer(self, people: Sequence[Worker]) -> None:
        """Ask which of these people it is, before somebody new is made."""
        known = [
            (str(one.uid), f"{one.number or _('no number')} {isolated(one.name)}, {isolated(one.site.name)}")
            for one in people
        ]
        self.fields["known"] = forms.ChoiceField(
            label=_("This telephone stands on the list already. Who is it?"),
            choices=[*known, (NOBODY, _("somebody else, who is not on the list"))],
            widget=forms.RadioSelect,
        )

    @property
    def named_anew(self) -> str:
        """The telephone of somebody whose number is not among the lines; empty where nobody new would be made."""
        said = self.cleaned_data
        return "" if by_number(said["block"].get("worker", "")) else said["phone"]

    def clean_block(self) -> dict[str, Any]:
        try:
            return read_block(self.cleaned_data["block"])
        except Misheard as misheard:
            if misheard.line is None:
                raise ValidationError(
                    _("The lines do not make a whole: is the last one there, and each in its place?")
                ) from None
            raise ValidationError(
                _("Line %(line)s does not fit: have it read out again.") % {"line": misheard.line}
            ) from None

    def body(self) -> dict[str, Any]:
        """The report as it is handed on. The lines hold no capital letters: a number is looked up as it is written."""
        said = self.cleaned_data
        body = {**said["block"], "narrative": said["narrative"]}
        worker = by_number(body.get("worker", ""))
        if worker is not None:
            body["worker"] = worker.number
        elif said.get("known", NOBODY) != NOBODY:
            body["worker"] = said["known"]
        elif said["name"] or said["phone"]:
            body["person"] = {"name": said["name"], "phone": said["phone"]}
        return body


@for_clinicians
def spoken_report(request: HttpRequest) -> HttpResponse:
    """Takes it as a report of its own id: where the tablet sends it after all, both stand together."""
    form = SpokenForm(request.POST if request.method == "POST" else None)
    if form.is_valid() and (people := _with_that_telephone(request, form.named_anew)):
        form = SpokenForm(request.POST)
        form.offer(people)
    if request.method == "POST" and form.is_valid():
        body = form.body()
        named = {"reference": isolated(reference(_id_of(body)))}
        with suppress(Conflict):
            reported = report_breach(body=body, reporter=request.user, at=request.at)
            messages.success(request, _("The report %(reference)s is taken.") % named)
            own = Breach.objects.filter(pk=reported.breach.pk)
            if visible(request.user, own, *AS_CLINICIAN, at=request.at).exists():
                return redirect("breach", uid=reported.breach.uid)
            return redirect("reports")  # of another site, or about oneself
        messages.warning(
            request,
            _("The report %(reference)s stands already. What you typed is kept beside it.") % named,
        )
        return redirect("reports")
    return render(request, "nurse/spoken.html", {"form": form}, status=422 if form.is_bound else 200)


def _with_that_telephone(request: HttpRequest, phone: str) -> list[Worker]:
    """People on the list whom the reader sees, who may be the one that the report is about."""
    people = Worker.objects.filter(same_as=None).select_related("site")
    seen = visible(request.user, people, *IN_LISTS, at=request.at)
    found = with_telephone(seen, [phone]).get(phone, [])
    if found:
        note_look(request.user, AccessEntry.Kind.LIST, f"telephone {phone}", at=request.at)
    return found


def _id_of(body: dict[str, Any]) -> Any:
    return Breach._meta.get_field("uid").to_python(body["submission_id"])
