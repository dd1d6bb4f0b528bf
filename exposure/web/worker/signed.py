"""Who signed a clearance, and in which role."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.people.models import Role, User


@dataclass(frozen=True)
class Cleared:
    """A clearance with the names and roles of who signed it."""

    clearance: Clearance
    signed_by: tuple[tuple[str, tuple[str, ...]], ...]


def cleared(clearances: Sequence[Clearance]) -> list[Cleared]:
    """Each clearance with who signed it."""
    if not clearances:
        return []
    subjects = [f"clearance:{one.uid}" for one in clearances]
    rows = Signature.objects.filter(subject__in=subjects).select_related("user").order_by("recorded_at", "pk")
    signatures = list(rows)
    roles = roles_of(one.user for one in signatures)
    return [
        Cleared(
            clearance,
            tuple(
                (str(one.user), held(roles.get(one.user_id, ()), one.recorded_at))
                for one in signatures
                if one.subject == f"clearance:{clearance.uid}"
            ),
        )
        for clearance in clearances
    ]


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
