"""How long records are kept: whose period has ended, what is held, who has ordered what to go, and what went."""

import uuid
from itertools import groupby
from operator import attrgetter
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.audit import purging
from exposure.audit import retention as rules
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry, Hold, PurgeOrder
from exposure.followup.models import FollowUpState
from exposure.people.access import may, roles_of
from exposure.people.models import User, Worker
from exposure.people.policy import DOING, Deed
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Conflict, NotYet
from exposure.web.auditor.retention_forms import HoldForm, LiftForm, ProposeForm
from exposure.web.auditor.words import THINGS
from exposure.web.signed_in import signed_in

MOST = 100  # people on the page, those who left first before the others
IN_THE_WAY = {
    "unknown_leaving": gettext_lazy("the last day of employment is not known"),
    "period": gettext_lazy("the period has not ended"),
    "hold": gettext_lazy("a legal hold stands"),
    "FollowUp": gettext_lazy("a follow-up is open"),
    "Alert": gettext_lazy("an alert is open"),
    "Promise": gettext_lazy("something still waits for somebody"),
    "unsealed": gettext_lazy("not all of it is sealed yet, which takes a minute"),
}


@signed_in
def retention(request: HttpRequest) -> HttpResponse:
    """Whose period has ended at one's sites, what is held, and the orders; proposing one and placing a hold."""
    sites = _sites(request)
    first = sites.first()
    with timezone.override(first.zone if first else "UTC"):
        others = Worker.objects.filter(site__in=sites).exclude(user=request.user)
        ended = rules.past_retention(others, MOST, at=request.at)
        named = {uid for order in rules.standing_orders(_keys(sites)) for uid in order.people}
        free = [worker for worker, kept in ended if not kept.in_the_way and str(worker.uid) not in named]
        sent = request.POST if request.method == "POST" else None
        hold = HoldForm(sent if _is_for("hold", sent) else None, sites=sites, user=request.user)
        propose = ProposeForm(sent if _is_for("purge", sent) else None, people=free)
        if propose.is_bound and not _may_propose(request):
            raise PermissionDenied
        if sent is not None and _done(request, hold, propose):
            return redirect("retention")
        if sent is None:
            note_look(request.user, AccessEntry.Kind.LIST, "retention", at=request.at)
        return render(
            request,
            "auditor/retention.html",
            {
                "hold": hold,
                "propose": propose if free and _may_propose(request) else None,
                "held_back": [
                    (one, kept.until, _words(kept.in_the_way)) for one, kept in ended if kept.in_the_way
                ],
                "orders": _orders(request, sites),
                "holds": Hold.objects.filter(site__in=sites, lifted_at=None)
                .exclude(worker__user=request.user)
                .select_related("site", "worker", "placed_by"),
                "lifts": {
                    site.pk for site in sites if may(request.user, Deed.LIFT_HOLD, site.pk, at=request.at)
                },
                "years": settings.RETENTION_YEARS,
                "without_day": others.filter(
                    left_on=None, same_as=None, follow_ups__states__kind=FollowUpState.Kind.LEFT
                ).distinct(),
            },
            status=422 if sent is not None else 200,
        )


def _done(request: HttpRequest, hold: HoldForm, propose: ProposeForm) -> bool:
    """Whether what was sent is stored; else the forms say why not."""
    form: forms.Form = hold if hold.is_bound else propose
    if not form.is_bound or not form.is_valid():
        return False
    try:
        if form is hold:
            values = hold.cleaned_data
            values.pop("number")
            rules.place_hold(**values, by=request.user, at=request.at)
            messages.success(request, _("The hold stands. Nothing under it goes."))
        else:
            _propose(request, propose)
            messages.success(request, _("Proposed. Somebody else must agree."))
    except (BadSubmission, NotYet, Conflict) as refused:
        form.add_error(None, _refusal(refused))
        return False
    return True


def _propose(request: HttpRequest, form: ProposeForm) -> None:
    """An order for each site."""
    workers = sorted(form.workers(), key=attrgetter("site_id"))
    with transaction.atomic():
        for _site_id, of_site in groupby(workers, key=attrgetter("site_id")):
            people = list(of_site)
            reason = form.cleaned_data["reason"]
            rules.propose(site=people[0].site, workers=people, reason=reason, by=request.user, at=request.at)


def _refusal(refused: Exception) -> str:
    match refused:
        case NotYet():
            return _("Not now: %(why)s.") % {"why": _words(refused.reasons)}
        case Conflict():
            return _("Somebody else has done it meanwhile. Look at what stands now.")
    return str(refused)


def _words(reasons: tuple[str, ...]) -> str:
    said = (
        str(IN_THE_WAY.get(reason, _("somebody else's record points to it")))
        for reason in dict.fromkeys(one.partition(":")[0] for one in reasons)
    )
    return ", ".join(said)


