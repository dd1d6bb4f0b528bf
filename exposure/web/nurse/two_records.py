"""Two records of what may be one person, beside each other: how much stands in each, and from when."""

from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp, Reading
from exposure.people.access import visible
from exposure.people.models import User, Worker
from exposure.people.policy import View
from exposure.web.templatetags.look import degrees

DAY, MOMENT = "j M Y", "j M Y, H:i"


def rows_of(
    people: tuple[Worker, Worker], reader: User, *, at: datetime
) -> list[tuple[str, list[list[str]]]]:
    """(what, the lines of each record), of what the reader sees of them; nothing there is an empty list."""

    def seen(rows: QuerySet[Any]) -> QuerySet[Any]:
        return visible(reader, rows, View.CLINICAL, at=at)

    of_each = (
        (
            _("Reports"),
            lambda one: [_report(row) for row in seen(one.breaches.all()).order_by("reported_at")],
        ),
        (_("Follow-ups"), lambda one: [_follow_up(row) for row in seen(one.follow_ups.all())]),
        (_("Last reading"), lambda one: _last_reading(seen(_own(Reading, one)))),
        (_("Open alerts"), lambda one: [_alert(row) for row in seen(_open_alerts(one))]),
    )
    return [(label, [lines(person) for person in people]) for label, lines in of_each]


def _own(model: type[Any], worker: Worker) -> QuerySet[Any]:
    """Those of rows that were linked to the record before, too."""
    return model.objects.filter(Q(worker=worker) | Q(worker__same_as=worker))


def _open_alerts(worker: Worker) -> QuerySet[Alert]:
    about = Q(worker=worker) | Q(follow_up__worker=worker) | Q(breach__worker=worker)
    return Alert.objects.filter(about, closed_at=None).order_by("raised_at", "pk")


def _report(breach: Any) -> str:
    return f"{breach.reference}, {date_format(localtime(breach.happened_at), DAY)}"


def _follow_up(follow_up: FollowUp) -> str:
    words = {
        "pathogen": follow_up.pathogen.capitalize(),
        "opened": date_format(localtime(follow_up.opened_at), DAY),
    }
    if follow_up.ended_at is None:
        return _("%(pathogen)s, since %(opened)s") % words
    ended = date_format(localtime(follow_up.ended_at), DAY)
    return _("%(pathogen)s, %(opened)s to %(ended)s") % {**words, "ended": ended}


def _last_reading(readings: QuerySet[Reading]) -> list[str]:
    last = readings.filter(replaced_by=None).order_by("taken_at", "pk").last()
    if last is None:
        return []
    counted = _("%(count)s in all") % {"count": readings.count()}
    taken = date_format(localtime(last.taken_at), MOMENT)
    value = degrees(last.value, last.unit) or _("no temperature")
    return [f"{value}, {taken}", counted]


def _alert(alert: Alert) -> str:
    return f"{alert.get_cause_display()}, {date_format(localtime(alert.raised_at), MOMENT)}"
