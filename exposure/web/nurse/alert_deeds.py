"""What is done to an alert: take it over, close it with an outcome."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from django.http import HttpRequest, QueryDict
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext_lazy as _

from exposure.attend import alerts, closing
from exposure.attend.models import Alert
from exposure.people.access import may_on, require_on
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import attend
from exposure.web.nurse.deed import DeedPage, Done, Subject
from exposure.web.nurse.forms import CloseForm, LookForm, TakeForm

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
    return CloseForm(data, alert=subject.row, initial={"times": subject.row.times})


def look_form(data: QueryDict | None, alert: Alert) -> LookForm:
    """The form in which whoever has the alert sets its next look."""
    most = attend.longest_look(alert) // timedelta(hours=1)
    return LookForm(
        data, most=most, initial={"times": alert.times}, auto_id="look_%s"
    )  # beside the form that closes it


def _whose_it_is(request: HttpRequest, alert: Alert) -> Mapping[str, Any]:
    """Raises PermissionDenied for a nurse where a physician decides."""
    require_on(request.user, closing.deed_of(alert), alert, at=request.at)
    return {}


def to_correct(alert: Alert, user: User, *, at: datetime) -> Mapping[str, Any]:
    """For nurse/to_correct.html: what must be corrected before the alert can be closed as an entry error."""
    worker = alerts.worker_of(alert)
    may_enter = alert.closed_at is None and may_on(user, Deed.ENTER_READING, worker, at=at)
    return {
        "to_correct": closing.to_correct(alert) if may_enter else [],
        "to_enter": may_enter and closing.is_typed_only(alert),
        "worker": worker,
    }


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
        "alert_look",
        "alerts/<uuid:uid>/look/",
        deed=Deed.ACKNOWLEDGE,
        use_case=attend.look_again,
        form=lambda data, subject: look_form(data, subject.row),
        title=_("Set the next look"),
        lede=lambda subject: subject.row.words,
        done=_taken,
    ),
    _page(
        "alert_close",
        "alerts/<uuid:uid>/close/",
        deed=Deed.CLOSE_ALERT,
        use_case=attend.close_alert,
        prepare=_whose_it_is,
        form=_close_form,
        shown=lambda subject: to_correct(subject.row, subject.user, at=subject.at),
        template="nurse/close_alert.html",
        title=_("Close the alert"),
        lede=lambda subject: subject.row.words,
        done=lambda done: _("Closed: %(outcome)s.") % {"outcome": done.result.get_outcome_display()},
    ),
)
