"""Who signed a clearance, and in which role."""

from collections.abc import Sequence
from dataclasses import dataclass

from exposure.classify.models import Signature
from exposure.clear.models import Clearance
from exposure.web.looks import held, roles_of


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
