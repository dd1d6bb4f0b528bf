"""Roles that are given by two: who may say yes, and what becomes of it."""

from datetime import datetime

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import Q, QuerySet

from exposure.people.access import roles_of
from exposure.people.models import Role, User
from exposure.people.policy import CONFIRMING
from exposure.refusal import Conflict


def waiting_for(user: User, *, at: datetime) -> QuerySet[Role]:
    """The roles that wait for somebody like this: at their sites, asked for by another and not for themself."""
    held = [role for role in roles_of(user, at=at) if role.kind in CONFIRMING]
    rows = Role.objects.filter(waiting=True).filter(Q(until_at=None) | Q(until_at__gt=at))
    rows = rows.exclude(Q(asked_by=user) | Q(user=user)).select_related("user", "site", "asked_by")
    if all(role.site_id for role in held):
        rows = rows.filter(site__in={role.site_id for role in held})
    return rows


def settle(role: Role, *, agreed: bool, by: User, at: datetime) -> Role:
    """The second person's yes or no. A no ends it before it began to count.

    Raises PermissionDenied for who is not asked, Conflict where another has settled it.
    """
    with transaction.atomic():
        row = Role.objects.select_for_update().get(pk=role.pk)
        if not row.waiting or (row.until_at is not None and row.until_at <= at):
            raise Conflict
        if not waiting_for(by, at=at).filter(pk=row.pk).exists():
            raise PermissionDenied
        row.confirmed_by = by
        if agreed:
            row.waiting = False
        else:
            row.until_at = at
        row.save()
    return row