@signed_in
def lift(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Ends a hold, with the reason."""
    sites = _sites(request)
    hold = Hold.objects.filter(site__in=sites, uid=uid).exclude(worker__user=request.user).first()
    if hold is None:
        raise Http404
    if not may(request.user, Deed.LIFT_HOLD, hold.site_id, at=request.at):
        raise PermissionDenied
    form = LiftForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            rules.lift_hold(hold=hold, **form.cleaned_data, by=request.user, at=request.at)
            messages.success(request, _("The hold is lifted."))
        except Conflict:
            messages.info(request, _("Somebody else has lifted it meanwhile."))
        return redirect("retention")
    context = {"hold": hold, "form": form}
    return render(request, "auditor/lift_hold.html", context, status=422 if form.is_bound else 200)


@signed_in
def order_page(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One order: what would go, the second person's answer; afterwards the report of what went, to print."""
    sites = _sites(request)
    order = PurgeOrder.objects.filter(site__in=sites, uid=uid).first()
    if order is None or _is_about(order, request.user):
        raise Http404
    if request.method == "POST":
        return _answer(request, order)
    purges = list(order.purges.all())
    people = [(worker, purging.going(worker, at=request.at)) for worker in rules.people_of(order)]
    for worker, _going in people:
        subject = f"purge of worker:{worker.uid}"
        note_look(request.user, AccessEntry.Kind.PERSON, subject, worker.uid, at=request.at)
    with timezone.override(order.site.zone):
        context = {
            "order": order,
            "people": [
                (worker, _counts([going.counts]), len(going.leaves), _words(going.in_the_way))
                for worker, going in people
            ],
            "purges": [(purge, _numbers(purge.leaves)) for purge in purges],
            "went": _counts([purge.counts for purge in purges]),
            "entries": sum(purge.entries for purge in purges),
            "first_at": min((purge.first_at for purge in purges), default=None),
            "last_at": max((purge.last_at for purge in purges), default=None),
            "may_answer": _may_answer(request, order),
            "kept": any(rules.kept(worker, at=request.at).in_the_way for worker, _going in people),
        }
        return render(request, "auditor/purge_order.html", context)


def _answer(request: HttpRequest, order: PurgeOrder) -> HttpResponse:
    try:
        agreed = request.POST.get("agreed") == "yes"
        rules.answer(order=order, agreed=agreed, by=request.user, at=request.at)
        messages.success(
            request,
            _("Agreed. Whoever runs the service carries it out with manage.py purge.")
            if agreed
            else _("Refused."),
        )
    except (NotYet, Conflict) as refused:
        messages.warning(request, _refusal(refused))
    return redirect("purge_order", order.uid)


def _numbers(leaves: list[list[int]]) -> str:
    return ", ".join(str(first) if first == last else f"{first}–{last}" for first, last in leaves)


def _counts(counts: list[dict[str, int]]) -> list[tuple[str, int]]:
    """Rows by kind, in words."""
    total = purging.total(counts)
    return sorted((capfirst(str(THINGS.get(name, name))), count) for name, count in total.items())


def _orders(request: HttpRequest, sites: QuerySet[Site]) -> list[tuple[PurgeOrder, int, int]]:
    """Those that are of others, newest first: how many records each names, and how many have gone."""
    orders = PurgeOrder.objects.filter(site__in=sites).order_by("-proposed_at", "-pk")
    orders = orders.select_related("site", "proposed_by", "answered_by").prefetch_related("purges")
    return [
        (order, len(order.people), len(order.purges.all()))
        for order in orders[:100]
        if not _is_about(order, request.user)
    ]


def _is_about(order: PurgeOrder, user: User) -> bool:
    return hasattr(user, "worker") and str(user.worker.uid) in order.people


def _may_propose(request: HttpRequest) -> bool:
    return any(role.kind in DOING[Deed.PROPOSE_PURGE] for role in roles_of(request.user, at=request.at))


def _may_answer(request: HttpRequest, order: PurgeOrder) -> bool:
    return (
        order.answered_at is None
        and order.proposed_by_id != request.user.pk
        and may(request.user, Deed.AGREE_PURGE, order.site_id, at=request.at)
    )


def _sites(request: HttpRequest) -> QuerySet[Site]:
    """Where the reader holds a role that has a say; raises PermissionDenied where nowhere."""
    held = [role for role in roles_of(request.user, at=request.at) if role.kind in DOING[Deed.HOLD]]
    if not held:
        raise PermissionDenied
    sites = Site.objects.order_by("name")
    return (
        sites
        if any(role.site_id is None for role in held)
        else sites.filter(pk__in=[r.site_id for r in held])
    )


def _keys(sites: QuerySet[Site]) -> list[int]:
    return list(sites.values_list("pk", flat=True))


def _is_for(prefix: str, sent: Any) -> bool:
    return sent is not None and sent.get("deed") == prefix
