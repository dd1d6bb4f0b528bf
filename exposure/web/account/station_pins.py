"""Six digits for the stations' tablets, chosen by whoever will say by them that they observe."""

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people import station_pins
from exposure.people.models import StationPin
from exposure.web.account.phone_pins import GET_POST, NewPinField, asked_before
from exposure.web.signed_in import signed_in


class NewStationPinForm(forms.Form):
    """Digits for the tablets."""

    pin = NewPinField(
        gettext_lazy(
            "On a station's tablet they say, beside your badge, that it is you who observes. They open nothing."
        )
    )


@GET_POST
@signed_in
def new_station_pin(request: HttpRequest) -> HttpResponse:
    """Digits of one's own, for whoever works at stations; earlier ones count no more."""
    if not station_pins.may_observe(request.user, at=request.at):
        raise PermissionDenied
    return _choose(request)


@asked_before
def _choose(request: HttpRequest) -> HttpResponse:
    form = NewStationPinForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        station_pins.set_pin(request.user, form.cleaned_data["pin"], at=request.at)
        note_look(request.user, AccessEntry.Kind.FACTOR, "digits for the tablets", at=request.at)
        messages.success(request, _("From now on these digits say on the stations' tablets that it is you."))
        return redirect("sessions")
    standing = StationPin.objects.filter(user=request.user).first()
    context = {
        "form": form,
        "standing": standing,
        "locked_until": standing and station_pins.locked_until(standing, at=request.at),
    }
    return render(request, "account/station_pin.html", context)
