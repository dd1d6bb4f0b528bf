"""Which fills of checks count."""

from django.db.models import Q


def standing_fill() -> Q:
    """Fills that count: not those of a reading that a later one has replaced."""
    return Q(reading=None) | Q(reading__replaced_by=None)
