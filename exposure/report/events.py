"""Several people exposed at once: reports that name one event are linked, in whatever order they arrive."""

import uuid
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from exposure import wording
from exposure.report.models import Breach, Event

STILL_AWAITED = timedelta(days=7)  # how long a report is looked for that others name; local choice


def join_event(breach: Breach, *, at: datetime) -> None:
    """Put a new report into the event that its body names, by the event's id or by that of the report it began with.
    Reports that came before and name this one come too. What names nothing at this site is flagged.

    A drill and a real report never join. Inside a transaction.
    """
    named = (breach.body.get("event") or "").strip()
    waiting = _waiting_for(breach, at)
    event = _event_named(named, breach) or next((one.event for one in waiting if one.event), None)
    if named and event is None:
        breach.flags = [*breach.flags, "unknown_event"]
    if waiting:
        event = event or _begin(breach)
    for one in waiting:
        one.event = one.event or event
        one.flags = [flag for flag in one.flags if flag != "unknown_event"]
        one.save()
    if named or waiting:
        breach.event = event
        breach.save()


def _waiting_for(breach: Breach, at: datetime) -> list[Breach]:
    """Reports of the last days that name this one, as a device writes it. They came first: a tablet had no network."""
    naming = Breach.objects.select_for_update(of=("self",)).filter(
        site=breach.site,
        drill=breach.drill,
        reported_at__gt=at - STILL_AWAITED,
        body__event__iexact=str(breach.uid),
    )
    return list(naming.exclude(pk=breach.pk).select_related("event").order_by("pk"))


def _event_named(named: str, breach: Breach) -> Event | None:
    try:
        uid = uuid.UUID(named)
    except ValueError:
        return None
    event = Event.objects.filter(uid=uid, site=breach.site).first()
    if event is not None:
        return None if event.breaches.filter(drill=not breach.drill).exists() else event
    first = Breach.objects.select_for_update(of=("self",)).filter(
        uid=uid, site=breach.site, drill=breach.drill
    ).exclude(pk=breach.pk).first()  # fmt: skip
    if first is None:
        return None
    if first.event is None:
        first.event = _begin(first)
        first.save()
    return first.event


def _begin(first: Breach) -> Event:
    """The event that begins with this report and has its id."""
    on = first.happened_at.astimezone(ZoneInfo(first.site.zone))
    where = first.station.name if first.station else first.site.short_name
    with wording.kept():
        title = _("%(where)s, %(date)s") % {"where": where, "date": date_format(on, "j F Y")}
    return Event.objects.create(
        uid=first.uid, site=first.site, title=title[:200], occurred_at=first.happened_at
    )
