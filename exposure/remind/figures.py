"""Figures about what leaves and what waits: amounts only, of nobody. Asked of the database when somebody looks.

What is counted over a day is counted among the newest rows of a table, by its key, so that it costs the same however
long the service runs.
"""

from datetime import datetime

from django.db.models import Min, Q

from exposure.remind.models import Message


def oldest_unsent(*, at: datetime) -> datetime | None:
    """When the oldest message that could have left was written; None where there is none. Whatever its next try: only
    one that was decided to wait, as for the end of quiet hours, and was never tried, could not."""
    waiting = Message.objects.filter(sent_at=None, given_up_at=None)
    return waiting.exclude(Q(attempts_made=0, due_at__gt=at)).aggregate(at=Min("created_at"))["at"]
