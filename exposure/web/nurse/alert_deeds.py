"""What is done to an alert: take it over, close it with an outcome."""

from functools import partial
from typing import Any

from django.http import QueryDict
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext_lazy as _

from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import attend
from exposure.web.nurse.deed import DeedPage, Done, Subject
from exposure.web.nurse.forms import CloseForm, TakeForm

ALERTS = Alert.objects.with_look().select_related(
    "site", "breach__worker__site", "follow_up__worker__site", "worker__site", "held_by", "closed_by"
)


def _take(*, alert: Alert, holder: User | None, **said: Any) -> Alert:
    """Whoever was shown that another holds it takes it over from that person."""
    if holder is None:
        return attend.acknowledge_alert(alert=alert, **said)
    return attend.take_alert(alert=alert, holder=holder, **said)


def _taken(done: Done) -> str:
    look_at = done.result.next_look_at
    if look_at is None:
        return _("The alert had been closed already.")
    return _("You have it. Next look by %(time)s.") % {"time": date_format(localtime(look_at), "D j M, H:i")}


def _take_form(data, subject: Subject) -> TakeForm:
    holder = subject.row.held_by
    return TakeForm(data, initial={"holder": holder and holder.uid, "times": subject.row.times})


def _close_form(data: QueryDict | None, subject: Subject) -> CloseForm:
    return CloseForm(data, initial={"times": subject.row.times})


def _taking(subject: Subject) -> str:
    words = _("%(what)s You take this alert over. It stays open, and asks again when the next look is due.")
    return words % {"what": subject.row.words}


_page = partial(
    DeedPage,
    rows=ALERTS,
    named="alert",
    about=lambda subject: alerts.worker_of(subject.row),
    back=lambda subject: reverse("alert", args=[subject.row.uid]),
)

PAGES = (
    _page(
        "alert_acknowledge",
        "alerts/<uuid:uid>/have/",
        deed=Deed.ACKNOWLEDGE,
        use_case=_take,
        form=_take_form,
        title=_("I have it"),
        lede=_taking,
        done=_taken,
    ),
    _page(
        "alert_close",
        "alerts/<uuid:uid>/close/",
        deed=Deed.CLOSE_ALERT,
        use_case=attend.close_alert,
        form=_close_form,
        title=_("Close the alert"),
        lede=lambda subject: subject.row.words,
        done=lambda done: _("Closed: %(outcome)s.") % {"outcome": done.result.get_outcome_display()},
    ),
)
