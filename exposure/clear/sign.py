"""Sign a clearance. It takes effect when the last day ends; a trigger before that makes it void."""

from datetime import datetime

from django.db.models import Q

from exposure.attend.overview import Overview
from exposure.classify.models import Signature
from exposure.classify.plan import Profile
from exposure.clear.models import Clearance
from exposure.clear.rule import Ruling, may_clear
from exposure.followup.models import FollowUp
from exposure.followup.plans import profile_of
from exposure.people.models import Role, User

ORDER = ("nurse", "physician", "two")


def rule_on(overview: Overview) -> Ruling:
    """Whether the follow-up may be cleared as of the overview's moment, and what stands in the way."""
    return rule_under(overview, profile_of(overview.follow_up))


def rule_under(overview: Overview, profile: Profile | None) -> Ruling:
    """As `rule_on`, where the clinical numbers of its criteria are at hand."""
    last = overview.lines[-1] if overview.lines else None
    to_come = last is not None and last.check.opens_at > overview.at  # also where it is explained beforehand
    return may_clear(
        confirmed=not overview.unconfirmed,
        last_check="upcoming" if to_come else last.state if last else None,
        open_alerts=len(overview.alerts),
        open_tasks=sum(task.kept_at is None for task in overview.tasks),
        contacts=overview.contacts,
        since=overview.follow_up.opened_at,
        until=min(overview.ends_at or overview.at, overview.at),
        silence_hours=profile.silence_hours if profile and overview.lines else None,
        being_evaluated=overview.paused,
        attended=overview.attended,
    )


def wanted_signatures(overview: Overview) -> str:
    """Whose signature the strictest plan among the exposures asks for: nurse, physician or two."""
    return max(
        (one.plan.get("clearance", "nurse") for one in overview.exposures), key=ORDER.index, default="nurse"
    )


def may_sign(overview: Overview, kinds: set[str]) -> bool:
    """Whether somebody with these roles may sign this clearance."""
    if Role.Kind.PHYSICIAN in kinds:
        return True
    return Role.Kind.NURSE in kinds and wanted_signatures(overview) != "physician"


def signed_already(overview: Overview, *, by: User) -> Clearance | None:
    """The clearance that carries this signature and waits for another person's; else None."""
    waiting = overview.follow_up.clearances.filter(void_at=None, signed_at=None).first()
    if waiting is None or wanted_signatures(overview) != "two":
        return None
    return waiting if Signature.objects.filter(subject=f"clearance:{waiting.uid}", user=by).exists() else None


def sign(overview: Overview, ruling: Ruling, *, by: User, at: datetime) -> Clearance:
    """Add the signature; with the last one needed the clearance is signed, as things stand then. Inside a
    transaction."""
    as_it_stands = {
        "kind": Clearance.Kind.WITH_GAP if ruling.gap else Clearance.Kind.COMPLETED,
        "signatures_needed": 2 if wanted_signatures(overview) == "two" else 1,
        "effective_at": max(overview.ends_at or at, at),
        "reasons": list(ruling.grounds),
    }
    clearance, created = Clearance.objects.get_or_create(
        follow_up=overview.follow_up, void_at=None, defaults=as_it_stands
    )
    if not created:
        for name, value in as_it_stands.items():
            setattr(clearance, name, value)
    subject = f"clearance:{clearance.uid}"
    Signature.objects.get_or_create(subject=subject, user=by, defaults={"meaning": "clearance"})
    if (
        clearance.signed_at is None
        and Signature.objects.filter(subject=subject).count() >= clearance.signatures_needed
    ):
        clearance.signed_at = at
    clearance.save()
    return clearance


def void_before_effect(follow_up: FollowUp, *, because: str, at: datetime) -> Clearance | None:
    """A trigger before it takes effect, when the last day ends or with the second signature: the clearance is void.
    Returns the voided one, or None."""
    without_effect = Q(effective_at__gt=at) | Q(signed_at=None)
    clearance = follow_up.clearances.filter(without_effect, void_at=None).first()
    if clearance is not None:
        clearance.void_at = at
        clearance.void_because = because
        clearance.save()
    return clearance
