"""Which failure type, and so which first-aid card, an emergency means where it happens; how long a card lasts."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Q

from exposure.places.models import Emergency, FailureType, FirstAidCard, Protocol


def emergencies() -> list[tuple[str, str]]:
    """(code, words) of every emergency that has a card, in the order in which they are offered."""
    carded = set(
        FailureType.objects.exclude(card__emergency="").values_list("card__emergency", flat=True).distinct()
    )
    return [(code, words) for code, words in Emergency.choices if code in carded]


def failures_of(emergency: str, protocols: Iterable[Protocol]) -> list[FailureType]:
    """The failure types whose card carries that emergency, likeliest first: usual at more steps of these protocols,
    then at more steps anywhere. None for a code that no card carries."""
    if emergency not in Emergency.values:
        return []
    here = Count("step_failures", filter=Q(step_failures__step__protocol__in=list(protocols)))
    failures = FailureType.objects.filter(card__emergency=emergency).select_related("card")
    ranked = failures.annotate(here=here, anywhere=Count("step_failures"))
    return list(ranked.order_by("-here", "-anywhere", "code"))


def length_of(card: FirstAidCard | None, begun_at: datetime | None, *, at: datetime) -> dict[str, Any]:
    """`until`: when rinsing or washing that began then has lasted as long as the card says; `left`: the whole seconds
    until then. Empty where the card says no length, or nothing has begun."""
    if card is None or not card.minutes or begun_at is None:
        return {}
    until = begun_at + timedelta(minutes=card.minutes)
    return {"until": until, "left": max(0, int((until - at).total_seconds()))}
