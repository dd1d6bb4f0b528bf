"""Who is told of an alert that nobody has seen yet: those on call at its site, one place after the other while nobody
takes it, and at last, or where nobody is on call, all its nurses and physicians."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Value
from django.db.models.functions import Coalesce

from exposure.attend.models import NOT_PAGED, Alert
from exposure.people import on_call
from exposure.people.models import PushSubscription, Role, User
from exposure.people.policy import PAGED
from exposure.places.models import Site
from exposure.record import update_unversioned
from exposure.remind.among import among
from exposure.remind.insert_select import insert_pairs
from exposure.remind.models import Message

PAGES_USEFUL = timedelta(hours=12)
# Of whom a round was told by one place, the next does not tell again.
_UNTOLD = """ AND NOT EXISTS (SELECT 1 FROM exposure_message AS sent WHERE sent.alert_id = alert_
 AND sent.alert_round = alert_round_ AND sent.user_id = user_)"""


def unseen(at: datetime) -> QuerySet[Alert]:
    """Rounds of open alerts that nobody has seen and nobody was told of, without those that somebody is changing in
    this moment."""
    fresh = _free().filter(closed_at=None, acknowledged_at=None, paged_round__lt=F("round"))
    return fresh.exclude(cause__in=NOT_PAGED).order_by("pk")


def untaken(at: datetime) -> QuerySet[Alert]:
    """Those of which the next on call is to be told by now."""
    return _free().filter(closed_at=None, acknowledged_at=None, climbs_at__lte=at).order_by("climbs_at", "pk")


def _free() -> QuerySet[Alert]:
    return Alert.objects.select_for_update(skip_locked=True, of=("self",), no_key=True)


def page(fresh: Sequence[Alert], at: datetime) -> int:
    """Tell the first place of every such round, once. Returns how many are told. By which road, and in which words, is
    decided when the message is claimed."""
    return _tell(((alert, 0) for alert in fresh), at)


def climb(waiting: Sequence[Alert], at: datetime) -> int:
    """Tell the next place; after the last one everybody."""
    current = (
        alert for alert in waiting if alert.paged_round == alert.round
    )  # a newer round begins anew by itself
    return _tell(((alert, alert.climbed + 1) for alert in current), at)


def tell_receiver(alert: Alert, receiver: User, at: datetime) -> None:
    """Of an alert that was just given to them. Where they do not say that they have it in the minutes of a place of the
    chain, the next place is told."""
    Message.objects.create(
        site=alert.site,
        alert=alert,
        alert_round=alert.round,
        user=receiver,
        channel=Message.Channel.EMAIL,
        address=receiver.email or "",
        created_at=at,
        due_at=at,
        pointless_at=at + PAGES_USEFUL,
    )
    told = Alert.objects.filter(pk=alert.pk, paged_round=F("round"))
    update_unversioned(told, climbs_at=at + timedelta(minutes=alert.site.climb_minutes))


def _tell(alerts: Iterable[tuple[Alert, int]], at: datetime) -> int:
    """A few statements for each site that has somebody on call, and for all the others together."""
    asked = list(alerts)
    chains = on_call.chains({alert.site_id for alert, _rung in asked}, at=at)
    groups: dict[tuple[int | None, int], list[int]] = defaultdict(list)
    for alert, rung in asked:
        chain = chains.get(alert.site_id, [])
        groups[alert.site_id if rung < len(chain) else None, rung].append(alert.pk)
    told = 0
    for (site, rung), keys in groups.items():
        rows = Alert.objects.filter(among(keys))
        if site is None:
            told += _write(rows, rung, _clinicians(at), at)
            # Where nobody at all can be reached, the first telling is tried again; the last one is the last.
            sent = Message.objects.filter(alert=OuterRef("pk"), alert_round=OuterRef("round"))
            done = rows if rung else rows.filter(Exists(sent))
            if rung == 0:
                _wait_for_anybody(done, at)
            else:
                update_unversioned(done, paged_round=F("round"), climbed=rung, climbs_at=None)
            continue
        # Who is on call at a place before this one by now, after a hand-over, is told too.
        users = set().union(*chains[site][: rung + 1])
        told += _write(rows, rung, _clinicians(at).filter(user__in=users), at)
        sent = Message.objects.filter(alert=OuterRef("pk"), alert_round=OuterRef("round"), page_rung=rung)
        minutes = Site.objects.values_list("climb_minutes", flat=True).get(pk=site)
        now = {"paged_round": F("round"), "climbed": rung}
        update_unversioned(rows.filter(Exists(sent)), **now, climbs_at=at + timedelta(minutes=minutes))
        # Whom nothing reaches, or whom it is about, is waited for no longer than until the next round of the sweep.
        update_unversioned(rows.filter(~Exists(sent)), **now, climbs_at=at)
    return told


def _wait_for_anybody(alerts: QuerySet[Alert], at: datetime) -> None:
    """Nobody is on call: everybody was told at once, and has as long to take it as a place of the chain would."""
    minutes = Site.objects.filter(alerts__in=alerts).distinct().values_list("pk", "climb_minutes")
    for site, climb in list(minutes):
        ends = at + timedelta(minutes=climb)
        update_unversioned(alerts.filter(site=site), paged_round=F("round"), climbed=0, climbs_at=ends)


def _write(alerts: QuerySet[Alert], rung: int, recipients: QuerySet[Role], at: datetime) -> int:
    person = Coalesce("worker__user", "follow_up__worker__user", "breach__worker__user")
    values: dict[str, Any] = {
        "site": F("site"),
        "alert": F("pk"),
        "alert_round": F("round"),
        "page_rung": Value(rung),
        "channel": Value(Message.Channel.EMAIL),
        "created_at": Value(at),
        "due_at": Value(at),
        "pointless_at": Value(at + PAGES_USEFUL),
        "person": person,
    }
    messages = insert_pairs(
        Message,
        alerts,
        values,
        recipients,
        {"user": F("user"), "address": Coalesce("user__email", Value("")), "held_at": F("site")},
        # Nobody is paged about themselves. Somebody with two roles is paged once: the rows are unique.
        on=f"(held_at_ IS NULL OR held_at_ = site_) AND (person_ IS NULL OR person_ <> user_){_UNTOLD}",
        order="alert_, user_",  # one order, so that no two rounds wait for each other
    )
    return len(messages)


def _clinicians(at: datetime) -> QuerySet[Role]:
    """The roles of nurses and physicians whom any message can reach."""
    devices = PushSubscription.objects.filter(user=OuterRef("user"), ended_at=None)
    somewhere = Q(user__email__gt="") | Q(user__mobile__gt="") | Q(Exists(devices))
    return Role.objects.held(at=at).filter(somewhere, kind__in=PAGED, user__is_active=True)
