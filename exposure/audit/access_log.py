"""Note who looked at what."""

from datetime import datetime
from uuid import UUID

from exposure.audit.models import AccessEntry
from exposure.record import insert_many


def note_look(user, kind: str, subject: str, about: UUID | None = None, *, at: datetime) -> None:
    """Write one look of the account `user`; `about` is the uid of the worker concerned.

    A list is one entry per account, subject (the list's name and filter) and hour; anything else is one each time.
    """
    is_list = kind == AccessEntry.Kind.LIST
    hour = at.replace(minute=0, second=0, microsecond=0) if is_list else None
    look = AccessEntry(user=user, kind=kind, subject=subject[:200], about=about, hour=hour)
    insert_many(AccessEntry, [look], ignore_conflicts=is_list)
