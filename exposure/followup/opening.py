"""Open a follow-up, or add an exposure to the one that runs; put an exposure under a plan, correct it, take it out."""

from datetime import datetime
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from exposure.classify.assess import is_highest, rank, tier_label, tiers_of, unreadable
from exposure.classify.criteria import text
from exposure.classify.models import Assessment, CriteriaVersion
from exposure.classify.plan import Plan
from exposure.followup import restrictions, schedule
from exposure.followup.models import Exposure, FollowUp, FollowUpState
from exposure.followup.plans import brings_follow_up, last_day_of, plan_in_force, stored_plan
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.report.models import Breach

Kind = FollowUpState.Kind


def open_exposure(assessment: Assessment, *, at: datetime, by: str) -> tuple[FollowUp, Exposure] | None:
    """Record the breach as an exposure under the assessment's plan, in the worker's follow-up for the pathogen,
    which opens provisional if none runs. None where the plan brings nothing. Inside a transaction."""
    plan, breach = plan_in_force(assessment), assessment.breach
    if not brings_follow_up(plan):
        return None
    follow_up = _follow_up_of(breach.worker, assessment.pathogen, breach.site, Kind.PROVISIONAL, at, by)
    zone, occurred_at = ZoneInfo(breach.site.zone), _moment(assessment)
    exposure = Exposure(
        follow_up=follow_up,
        breach=breach,
        occurred_at=occurred_at,
        zone=breach.site.zone,
        day_zero=schedule.day_zero(occurred_at, zone),
    )
    put_under(exposure, assessment, at=at)
    return follow_up, exposure


def open_recorded(
    worker: Worker, version: CriteriaVersion, tier: str, *, site: Site, at: datetime, by: str, **said: Any
) -> Exposure:
    """An exposure that no report led to, under a tier's plan; `said` are the row's occurred_at, source, case and note.
    A follow-up opens monitored if none runs. Inside a transaction."""
    tiers = tiers_of(version)
    place = [one.code for one in tiers].index(tier)
    plan = tiers[place].plan
    exposure = Exposure(
        follow_up=_follow_up_of(worker, version.pathogen, site, Kind.MONITORED, at, by),
        version=version,
        zone=site.zone,
        day_zero=schedule.day_zero(said["occurred_at"], ZoneInfo(site.zone)),
        tier=tier,
        tier_label=text(tiers[place].label),
        entered_at=at,
        **said,
    )
    _bring(exposure, plan, highest=place == len(tiers) - 1, place=place, at=at)
    return exposure


def _follow_up_of(worker: Worker, pathogen: str, site: Site, kind: str, at: datetime, by: str) -> FollowUp:
    """The one that runs; else a new one in that state."""
    follow_up = FollowUp.objects.filter(worker=worker, pathogen=pathogen, ended_at=None).first()
    if follow_up is None:
        follow_up = FollowUp.objects.create(site=site, worker=worker, pathogen=pathogen, opened_at=at)
        FollowUpState.objects.create(follow_up=follow_up, kind=kind, from_at=at, by=by)
    return follow_up


def _moment(assessment: Assessment) -> datetime:
    """When the contact was: as last corrected, also where that exposure has been taken out since."""
    corrected = Exposure.objects.filter(
        breach=assessment.breach, follow_up__pathogen=assessment.pathogen, corrects__isnull=False
    )
    newest = corrected.order_by("pk").last()
    return newest.occurred_at if newest else assessment.breach.happened_at


def put_under(exposure: Exposure, assessment: Assessment, *, at: datetime) -> None:
    """Give the exposure the assessment's tier and plan, with the tasks and restrictions that these bring.

    Tasks not yet done and restrictions that the new plan does not name are dropped and lifted. A plan that can no
    longer be read moves nobody: in the same tier everything stays as it was planned.
    """
    stays = exposure.pk is not None and exposure.tier == assessment.treated_as and unreadable(assessment)
    exposure.assessment = assessment
    if stays:
        exposure.save()
        return
    plan = plan_in_force(assessment)
    exposure.tier = assessment.treated_as
    exposure.tier_label = tier_label(assessment, assessment.treated_as)
    _bring(exposure, plan, highest=is_highest(assessment), place=rank(assessment), at=at)


def _bring(exposure: Exposure, plan: Plan, *, highest: bool, place: int, at: datetime) -> None:
    since = exposure.plan.get("observed_since", at.isoformat()) if plan.observed_per_day else None
    asked = {"observed_since": since} if since else {}
    exposure.plan = {**stored_plan(plan), "highest": highest, "rank": place, **asked}
    exposure.last_day = last_day_of(plan, exposure.day_zero)
    exposure.save()
    restrictions.bring(exposure, plan, at=at)


def correct(exposure: Exposure, occurred_at: datetime, *, reason: str, at: datetime) -> Exposure:
    """A row with the right time instead of this one, under the same plan. Its checks are planned by the caller."""
    old = Exposure.objects.get(pk=exposure.pk)
    old.withdrawn_at, old.withdrawn_reason = at, reason
    old.save()
    exposure.pk, exposure.id, exposure.uid, exposure._state.adding = None, None, uuid4(), True
    exposure.corrects = old
    exposure.occurred_at = occurred_at
    exposure.day_zero = schedule.day_zero(occurred_at, ZoneInfo(exposure.zone))
    exposure.last_day = old.last_day + (exposure.day_zero - old.day_zero) if old.last_day else None
    exposure.save()
    restrictions.carry(old, exposure, at=at)
    return exposure


def take_out(exposure: Exposure, *, reason: str, at: datetime) -> None:
    """The exposure no longer counts, and nothing that it asked for is asked any more."""
    restrictions.drop(exposure, at=at)
    exposure.withdrawn_at = at
    exposure.withdrawn_reason = reason
    exposure.save()


def exposures_of(breach: Breach) -> list[Exposure]:
    """The standing exposures that the breach led to."""
    return list(
        breach.exposures.filter(withdrawn_at=None).select_related("follow_up__worker", "follow_up__site")
    )
