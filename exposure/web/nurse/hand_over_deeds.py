"""What waits is handed over to a colleague: an alert, or whatever else must be done about somebody."""

from collections.abc import Mapping
from functools import partial
from typing import Any

from django.http import QueryDict
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from exposure.attend import alerts
from exposure.attend.models import Promise
from exposure.people.colleagues import colleagues_at
from exposure.people.policy import Deed
from exposure.pipeline import hand_over
from exposure.web.bidi import isolated
from exposure.web.nurse.alert_deeds import ALERTS
from exposure.web.nurse.deed import OBSTACLES, DeedPage, Done, Subject
from exposure.web.nurse.forms import HandOverForm

PROMISES = (
    Promise.objects.filter(void_at=None, version=None)
    .exclude(kind=Promise.Kind.LOOK)
    .select_related("site", "worker__site", "held_by")
)


def _form(data: QueryDict | None, subject: Subject) -> HandOverForm:
    row = subject.row
    holder = row.held_by.name if row.held_by is not None else ""
    return HandOverForm(data, site=row.site, initial={"holder": holder, "times": getattr(row, "times", None)})


def _colleagues(subject: Subject) -> Mapping[str, Any]:
    site = subject.row.site
    return {"colleagues": colleagues_at([site], at=subject.at), "holder": subject.row.held_by}


def _given(done: Done) -> str:
    holder = done.result.held_by
    if holder == done.subject.user:
        return _("You have it.")
    words = _("%(name)s has it now: it stands in their list. No message goes out: tell them.")
    return words % {"name": isolated(holder)}


def _given_alert(done: Done) -> str:
    holder = done.result.held_by
    if holder == done.subject.user:
        return _("You have it.")
    words = _("%(name)s is told now. Until they say that they have it, it waits as unseen.")
    return words % {"name": isolated(holder)}


_page = partial(
    DeedPage,
    deed=Deed.HAND_OVER,
    form=_form,
    shown=_colleagues,
    title=_("Hand over"),
    template="nurse/hand_over.html",
)

PAGES = (
    _page(
        "alert_hand_over",
        "alerts/<uuid:uid>/hand-over/",
        rows=ALERTS,
        named="alert",
        use_case=hand_over.hand_over_alert,
        about=lambda subject: alerts.worker_of(subject.row),
        back=lambda subject: reverse("alert", args=[subject.row.uid]),
        lede=lambda subject: f"{subject.row.get_cause_display().capitalize()}: {subject.row.words}",
        done=_given_alert,
        obstacles={**OBSTACLES, "closed": _("The alert is closed by now.")},
    ),
    _page(
        "hand_over",
        "waiting/<uuid:uid>/hand-over/",
        rows=PROMISES,
        named="promise",
        use_case=hand_over.hand_over_promise,
        sent=lambda form, _subject: {name: form.cleaned_data[name] for name in ("to", "holder")},
        lede=lambda subject: subject.row.title,
        done=_given,
    ),
)
