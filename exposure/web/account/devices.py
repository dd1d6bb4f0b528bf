"""The devices of the stations that somebody sets up: enrolled, given another key, ended; and who is locked there."""

import uuid
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Max, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people import devices, station_pins
from exposure.people.access import holds, visible
from exposure.people.models import User
from exposure.people.policy import SEEING, View
from exposure.places.models import Station
from exposure.web.bidi import isolated
from exposure.web.signed_in import signed_in


class StationField(forms.ModelChoiceField):
    def label_from_instance(self, station: Station) -> str:
        return isolated(station.name)


class EnrolForm(forms.Form):
    station = StationField(
        Station.objects.none(), label=gettext_lazy("Which station does it stand at?"), empty_label=None
    )
    label = forms.CharField(
        label=gettext_lazy("What is it called?"),
        help_text=gettext_lazy("As on its label. A report that it sends stands in this name."),
        max_length=100,
    )

    def __init__(self, *args: Any, stations: QuerySet[Station], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["station"].queryset = stations


@signed_in
def station_devices(request: HttpRequest) -> HttpResponse:
    """Every device of one's stations that may report; a new one's key is shown in the answer and nowhere again."""
    stations = _stations(request)
    form = EnrolForm(request.POST if request.method == "POST" else None, stations=stations)
    made = None
    if request.method == "POST" and form.is_valid():
        made, device = devices.enrol(**form.cleaned_data, at=request.at)
        note_look(request.user, AccessEntry.Kind.KEY, f"device:{device.uid}", at=request.at)
        form = EnrolForm(stations=stations)
    return _page(request, form, made)


@require_POST
@signed_in
def exchange_key(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Another key, shown once; the earlier one opens nothing any more."""
    device = _device(request, uid)
    made = devices.exchange_key(device, at=request.at)
    note_look(request.user, AccessEntry.Kind.KEY, f"device:{device.uid}", at=request.at)
    return _page(request, EnrolForm(stations=_stations(request)), made)


@require_POST
@signed_in
def end(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The device reports no more."""
    device = _device(request, uid)
    devices.end(device, at=request.at)
    note_look(request.user, AccessEntry.Kind.KEY, f"device:{device.uid}", at=request.at)
    messages.success(request, _("%(device)s reports no more.") % {"device": isolated(device.full_name)})
    return redirect("station_devices")


@signed_in
def locked_observers(request: HttpRequest) -> HttpResponse:
    """Whose digits do not count at a tablet after too many wrong ones, among the accounts that one sets up; they can be
    let in again."""
    _stations(request)
    rows = station_pins.locked(request.user, at=request.at)
    if request.method == "POST":
        row = next((row for row in rows if str(row.uid) == request.POST.get("whose")), None)
        if row is not None:
            station_pins.unlock(row)
            note_look(
                request.user, AccessEntry.Kind.FACTOR, f"station digits of user:{row.user.uid}", at=request.at
            )
            words = _("The digits of %(name)s count again at every tablet.")
            messages.success(request, words % {"name": isolated(row.user.full_name)})
        return redirect("locked_observers")
    note_look(request.user, AccessEntry.Kind.LIST, "observers locked at the tablets", at=request.at)
    named = [(row, station_pins.locked_until(row, at=request.at)) for row in rows]
    return render(request, "account/locked_observers.html", {"rows": named})


def _stations(request: HttpRequest) -> QuerySet[Station]:
    """Those that the account sets up; raises PermissionDenied for whoever sets up none."""
    if not holds(request.user, SEEING[View.SETUP], at=request.at):
        raise PermissionDenied
    return visible(request.user, Station.objects.order_by("name"), View.SETUP, at=request.at)


def _standing(request: HttpRequest) -> QuerySet[User]:
    return User.objects.filter(device_of__in=_stations(request), is_active=True)


def _device(request: HttpRequest, uid: uuid.UUID) -> User:
    device = _standing(request).filter(uid=uid).first()
    if device is None:
        raise Http404
    return device


def _page(request: HttpRequest, form: EnrolForm, made: str | None) -> HttpResponse:
    rows = _standing(request).select_related("device_of").order_by("device_of__name", "full_name", "pk")
    rows = rows.annotate(until=Max("api_tokens__expires_at"))
    return render(
        request, "account/station_devices.html", {"form": form, "made": made, "rows": rows, "at": request.at}
    )
