"""What is done to an alert: take it over, close it with an outcome."""

import uuid
from functools import partial

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.people.access import View, find
from exposure.pipeline import attend
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.forms import CloseForm, TakeForm
from exposure.web.signed_in import signed_in

ALERTS = Alert.objects.with_look().select_related(
    "site", "breach__worker__site", "follow_up__worker__site", "worker__site", "held_by", "closed_by"
)


@signed_in
def acknowledge(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """“I have it”: the alert is held by this person, until the next look. Whoever was shown that another holds it
    takes it over from that person."""
    alert = find(request.user, ALERTS, View.CLINICAL, at=request.at, uid=uid)

    def do(form: TakeForm) -> str:
        act = {"alert": alert, "by": request.user, "at": request.at}
        holder = form.cleaned_data["holder"]
        held = attend.take_alert(holder=holder, **act) if holder else attend.acknowledge_alert(**act)
        if held.next_look_at is None:
            return _("The alert had been closed already.")
        look = date_format(timezone.localtime(held.next_look_at), "D j M, H:i")
        return _("You have it. Next look by %(time)s.") % {"time": look}

    with timezone.override(alert.site.zone):
        return one_deed(
            request,
            partial(TakeForm, initial={"holder": alert.held_by and alert.held_by.uid}),
            do,
            back=reverse("alert", args=[uid]),
            title=_("I have it"),
            about=alerts.worker_of(alert),
            lede=_("You take this alert over. It stays open, and asks again when the next look is due."),
            button=_("I have it"),
        )


@signed_in
def close(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Closed, with what came of it."""
    alert = find(request.user, ALERTS, View.CLINICAL, at=request.at, uid=uid)

    def do(form: Form) -> str:
        given = form.cleaned_data
        act = partial(attend.close_alert, alert=alert, by=request.user, at=request.at)
        closed = act(outcome=given["outcome"], note=given["note"])
        return _("Closed: %(outcome)s.") % {"outcome": closed.get_outcome_display()}

    with timezone.override(alert.site.zone):
        return one_deed(
            request,
            CloseForm,
            do,
            back=reverse("alert", args=[uid]),
            title=_("Close the alert"),
            about=alerts.worker_of(alert),
            button=_("Close the alert"),
        )
