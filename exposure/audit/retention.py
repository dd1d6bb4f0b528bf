"""How long a worker's record is kept, what holds it, and who says that it may go.

Kept are a record for RETENTION_YEARS after its newest entry and, as a medical record, for as long after the last day
of employment (29 CFR 1910.1020(d)(1)(i) and (ii): thirty years each); with an unknown last day it is kept. A purge is
proposed by one person, agreed by another, neither about themselves, and carried out by `exposure.audit.purging`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import Max, Q, QuerySet
from django.utils.translation import gettext as _

from exposure.audit.belonging import belongs_to, model_named, recorded_models, written_once_models
from exposure.audit.history import entries_of_person
from exposure.audit.models import Hold, Purge, PurgeOrder
from exposure.people.access import require, require_on
from exposure.people.models import User, Worker
from exposure.people.policy import Deed
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem, require_text

# About a person, and no part of what was done for them: what is written there now keeps no record longer.
ABOUT_THE_PERSON = frozenset({"Worker", "WorkerWindow", "Invitation", "Hold"})
# What may still be going on: model -> the column that is empty until it has ended.
GOING_ON = {"FollowUp": "ended_at", "Alert": "closed_at", "Promise": "kept_at"}


@dataclass(frozen=True)
class Kept:
    """Until which day, that day included, the record is kept (None: nobody knows), and what stands in the way of its
    going now, as codes: unknown_leaving, period, hold, and the models of `GOING_ON`."""

    until: date | None
    in_the_way: tuple[str, ...]


def years_after(day: date, years: int) -> date:
    """The same day of the calendar; of the 29th of February, where there is none, the 1st of March."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return date(day.year + years, 3, 1)


def kept_until(left_on: date | None, newest: date | None, years: int) -> date | None:
    """The last day of keeping; None where the last day of employment is unknown."""
    if left_on is None:
        return None
    return years_after(max(left_on, newest or left_on), years)


def kept(worker: Worker, *, at: datetime) -> Kept:
    """What holds for the worker's whole record, at every site and under every entry of the same person."""
    people = entries_of_person(worker.uid)
    zone = ZoneInfo(worker.site.zone)
    newest = newest_entry(people)
    until = kept_until(
        worker.left_on, newest.astimezone(zone).date() if newest else None, settings.RETENTION_YEARS
    )
    reasons = []
    if until is None:
        reasons.append("unknown_leaving")
    elif at.astimezone(zone).date() <= until:
        reasons.append("period")
    if holds_on(people).exists():
        reasons.append("hold")
    reasons += [name for name, ended in GOING_ON.items() if _goes_on(name, ended, people, at)]
    return Kept(until, tuple(reasons))


def newest_entry(people: Iterable[int]) -> datetime | None:
    """When something was last recorded of these workers (primary keys), or happens to them yet."""
    instants = []
    for model in [*recorded_models(), *written_once_models()]:
        of_them = belongs_to(model, "Worker", people)
        if of_them is None or model.__name__ in ABOUT_THE_PERSON:
            continue
        rows = model._base_manager.filter(of_them)
        if hasattr(model, "history"):
            versions = model.history.model.objects.filter(id__in=rows.values("pk"))
            instants.append(versions.aggregate(last=Max("history_date"))["last"])
        else:
            instants.append(rows.aggregate(last=Max("recorded_at"))["last"])
    return max((one for one in instants if one is not None), default=None)


def holds_on(people: Iterable[int]) -> QuerySet[Hold]:
    """The holds that stand over any of these workers or over a site where something of theirs is recorded."""
    of_sites = Q(site__workers__in=people) | Q(site__follow_ups__worker__in=people)
    of_sites |= Q(site__breaches__worker__in=people)
    return Hold.objects.filter(Q(worker__in=people) | Q(worker=None) & of_sites, lifted_at=None).distinct()


def _goes_on(name: str, ended: str, people: Iterable[int], at: datetime) -> bool:
    model = model_named(name)
    open_ones = Q(**{ended: None}) | Q(**{f"{ended}__gt": at})
    if name == "Promise":
        open_ones &= Q(void_at=None)
    return model._base_manager.filter(belongs_to(model, "Worker", people), open_ones).exists()


def place_hold(*, site: Any, worker: Worker | None, reason: str, by: User, at: datetime) -> Hold:
    """Nothing of the worker, or of the site, goes from now on. Raises BadSubmission without a reason."""
    if worker is None:
        require(by, Deed.HOLD, site.pk, at=at)
    else:
        require_on(by, Deed.HOLD, worker, at=at)
    require_text(
        reason, "/reason", _("Say what needs the record: a court, a claim, an inquiry, with its reference.")
    )
    return Hold.objects.create(site=site, worker=worker, reason=reason, placed_by=by, placed_at=at)


