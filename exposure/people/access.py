"""The one policy, asked: every queryset and view asks here, and `exposure.people.policy` says what is answered.

Nobody decides anything about their own record, and in the clinical view it does not appear: they see it as a worker
sees it.
"""

from collections.abc import Iterable
from datetime import datetime
from functools import cache
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import Exists, Model, OuterRef, Q, QuerySet
from django.http import Http404

from exposure.people.models import BrokenGlass, Role, User, Worker
from exposure.people.policy import (
    AS_CLINICIAN,
    AT_HOME,
    DOING,
    PARTS,
    PATHS,
    SEEING,
    WITH_THEIR_RECORD,
    Deed,
    Part,
    View,
    sides_with,
)
from exposure.places.models import Site


def roles_of(user: User, *, at: datetime) -> list[Role]:
    """The roles that an account holds at `at`; none for an account that is switched off."""
    if not user.is_authenticated or not user.is_active or user.device_of_id:
        return []
    cached = user.__dict__.setdefault("_roles_held", {})
    if at not in cached:
        cached.clear()
        held = user.roles.held(at=at).select_related("site").order_by("pk")
        cached[at] = [role for role in held if user.acts_as in ("", role.kind)]
    return cached[at]


def holds(user: User, kinds: Iterable[str], site_id: int | None = None, *, at: datetime) -> bool:
    """Whether the account holds one of the roles, at that site if one is named."""
    wanted = frozenset(kinds)
    return any(
        role.kind in wanted and (site_id is None or role.site_id in (None, site_id))
        for role in roles_of(user, at=at)
    )


def administers_all(user: User, *, at: datetime) -> bool:
    """Whether the administrator's role is bound to no site."""
    return any(role.kind in SEEING[View.SETUP] and role.site_id is None for role in roles_of(user, at=at))


def accounts(user: User, queryset: QuerySet[User], *, at: datetime) -> QuerySet[User]:
    """The accounts that somebody may set up: who administers some sites only does not reach those with a role
    elsewhere."""
    queryset = queryset.filter(device_of=None)
    if not holds(user, SEEING[View.SETUP], at=at):
        return queryset.none()
    if administers_all(user, at=at):
        return queryset
    sites = visible(user, Site.objects.all(), View.SETUP, at=at)
    return queryset.exclude(roles__in=Role.objects.filter(Q(site=None) | ~Q(site__in=sites)))


def visible(user: User, queryset: QuerySet, *views: View, at: datetime) -> QuerySet:
    """The rows of `queryset` that the account may see from any of those sides; none where no side is theirs. A device
    sees none, what it has reported itself included."""
    if not user.is_authenticated or not user.is_active or user.device_of_id:
        return queryset.none()
    sides = [side for view in views if (side := _from_side(user, queryset.model, view, at)) is not None]
    if not sides:
        return queryset.none()
    condition = sides[0]
    for side in sides[1:]:
        condition |= side
    return queryset.filter(condition)


def shows(user: User, row: Model, part: Part, *, at: datetime) -> bool:
    """Whether a clinician who sees the row sees this part of it too."""
    rows = type(row)._base_manager.filter(pk=row.pk)
    return visible(user, rows, *sides_with(part), at=at).exists()


def _from_side(user: User, model: type[Model], view: View, at: datetime) -> Q | None:
    """The condition for the rows that are seen from that side; None where there are none."""
    paths = PATHS[model.__name__]
    if paths.part not in PARTS[view]:
        return None
    if view is View.OWN:
        return _leads(model, paths.person, user) if paths.person else None
    if view is View.AUTHOR:
        return _leads(model, paths.author, user) if paths.author else None
    held = [role for role in roles_of(user, at=at) if role.kind in SEEING[view]]
    if not held:
        return None
    sites = {role.site_id for role in held}
    if view is View.GLASS:
        condition = _behind_glass(user, model, paths.worker, at)
    elif None in sites:
        condition = Q(pk__isnull=False)
    elif view is View.FOLLOWING:
        condition = _followed(model, paths.followed, paths.itself, sites, at)
    else:
        also = f"|{paths.also}" if paths.also and view in (View.CLINICAL, View.AUDIT) else ""
        condition = _leads(model, f"{paths.site}{also}", sites, "in")
    if condition is not None and view in AS_CLINICIAN and paths.person:
        condition &= ~_leads(model, paths.person, user)
    return condition


def _leads(model: type[Model], paths: str, value: Any, lookup: str = "exact") -> Q:
    """The rows from which one of the paths leads to the value. A path with several ends is asked of each row by itself,
    so that no row comes twice."""
    condition = Q()
    for path in paths.split("|"):
        condition |= _ends(model, path, **{f"{path}__{lookup}": value})
    return condition


def _ends(model: type[Model], path: str, *also: Q, **lookup: Any) -> Q:
    if not _is_plural(model, path):
        return Q(*also, **lookup)
    return Q(Exists(model._base_manager.filter(*also, pk=OuterRef("pk"), **lookup)))


