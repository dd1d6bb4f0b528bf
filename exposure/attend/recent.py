"""Those of a list who are shown: with their last days and the next reading, and no more than that is read."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from exposure.attend.overview import Shown, overviews
from exposure.attend.ranked import Ranked
from exposure.attend.watched import Watched
from exposure.followup.models import FollowUp
from exposure.places.models import Site

NEXT = timedelta(days=1)  # the next one may be explained already: then the one after it is due
WEEK = timedelta(days=8)  # a strip of seven days, wherever on earth they begin


def recent(listed: Sequence[Ranked], *, at: datetime, back: timedelta = WEEK) -> list[Watched]:
    """One for each, in the same order, from a fixed number of statements. `back`: how long before the newest reading
    that was asked for; `contacts` of the overviews are left out."""
    if not listed:
        return []
    follow_ups = FollowUp.objects.select_related("worker").in_bulk([one.row.pk for one in listed])
    sites = Site.objects.in_bulk({one.site_id for one in follow_ups.values()})
    for one in follow_ups.values():
        one.site = sites[one.site_id]  # the same few for everybody
    since = min(one.asked.opened or at for one in listed) - back
    until = max(one.asked.next or at for one in listed) + NEXT
    shown = Shown(since, until)
    views = overviews((follow_ups[each.row.pk] for each in listed), at=at, shown=shown)
    return [
        Watched(replace(view, last_contact_at=each.signs.last_contact_at), each.profile, each.signs)
        for each, view in zip(listed, views, strict=True)
    ]
