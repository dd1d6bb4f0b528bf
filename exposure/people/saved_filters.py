"""Lists that a clinician saves under a name: their own, seen and changed by nobody else."""

from collections.abc import Mapping
from datetime import datetime

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from exposure.people.access import holds
from exposure.people.desk_models import SavedFilter
from exposure.people.models import User
from exposure.people.policy import SEEING, View
from exposure.refusal import BadSubmission, Problem

MOST = 30  # of one person: more is no help to find anything
LONGEST = 60  # characters of a name, as the column holds them


def saved_by(user: User) -> QuerySet[SavedFilter]:
    """Those that stand, by name."""
    return SavedFilter.objects.filter(user=user, ended_at=None).order_by("name", "pk")


def save_filter(*, name: str, chosen: Mapping[str, str], by: User, at: datetime) -> SavedFilter:
    """Under a name that they have already, it takes the place of what was saved there. Raises BadSubmission."""
    _require_clinician(by, at)
    name = _named(name)
    with transaction.atomic():
        User.objects.select_for_update().get(pk=by.pk)  # two pages of one person come one after the other
        row = saved_by(by).filter(name__iexact=name).first()
        if row is None and saved_by(by).count() >= MOST:
            problem = _("You have saved %(most)s filters. Remove one first.") % {"most": MOST}
            raise BadSubmission(Problem("/name", problem))
        if row is None:
            return SavedFilter.objects.create(user=by, name=name, chosen=dict(chosen))
        if (row.name, row.chosen) != (name, dict(chosen)):
            row.name, row.chosen = name, dict(chosen)
            row.save()
        return row


def rename_filter(row: SavedFilter, *, name: str, by: User, at: datetime) -> SavedFilter:
    """Raises BadSubmission where the name says nothing or another of theirs has it."""
    _require_own(row, by, at)
    name = _named(name)
    with transaction.atomic():
        User.objects.select_for_update().get(pk=by.pk)
        row = SavedFilter.objects.get(pk=row.pk)
        if saved_by(by).filter(name__iexact=name).exclude(pk=row.pk).exists():
            raise BadSubmission(Problem("/name", _("You have another filter of this name.")))
        if row.name != name:
            row.name = name
            row.save()
        return row


def end_filter(row: SavedFilter, *, by: User, at: datetime) -> SavedFilter:
    """Removed: it stays in the history. Once more changes nothing."""
    _require_own(row, by, at)
    with transaction.atomic():
        row = SavedFilter.objects.select_for_update().get(pk=row.pk)
        if row.ended_at is None:
            row.ended_at = at
            row.save()
        return row


def _named(name: str) -> str:
    name = " ".join(name.split())
    if not name:
        raise BadSubmission(Problem("/name", _("Give it a name.")))
    if len(name) > LONGEST:
        raise BadSubmission(Problem("/name", _("At most %(most)s characters.") % {"most": LONGEST}))
    return name


def _require_clinician(by: User, at: datetime) -> None:
    if not holds(by, SEEING[View.CLINICAL], at=at):
        raise PermissionDenied


def _require_own(row: SavedFilter, by: User, at: datetime) -> None:
    _require_clinician(by, at)
    if row.user_id != by.pk:
        raise PermissionDenied
