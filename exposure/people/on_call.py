"""Who is on call for a site, in which order an alert goes to them, and from which hand-over to which."""

from collections.abc import Collection
from datetime import datetime, timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from exposure.people.access import require
from exposure.people.colleagues import colleagues_at
from exposure.people.models import OnCall, User
from exposure.people.policy import Deed
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Problem

MOST_PLACES = 5
LONGEST = timedelta(days=31)  # of one entry: a slip in the date is noticed


def chains(sites: Collection[int], *, at: datetime) -> dict[int, list[set[int]]]:
    """Site -> the accounts on call there at `at`, place by place; a site without anybody is left out. One statement."""
    rows = OnCall.objects.on(at=at).filter(site__in=sites).order_by("site", "place")
    found: dict[int, dict[int, set[int]]] = {}
    for site, place, user in rows.values_list("site", "place", "user"):
        found.setdefault(site, {}).setdefault(place, set()).add(user)
    return {site: list(places.values()) for site, places in found.items()}


def could_be(site: Site, *, at: datetime) -> list[User]:
    """Who can be put on call there: who is told of its alerts, by name."""
    return colleagues_at([site], at=at)[site]


def put_on_call(
    *, site: Site, user: User, place: int, from_at: datetime, until_at: datetime, by: User, at: datetime
) -> tuple[OnCall, bool]:
    """The entry, and whether it is new: the same once more is the one that stands. Raises BadSubmission with every
    wrong entry at once."""
    require(by, Deed.SET_ON_CALL, site.pk, at=at)
    problems = []
    if user not in could_be(site, at=at):
        problems.append(Problem("/user", _("Choose a nurse or physician of this site.")))
    if not 1 <= place <= MOST_PLACES:
        problems.append(Problem("/place", _("Choose a place from 1 to %(most)s.") % {"most": MOST_PLACES}))
    if until_at <= from_at or until_at <= at:
        problems.append(Problem("/until_at", _("The hand-over is after the beginning, and not over yet.")))
    elif until_at - from_at > LONGEST:
        problems.append(Problem("/until_at", _("That is more than a month: look at the dates.")))
    if problems:
        raise BadSubmission(*problems)
    said = {"site": site, "user": user, "place": place, "from_at": from_at, "until_at": until_at}
    with transaction.atomic():
        Site.objects.select_for_update().get(pk=site.pk)  # two who enter the same come one after the other
        standing = OnCall.objects.filter(**said).first()
        return standing or OnCall.objects.create(**said), standing is None


def end_on_call(row: OnCall, *, by: User, at: datetime) -> OnCall:
    """From now on they are not on call; hours that have not begun never do."""
    require(by, Deed.SET_ON_CALL, row.site_id, at=at)
    with transaction.atomic():
        row = OnCall.objects.select_for_update().get(pk=row.pk)
        if row.until_at > at:
            row.until_at = max(row.from_at, at)
            row.save()
        return row
