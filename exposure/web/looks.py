"""Who looked at a record, and in which role: one line per person and day."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.utils import timezone

from exposure.audit.history import looks_at
from exposure.people.models import Role, User, Worker

NEWEST = 1000  # looks; one line per person and day is made of them


@dataclass(frozen=True)
class Look:
    """Somebody opened the record on that day, by the calendar of the zone in use."""

    on: date
    name: str
    roles: tuple[str, ...]


def looks(worker: Worker) -> list[Look]:
    """One line per person and day, the newest first, with the roles that they held then; not the worker's own."""
    first: dict[tuple[date, User], datetime] = {}
    for entry in looks_at(worker.uid)[:NEWEST]:
        first.setdefault((timezone.localtime(entry.recorded_at).date(), entry.user), entry.recorded_at)
    roles = roles_of(user for _on, user in first)
    return [Look(on, str(user), held(roles.get(user.pk, ()), at)) for (on, user), at in first.items()]


def roles_of(users: Iterable[User]) -> dict[int, list[Role]]:
    """All the roles that each of them ever held."""
    found: dict[int, list[Role]] = {}
    for role in Role.objects.filter(user__in={user.pk for user in users}).order_by("pk"):
        found.setdefault(role.user_id, []).append(role)
    return found


def held(roles: Iterable[Role], at: datetime) -> tuple[str, ...]:
    """The kinds of role in force at that instant, in words."""
    held = [
        one
        for one in roles
        if one.from_at <= at and (one.until_at is None or one.until_at > at) and not one.waiting
    ]
    return tuple(dict.fromkeys(str(one.get_kind_display()) for one in held))
