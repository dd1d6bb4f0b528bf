"""What a round has set aside, in words: for the nurse and the administrator. Nothing clinical, nobody named."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext_lazy as _

from exposure.remind.models import SetAside
from exposure.remind.rounds import set_aside

PARTS = {
    "reminders": _("reminders that have come due"),
    "missed": _("readings that were missed"),
    "late": _("what is late"),
    "soon": _("what is late soon"),
    "pages": _("pages to clinicians"),
    "handover": _("the hand-over list that is written outside the server"),
}


@dataclass(frozen=True)
class AsidePart:
    """One part of the round: how many rows of it are set aside, since when, and how often the worst was tried."""

    name: str
    count: int
    since: datetime
    tries: int


def parts_set_aside(*, at: datetime) -> list[AsidePart]:
    """The parts that have rows set aside, the oldest first."""
    rows: dict[str, list[SetAside]] = defaultdict(list)
    for row in set_aside(at=at):
        rows[row.part].append(row)
    return [
        AsidePart(str(PARTS.get(part, part)), len(own), own[0].first_at, max(row.tries for row in own))
        for part, own in rows.items()
    ]