@cache
def _is_plural(model: type[Model], path: str) -> bool:
    """Whether a look-up path can end in several rows."""
    for step in path.split("__"):
        if step == "pk":
            return False
        field: Any = model._meta.get_field(step)
        if field.one_to_many or field.many_to_many:
            return True
        if field.related_model is not None:
            model = field.related_model
    return False


def _runs(path: str, at: datetime) -> Q:
    """That the follow-up at the end of the path runs."""
    ended = f"{path}__ended_at" if path else "ended_at"
    return Q(**{ended: None}) | Q(**{f"{ended}__gt": at})


def _followed(
    model: type[Model], paths: str | None, itself: str | None, sites: set[int | None], at: datetime
) -> Q | None:
    if paths is None:
        return None
    condition = Q()
    for path in paths.split("|"):
        condition |= _ends(model, path, _runs(path, at), **{f"{path}__site__in": sites})
    return condition if itself is None else condition & _runs(itself, at)


def _behind_glass(user: User, model: type[Model], paths: str | None, at: datetime) -> Q | None:
    if paths is None:
        return None
    broken = BrokenGlass.objects.filter(user=user, recorded_at__lte=at, until_at__gt=at).values("worker")
    condition = Q()
    for path in paths.split("|"):
        condition |= Q(**{f"{path}__in": broken})
    return condition


def find(user: User, queryset: QuerySet, *views: View, at: datetime, **lookup: Any) -> Any:
    """The one row, or Http404: what is not yours is not there."""
    row = visible(user, queryset, *views, at=at).filter(**lookup).first()
    if row is None:
        raise Http404
    return row


def may(user: User, deed: Deed, site_id: int | None, person_id: int | None = None, *, at: datetime) -> bool:
    """Whether the account may do the deed at that site, about the person with that account (None: no account)."""
    if person_id is not None and person_id == user.pk:
        return False
    return holds(user, DOING[deed], site_id, at=at)


def may_on(user: User, deed: Deed, row: Any, *, at: datetime) -> bool:
    """Whether the account may do the deed to the row, by the policy's relation of its sites to the row."""
    sites, person_id = _deciding(row, deed, at)
    return any(may(user, deed, site_id, person_id, at=at) for site_id in sites)


def require_on(user: User, deed: Deed, row: Any, *, at: datetime) -> int:
    """As `may_on`; raises PermissionDenied. Returns the key of the site for which the account may: the row's own before
    another."""
    sites, person_id = _deciding(row, deed, at)
    for site_id in dict.fromkeys(sites):
        if may(user, deed, site_id, person_id, at=at):
            return site_id
    raise PermissionDenied


def _deciding(row: Any, deed: Deed, at: datetime) -> tuple[list[Any], int | None]:
    """Which sites decide about the row, its own first, and the account of the person it is about."""
    match type(row).__name__:
        case "Worker":
            worker = row.same_as or row
            return [worker.site_id, *_following(worker, deed, at)], worker.user_id
        case "Breach":  # its site, and one where the person is followed up for it now: both can
            followed = row.exposures.filter(_runs("follow_up", at)).order_by("follow_up__site_id")
            sites = followed.values_list("follow_up__site_id", flat=True)
            return [row.site_id, *sites], row.worker.user_id
        case "Reading" | "UnplacedReading":
            return _deciding(row.worker, deed, at)
        case "Assessment" | "WithdrawalRequest":
            return _deciding(row.breach, deed, at)
        case "Check" | "Exposure":
            return _deciding(row.follow_up, deed, at)
        case "Alert" if row.worker is not None:
            return _deciding(row.worker, deed, at)
        case "Alert" if row.breach is None:
            return _deciding(row.follow_up, deed, at)
        case "Alert":
            return _deciding(row.breach, deed, at)
        case "Promise" if row.breach is not None:
            return _deciding(row.breach, deed, at)
        case "CriteriaVersion" | "NoneType":  # the organisation's; and what is not there yet: at any site
            return [None], None
    worker = getattr(row, "worker", None)
    return [row.site_id], worker.user_id if worker is not None else None


def _following(worker: Worker, deed: Deed, at: datetime) -> Iterable[int]:
    """The other sites that decide about a worker: where they are followed up now, but for what only their own does."""
    if deed in AT_HOME:
        return ()
    follow_ups = worker.follow_ups.order_by("site_id")
    if deed not in WITH_THEIR_RECORD:
        follow_ups = follow_ups.filter(_runs("", at))
    return follow_ups.values_list("site_id", flat=True)


def require(
    user: User, deed: Deed, site_id: int | None, person_id: int | None = None, *, at: datetime
) -> None:
    """As `may`; raises PermissionDenied."""
    if not may(user, deed, site_id, person_id, at=at):
        raise PermissionDenied
