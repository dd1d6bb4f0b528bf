"""Who is told of an alert that nobody has seen yet: the site's nurses and physicians, once a round each."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Value
from django.db.models.functions import Coalesce

from exposure.attend.models import NOT_PAGED, Alert
from exposure.people.models import PushSubscription, Role
from exposure.record import update_unversioned
from exposure.remind.among import among
from exposure.remind.insert_select import insert_pairs
from exposure.remind.models import Message

PAGES_USEFUL = timedelta(hours=12)


def unseen(at: datetime) -> QuerySet[Alert]:
    """Rounds of open alerts that nobody has seen and nobody was told of, without those that somebody is changing in
    this moment."""
    free = Alert.objects.select_for_update(skip_locked=True, of=("self",), no_key=True)
    fresh = free.filter(closed_at=None, acknowledged_at=None, paged_round__lt=F("round"))
    return fresh.exclude(cause__in=NOT_PAGED).order_by("pk")


def page(fresh: Sequence[Alert], at: datetime) -> int:
    """Tell the site's nurses and physicians of every such round, once each. Returns how many are told. By which road,
    and in which words, is decided when the message is claimed."""
    alerts = Alert.objects.filter(among(alert.pk for alert in fresh))
    told = Message.objects.filter(alert=OuterRef("pk"), alert_round=OuterRef("round"))
    person = Coalesce("worker__user", "follow_up__worker__user", "breach__worker__user")
    messages = insert_pairs(
        Message,
        alerts.filter(~Exists(told)),
        {
            "site": F("site"),
            "alert": F("pk"),
            "alert_round": F("round"),
            "page_rung": Value(0),
            "channel": Value(Message.Channel.EMAIL),
            "created_at": Value(at),
            "due_at": Value(at),
            "pointless_at": Value(at + PAGES_USEFUL),
            "person": person,
        },
        _clinicians(at),
        {"user": F("user"), "address": Coalesce("user__email", Value("")), "held_at": F("site")},
        # Nobody is paged about themselves. Somebody with two roles is paged once: the rows are unique.
        on="(held_at_ IS NULL OR held_at_ = site_) AND (person_ IS NULL OR person_ <> user_)",
        order="alert_, user_",  # one order, so that no two rounds wait for each other
    )
    update_unversioned(alerts.filter(Exists(told)), paged_round=F("round"))
    return len(messages)


def _clinicians(at: datetime) -> QuerySet[Role]:
    """The roles of nurses and physicians whom any message can reach."""
    devices = PushSubscription.objects.filter(user=OuterRef("user"), ended_at=None)
    somewhere = Q(user__email__gt="") | Q(user__mobile__gt="") | Q(Exists(devices))
    kinds = (Role.Kind.NURSE, Role.Kind.PHYSICIAN)
    return Role.objects.held(at=at).filter(somewhere, kind__in=kinds, user__is_active=True)
