"""What went lawfully, as `verify` reads it: each purge with the order that two people have signed."""

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from exposure.audit.leaves import instant
from exposure.audit.models import Purge, PurgeOrder


@dataclass(frozen=True)
class Purged:
    """One person's purge. `unlawful` says why it is none, "" where all is as it must be; `leaves` are the numbers of
    the entries whose bytes it took."""

    order: str
    proposed_by: str
    agreed_by: str
    at: str
    leaves: frozenset[int]
    unlawful: str

    @property
    def is_lawful(self) -> bool:
        return not self.unlawful

    def __str__(self) -> str:
        words = ngettext(
            "Purged lawfully by %(one)s and %(other)s on %(at)s, order %(order)s: %(count)d entry.",
            "Purged lawfully by %(one)s and %(other)s on %(at)s, order %(order)s: %(count)d entries.",
            len(self.leaves),
        )
        return words % {
            "one": self.proposed_by,
            "other": self.agreed_by,
            "at": self.at,
            "order": self.order,
            "count": len(self.leaves),
        }


def purges() -> list[Purged]:
    """All of them, oldest first. That their rows are those that were sealed is asked of them as of every other row."""
    rows = Purge.objects.select_related("order__proposed_by", "order__answered_by").order_by("pk")
    return [_purged(row) for row in rows]


def _purged(row: Purge) -> Purged:
    order = row.order
    why = _unlawful(row)
    words = _("The purge %(uid)s of %(at)s is none: %(why)s")
    return Purged(
        order=str(order.uid),
        proposed_by=str(order.proposed_by),
        agreed_by=str(order.answered_by or ""),
        at=instant(row.recorded_at),
        leaves=_leaves(row) or frozenset(),
        unlawful=words % {"uid": row.uid, "at": instant(row.recorded_at), "why": why} if why else "",
    )


def _leaves(row: Purge) -> frozenset[int] | None:
    """The numbers that it names; None where they are none."""
    try:
        return frozenset(leaf for first, last in row.leaves for leaf in range(first, last + 1))
    except (TypeError, ValueError):
        return None


def _unlawful(row: Purge) -> str:
    order = row.order
    if _leaves(row) is None:
        return _("what it took cannot be read.")
    if str(row.about) not in (order.people or ()):
        return _("its order does not name that person.")
    if not order.agreed or order.answered_at is None or order.answered_by is None:
        return _("its order was not agreed to.")
    if order.answered_at > row.recorded_at:
        return _("its order was agreed to afterwards.")
    if not _signed_by_two(order):
        return _("its order is not by two people, as its history has it.")
    return ""


def _signed_by_two(order: PurgeOrder) -> bool:
    """By two accounts, each of which wrote its own part: the first version, and the one that says yes."""
    versions = list(order.history.order_by("history_id").values_list("agreed", "history_user_id"))
    agreeing = [actor for agreed, actor in versions if agreed]
    return (
        order.proposed_by != order.answered_by
        and bool(agreeing)
        and order.answered_by is not None
        and versions[0] == (None, order.proposed_by.actor)
        and agreeing[0] == order.answered_by.actor
    )
