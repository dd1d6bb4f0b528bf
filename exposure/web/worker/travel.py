"""What a journey does to the readings, said before it is saved."""

from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.people.models import Worker
from exposure.pipeline import remind
from exposure.web.worker import spoken
from exposure.web.worker.settings_form import city
from exposure.web.worker.situation import Situation, situation_of

MOVES = {
    "morning": gettext_lazy("Your morning reading moves to %(when)s, by the clock in %(city)s."),
    "evening": gettext_lazy("Your evening reading moves to %(when)s, by the clock in %(city)s."),
}
MOVES_OTHER = gettext_lazy("Your next reading moves to %(when)s, by the clock in %(city)s.")


@dataclass(frozen=True)
class Journey:
    """The next reading as it would be: `moves` in words, `here` by the clock that still counts; `open_until` of one
    that is open now and stays. `zone` is the one that was chosen."""

    zone: str
    city: str
    moves: str
    here: str
    open_until: str


def journey(worker: Worker, chosen: dict[str, Any], situation: Situation, request: HttpRequest) -> Journey:
    """What saving these settings would move. It is done and taken back: nothing of it stays."""
    with transaction.atomic():
        after = remind.change_settings(worker=worker, by=request.user, at=request.at, **chosen)
        coming = situation_of(after, at=request.at).next
        transaction.set_rollback(True)
    worker.refresh_from_db()
    place, due = city(str(after.zone)), situation.due
    here = spoken.window(coming, request.at) if coming else ""
    with timezone.override(after.zone):
        when = spoken.window(coming, request.at) if coming else ""
    moves = MOVES.get(coming.window, MOVES_OTHER) if coming else ""
    return Journey(
        zone=after.own_zone,
        city=place,
        moves=str(moves) % {"when": when, "city": place} if coming else _("No further reading is planned."),
        here=here if here != when else "",
        open_until=spoken.moment(due.check.closes_at, request.at) if due and due.state == "open" else "",
    )
