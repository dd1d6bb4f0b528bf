"""The plan that an exposure is under, and the clinical numbers of its criteria."""

from datetime import date, timedelta
from typing import Any

from django.db.models import Q, QuerySet

from exposure.classify.assess import criteria_or_none, tiers_of
from exposure.classify.assess import plan_of as plan_of_tier
from exposure.classify.models import Assessment, CriteriaVersion
from exposure.classify.plan import Plan, Profile
from exposure.followup.models import Exposure, FollowUp

USUAL_MIN_HOURS = 6  # where no criteria say


def plan_in_force(assessment: Assessment) -> Plan:
    """The plan of the tier treated as; the site's default days where no criteria were adopted or they can no longer be
    read."""
    return plan_of_tier(assessment) or Plan("self", days=assessment.breach.site.default_days)


def plan_of(exposure: Exposure) -> Plan:
    """The plan that an exposure is under."""
    if exposure.assessment is not None:
        return plan_in_force(exposure.assessment)
    tiers = tiers_of(exposure.version)
    return next((tier.plan for tier in tiers if tier.code == exposure.tier and tier.plan), Plan("none"))


def is_readable(exposure: Exposure) -> bool:
    """Can the criteria that the exposure is under, if any, still be applied? Else what was asked goes on as it is."""
    return exposure.criteria_version is None or criteria_or_none(exposure.criteria_version) is not None


def brings_follow_up(plan: Plan) -> bool:
    """Whether the plan asks anything of anybody after the report."""
    return plan.monitoring != "none" or bool(plan.tasks)


def last_day_of(plan: Plan, day_zero: date) -> date | None:
    """The last day of an exposure under the plan; None where the plan has no readings."""
    days = plan.window.to_last if plan.window else plan.days
    if plan.monitoring == "none" or days is None:
        return None
    return day_zero + timedelta(days=days)


def stored_plan(plan: Plan) -> dict[str, Any]:
    """The part of a plan that is asked for later, as plain JSON."""
    return {
        "monitoring": plan.monitoring,
        "days": plan.days,
        "window": [plan.window.from_first, plan.window.to_last] if plan.window else None,
        "observed_per_day": plan.observed_per_day,
        "second_signature": plan.second_signature,
        "clearance": plan.clearance,
    }


def under_criteria(exposures: QuerySet[Exposure]) -> QuerySet[Exposure]:
    """The standing ones among them whose tier is of some criteria, oldest contact first."""
    some = Q(assessment__version__isnull=False) | Q(version__isnull=False)
    standing = exposures.filter(some, withdrawn_at=None).order_by("occurred_at", "pk")
    return standing.select_related("assessment__version", "version")


def version_of(follow_up: FollowUp) -> CriteriaVersion | None:
    """The version of the criteria that the newest standing exposure is under."""
    exposure = under_criteria(follow_up.exposures.all()).last()
    return exposure.criteria_version if exposure else None


def profile_of(follow_up: FollowUp) -> Profile | None:
    """The clinical numbers of the criteria that the newest standing exposure is under; None where there are none or
    they can no longer be read: the usual numbers hold."""
    criteria = criteria_or_none(version_of(follow_up))
    return criteria.profile if criteria else None


def min_hours_of(follow_up: FollowUp) -> int:
    """The least hours between two readings that count."""
    profile = profile_of(follow_up)
    return profile.min_hours if profile is not None and profile.min_hours is not None else USUAL_MIN_HOURS
