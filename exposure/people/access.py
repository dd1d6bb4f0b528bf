"""The one policy: who may see which rows, and who may do what to them. Every queryset and view asks here.

It knows model names and look-up paths, not the models above it. Nobody decides anything about their own record,
and in the clinical view it does not appear: they see it as a worker sees it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import Q, QuerySet
from django.http import Http404

from exposure.people.models import Role, User, Worker

Kind = Role.Kind


class View(StrEnum):
    """From which side somebody looks at rows."""

    CLINICAL = "clinical"  # nurse and physician, all of a site but their own record
    AUTHOR = "author"  # what one has reported or observed oneself
    OWN = "own"  # one's own record as a worker
    DUTY = "duty"  # the station lead: who is on duty or not, until when
    AUDIT = "audit"
    SETUP = "setup"  # who sets up sites, stations and accounts; sees nothing clinical
    MESSAGES = "messages"  # what left: neutral texts, so that whoever runs the service may look


@dataclass(frozen=True)
class Paths:
    """Look-up paths from a model to its site, to the account of the person it is about and to its author.

    `followed` leads clinicians to rows of another site about people whom they look after.
    """

    site: str
    person: str | None = None
    author: str | None = None
    followed: str | None = None


# What is written once stays with the row it was entered for, also where that proved to be the same person as another.
_PERSON = "worker__user|worker__same_as__user"
_READING = Paths(
    "worker__follow_ups__site", _PERSON, "entered_by", followed="worker__same_as__follow_ups__site"
)
PATHS: dict[str, Paths] = {
    "Site": Paths("pk"),
    "Station": Paths("site"),
    "Worker": Paths("site", "user|same_as__user", followed="follow_ups__site"),
    "Case": Paths("site"),
    "Event": Paths("site"),
    "Removal": Paths("site", "worker__user", "observer"),
    "Mark": Paths("removal__site", "removal__worker__user", "removal__observer"),
    "Breach": Paths("site", "worker__user", "reported_by"),
    "Assessment": Paths("breach__site", "breach__worker__user"),
    "FollowUp": Paths("site", "worker__user"),
    "Exposure": Paths("follow_up__site", "follow_up__worker__user"),
    "Check": Paths("follow_up__site", "follow_up__worker__user"),
    "Reading": _READING,
    "UnplacedReading": _READING,
    "Alert": Paths(
        "site", f"breach__worker__user|follow_up__worker__user|{_PERSON}", followed="worker__follow_ups__site"
    ),
    "Promise": Paths("site", _PERSON),
    "OtherDecision": Paths("site", _PERSON),
    "Call": Paths("site", _PERSON, followed="worker__site|worker__follow_ups__site"),
    "Restriction": Paths("exposure__follow_up__site", "exposure__follow_up__worker__user"),
    "Clearance": Paths("follow_up__site", "follow_up__worker__user"),
    "Message": Paths("site", _PERSON),
    "Adoption": Paths("site"),
    "Protection": Paths("worker__site", _PERSON),
    "PrivateNote": Paths("worker__site", _PERSON),
}

SEEING: dict[View, frozenset[str]] = {
    View.CLINICAL: frozenset({Kind.NURSE, Kind.PHYSICIAN}),
    View.DUTY: frozenset({Kind.LEAD, Kind.NURSE, Kind.PHYSICIAN}),
    View.AUDIT: frozenset({Kind.AUDITOR}),
    View.SETUP: frozenset({Kind.ADMINISTRATOR}),
    View.MESSAGES: frozenset({Kind.NURSE, Kind.PHYSICIAN, Kind.ADMINISTRATOR}),
}


class Deed(StrEnum):
    """What can be done to a row; `DOING` says by whom."""

    TELL = "tell"
    CONFIRM = "confirm"
    ANSWER = "answer"
    OVERRIDE = "override"
    ASSESS_ALSO = "assess_also"
    DECIDE_WITHDRAWAL = "decide_withdrawal"
    ENTER_READING = "enter_reading"
    EXCUSE = "excuse"
    ACKNOWLEDGE = "acknowledge"
    CLOSE_ALERT = "close_alert"
    COMPLETE_TASK = "complete_task"
    CALL = "call"
    LINK = "link"
    CLEAR = "clear"
    STATE_CASE = "state_case"
    NOTE_PRIVATELY = "note_privately"
    RECORD_PROTECTION = "record_protection"
    RECORD_EXPOSURE = "record_exposure"
    DECIDE_STATE = "decide_state"
    SET_TIMES = "set_times"
    PROPOSE_CRITERIA = "propose_criteria"
    APPROVE_CRITERIA = "approve_criteria"


_CLINICIANS = frozenset({Kind.NURSE, Kind.PHYSICIAN})
_PHYSICIANS = frozenset({Kind.PHYSICIAN})
DOING: dict[Deed, frozenset[str]] = {
    Deed.TELL: _CLINICIANS,
    Deed.CONFIRM: _CLINICIANS,
    Deed.ANSWER: _CLINICIANS,
    Deed.OVERRIDE: _CLINICIANS,
    Deed.ASSESS_ALSO: _PHYSICIANS,
    Deed.DECIDE_WITHDRAWAL: _CLINICIANS,
    Deed.ENTER_READING: _CLINICIANS,
    Deed.EXCUSE: _CLINICIANS,
    Deed.ACKNOWLEDGE: _CLINICIANS,
    Deed.CLOSE_ALERT: _CLINICIANS,
    Deed.COMPLETE_TASK: _CLINICIANS,
    Deed.CALL: _CLINICIANS,
    Deed.LINK: _CLINICIANS,
    Deed.CLEAR: _CLINICIANS,
    Deed.STATE_CASE: _CLINICIANS,
    Deed.NOTE_PRIVATELY: _CLINICIANS,
    Deed.RECORD_PROTECTION: _CLINICIANS,
    Deed.RECORD_EXPOSURE: _CLINICIANS,
    Deed.DECIDE_STATE: _CLINICIANS,
    Deed.SET_TIMES: _CLINICIANS,
    Deed.PROPOSE_CRITERIA: _PHYSICIANS,
    Deed.APPROVE_CRITERIA: _PHYSICIANS,
}


def roles_of(user: User, *, at: datetime) -> list[Role]:
    """The roles that an account holds at `at`; none for an account that is switched off."""
    if not user.is_authenticated or not user.is_active:
        return []
    cached = user.__dict__.setdefault("_roles_held", {})
    if at not in cached:
        cached.clear()
        cached[at] = list(user.roles.held(at=at).select_related("site").order_by("pk"))
    return cached[at]


def holds(user: User, kinds: Iterable[str], site_id: int | None = None, *, at: datetime) -> bool:
    """Whether the account holds one of the roles, at that site if one is named."""
    wanted = frozenset(kinds)
    return any(
        role.kind in wanted and (site_id is None or role.site_id in (None, site_id))
        for role in roles_of(user, at=at)
    )


def visible(user: User, queryset: QuerySet, view: View, *, at: datetime) -> QuerySet:
    """The rows of `queryset` that the account may see from that side; none where the side is not theirs."""
    paths = PATHS[queryset.model.__name__]
    if not user.is_authenticated or not user.is_active:
        return queryset.none()
    if view is View.OWN:
        return queryset.filter(_any_path(paths.person, user)).distinct() if paths.person else queryset.none()
    if view is View.AUTHOR:
        return queryset.filter(**{paths.author: user}) if paths.author else queryset.none()
    held = [role for role in roles_of(user, at=at) if role.kind in SEEING[view]]
    if not held:
        return queryset.none()
    if all(role.site_id is not None for role in held):
        sites = {role.site_id for role in held}
        at_site = Q(**{f"{paths.site}__in": sites})
        if paths.followed and view is View.CLINICAL:
            for path in paths.followed.split("|"):
                at_site |= Q(**{f"{path}__in": sites})
        queryset = queryset.filter(at_site)
        if "follow_ups__" in paths.site or paths.followed:
            queryset = queryset.distinct()
    if view is View.CLINICAL and paths.person:
        queryset = queryset.exclude(_any_path(paths.person, user))
    return queryset


def _any_path(paths: str, user: User) -> Q:
    condition = Q()
    for path in paths.split("|"):
        condition |= Q(**{path: user})
    return condition


def find(user: User, queryset: QuerySet, view: View, *, at: datetime, **lookup: Any) -> Any:
    """The one row, or Http404: what is not yours is not there."""
    row = visible(user, queryset, view, at=at).filter(**lookup).first()
    if row is None:
        raise Http404
    return row


def may(user: User, deed: Deed, site_id: int | None, person_id: int | None = None, *, at: datetime) -> bool:
    """Whether the account may do the deed at that site, about the person with that account (None: no account)."""
    if person_id is not None and person_id == user.pk:
        return False
    return holds(user, DOING[deed], site_id, at=at)


def require_for(user: User, deed: Deed, worker: Worker, *, at: datetime) -> int:
    """As `require`, about a worker: at their own site or at one that follows them up. Returns the key of the site for
    which the account may, their own before another."""
    worker = worker.same_as or worker
    followed_at = worker.follow_ups.order_by("site_id").values_list("site_id", flat=True)
    for site_id in dict.fromkeys([worker.site_id, *followed_at]):
        if may(user, deed, site_id, worker.user_id, at=at):
            return site_id
    raise PermissionDenied


def require(
    user: User, deed: Deed, site_id: int | None, person_id: int | None = None, *, at: datetime
) -> None:
    """As `may`; raises PermissionDenied."""
    if not may(user, deed, site_id, person_id, at=at):
        raise PermissionDenied