def lift_hold(*, hold: Hold, because: str, by: User, at: datetime) -> Hold:
    """Raises PermissionDenied also for a hold on one's own record, Conflict where it was lifted already."""
    require(by, Deed.LIFT_HOLD, hold.site_id, hold.worker.user_id if hold.worker else None, at=at)
    require_text(because, "/because", _("Say why nothing needs the record any more."))
    with transaction.atomic():
        row = Hold.objects.select_for_update().get(pk=hold.pk)
        if row.lifted_at is not None:
            raise Conflict(row)
        row.lifted_by, row.lifted_at, row.lifted_because = by, at, because
        row.save()
    return row


def past_retention(workers: QuerySet[Worker], most: int, *, at: datetime) -> list[tuple[Worker, Kept]]:
    """The people among those workers whose last day of employment is long enough ago, `most` of them, those who left
    first before the others; and what stands in the way."""
    today = at.date()
    try:
        latest = today.replace(year=today.year - settings.RETENTION_YEARS)
    except ValueError:
        latest = date(today.year - settings.RETENTION_YEARS, 2, 28)
    rows = workers.filter(same_as=None, left_on__lte=latest).select_related("site").order_by("left_on", "pk")
    return [(worker, kept(worker, at=at)) for worker in rows[:most]]


def standing_orders(site_ids: Iterable[int]) -> QuerySet[PurgeOrder]:
    """Orders that wait for an answer or to be carried out."""
    orders = PurgeOrder.objects.filter(site__in=site_ids).exclude(agreed=False)
    return orders.select_related("site", "proposed_by", "answered_by")


def propose(*, site: Any, workers: Iterable[Worker], reason: str, by: User, at: datetime) -> PurgeOrder:
    """Ask that these records go. Raises NotYet with what stands in the way of any, Conflict where an order names one
    of them already."""
    people = list(workers)
    for worker in people:
        require(by, Deed.PROPOSE_PURGE, worker.site_id, worker.user_id, at=at)
    require(by, Deed.PROPOSE_PURGE, site.pk, at=at)
    require_text(reason, "/reason", _("Say why these records go now."))
    if not people or any(worker.site_id != site.pk or worker.same_as_id for worker in people):
        raise BadSubmission(Problem("/people", _("Choose people of this site whose period has ended.")))
    with transaction.atomic():
        type(site).objects.select_for_update().get(
            pk=site.pk
        )  # two who propose the same come one after the other
        uids = {str(worker.uid) for worker in people}
        for order in standing_orders([site.pk]):
            if uids & set(order.people):
                raise Conflict(order)
        _require_nothing_in_the_way(people, at)
        return PurgeOrder.objects.create(
            site=site, people=sorted(uids), reason=reason, proposed_by=by, proposed_at=at
        )


def answer(*, order: PurgeOrder, agreed: bool, by: User, at: datetime) -> PurgeOrder:
    """The second person's yes or no. Raises PermissionDenied for who proposed it or is in it, Conflict where it has
    its answer, NotYet where something stands in the way by now."""
    people = list(people_of(order))
    for person_id in [None, *(worker.user_id for worker in people)]:
        require(by, Deed.AGREE_PURGE, order.site_id, person_id, at=at)
    if order.proposed_by_id == by.pk:
        raise PermissionDenied
    with transaction.atomic():
        row = PurgeOrder.objects.select_for_update().get(pk=order.pk)
        if row.answered_at is not None:
            raise Conflict(row)
        if agreed:
            _require_nothing_in_the_way(people, at)
        row.agreed, row.answered_by, row.answered_at = agreed, by, at
        row.save()
    return row


def people_of(order: PurgeOrder) -> QuerySet[Worker]:
    """The workers of an order whose records are still there."""
    return Worker.objects.filter(uid__in=order.people).select_related("site", "user").order_by("name", "pk")


def outstanding(order: PurgeOrder) -> list[str]:
    """The uids of those whose records have not gone yet."""
    gone = {str(uid) for uid in Purge.objects.filter(order=order).values_list("about", flat=True)}
    return [uid for uid in order.people if uid not in gone]


def _require_nothing_in_the_way(people: Iterable[Worker], at: datetime) -> None:
    reasons = {reason for worker in people for reason in kept(worker, at=at).in_the_way}
    if reasons:
        raise NotYet(*sorted(reasons))
