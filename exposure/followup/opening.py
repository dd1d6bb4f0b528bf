"""Open a follow-up, or add an exposure to the one that runs, and keep its checks in step with its exposures."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from exposure.classify.assess import criteria_of, is_highest, plan_of, tier_label
from exposure.classify.criteria import text
from exposure.classify.models import Assessment
from exposure.classify.plan import Duration, Plan, Profile
from exposure.followup import schedule
from exposure.followup.models import Check, Exposure, FollowUp, FollowUpState
from exposure.followup.work_models import Restriction, Task
from exposure.people.models import Worker
from exposure.record import create_many, insert_many, mark_withdrawn
from exposure.report.models import Breach

Kind = FollowUpState.Kind


@dataclass(frozen=True)
class Replanned:
    """Checks of one follow-up that were withdrawn and that were added."""

    withdrawn: tuple[Check, ...]
    added: tuple[Check, ...]


def plan_in_force(assessment: Assessment) -> Plan:
    """The plan of the tier treated as; the site's default days where no criteria were adopted."""
    return plan_of(assessment) or Plan("self", days=assessment.breach.site.default_days)


def brings_follow_up(plan: Plan) -> bool:
    """Whether the plan asks anything of anybody after the report."""
    return plan.monitoring != "none" or bool(plan.tasks)


def open_exposure(assessment: Assessment, *, at: datetime, by: str) -> tuple[FollowUp, Exposure] | None:
    """Record the breach as an exposure under the assessment's plan, in the worker's follow-up for the pathogen,
    which opens provisional if none runs. None where the plan brings nothing. Inside a transaction."""
    plan, breach = plan_in_force(assessment), assessment.breach
    if not brings_follow_up(plan):
        return None
    follow_up = FollowUp.objects.filter(
        worker=breach.worker, pathogen=assessment.pathogen, ended_at=None
    ).first()
    if follow_up is None:
        follow_up = FollowUp.objects.create(
            site=breach.site, worker=breach.worker, pathogen=assessment.pathogen, opened_at=at
        )
        FollowUpState.objects.create(follow_up=follow_up, kind=Kind.PROVISIONAL, from_at=at, by=by)
    zone = ZoneInfo(breach.site.zone)
    exposure = Exposure(
        follow_up=follow_up,
        breach=breach,
        occurred_at=breach.happened_at,
        zone=breach.site.zone,
        day_zero=schedule.day_zero(breach.happened_at, zone),
    )
    put_under(exposure, assessment, at=at)
    return follow_up, exposure


def put_under(exposure: Exposure, assessment: Assessment, *, at: datetime) -> None:
    """Give the exposure the assessment's tier and plan, with the tasks and restrictions that these bring.

    Tasks not yet done and restrictions that the new plan does not name are dropped and lifted.
    """
    plan = plan_in_force(assessment)
    exposure.assessment = assessment
    exposure.tier = assessment.treated_as
    exposure.tier_label = tier_label(assessment, assessment.treated_as)
    exposure.plan = {**stored_plan(plan), "highest": is_highest(assessment)}
    exposure.last_day = _last_day(exposure, plan)
    exposure.save()
    _bring_tasks(exposure, plan, at)
    _bring_restrictions(exposure, plan, at)


def correct(exposure: Exposure, occurred_at: datetime, *, reason: str, at: datetime) -> Exposure:
    """A row with the right time instead of this one, under the same plan. Its checks are planned by the caller."""
    zone = ZoneInfo(exposure.zone)
    moved = schedule.day_zero(occurred_at, zone) - exposure.day_zero
    tasks = list(exposure.tasks.filter(dropped_at=None))
    restrictions = list(exposure.restrictions.filter(lifted_at=None))
    shift = occurred_at - exposure.occurred_at
    old = Exposure.objects.get(pk=exposure.pk)
    old.withdrawn_at, old.withdrawn_reason = at, reason
    old.save()
    exposure.pk, exposure.id, exposure.uid, exposure._state.adding = None, None, uuid4(), True
    exposure.corrects = old
    exposure.occurred_at, exposure.day_zero = occurred_at, exposure.day_zero + moved
    exposure.last_day = exposure.last_day + moved if exposure.last_day else None
    exposure.save()
    for task in tasks:
        task.exposure = exposure
        if task.starts_from == "exposure" and task.completed_at is None:
            task.due_at = task.due_at + shift if task.due_at else None
            task.not_before = task.not_before + shift if task.not_before else None
        task.save()
    for restriction in restrictions:
        restriction.lifted_at = at
        restriction.save()
    create_many(Restriction, [_moved(one, exposure, moved) for one in restrictions])
    return exposure


def _moved(restriction: Restriction, exposure: Exposure, moved: timedelta) -> Restriction:
    return Restriction(
        exposure=exposure,
        code=restriction.code,
        title=restriction.title,
        from_date=restriction.from_date + moved,
        to_date=restriction.to_date + moved if restriction.to_date else None,
    )


def take_out(exposure: Exposure, *, reason: str, at: datetime) -> None:
    """The exposure no longer counts: what it asked for and is not done is dropped, its restrictions are lifted."""
    for task in exposure.tasks.filter(completed_at=None, dropped_at=None):
        task.dropped_at = at
        task.save()
    for restriction in exposure.restrictions.filter(lifted_at=None):
        restriction.lifted_at = at
        restriction.save()
    exposure.withdrawn_at = at
    exposure.withdrawn_reason = reason
    exposure.save()


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


def _last_day(exposure: Exposure, plan: Plan) -> date | None:
    days = plan.window.to_last if plan.window else plan.days
    if plan.monitoring == "none" or days is None:
        return None
    return exposure.day_zero + timedelta(days=days)


def _bring_tasks(exposure: Exposure, plan: Plan, at: datetime) -> None:
    """Tasks of the plan, dated from exposure, report or another task; done ones stay as they are."""
    standing = {task.code: task for task in exposure.tasks.filter(dropped_at=None)}
    wanted = {task.code: task for task in plan.tasks}
    for code, task in standing.items():
        if code not in wanted and task.completed_at is None:
            task.dropped_at = at
            task.save()
    starts = {
        "exposure": exposure.occurred_at,
        "report": exposure.breach.reported_at if exposure.breach else at,
    }
    create_many(
        Task,
        [
            Task(
                site=exposure.follow_up.site,
                exposure=exposure,
                code=task.code,
                title=text(task.title)[:200],
                starts_from=task.start,
                due_at=_after(task.due, starts.get(task.start)),
                not_before=_after(task.not_before, starts.get(task.start)),
            )
            for code, task in wanted.items()
            if code not in standing
        ],
    )


def date_tasks_after(task: Task, *, at: datetime) -> None:
    """Give the tasks that count from this one their time, now that it is done."""
    if task.exposure is None or task.exposure.assessment is None:
        return
    planned = {one.code: one for one in plan_in_force(task.exposure.assessment).tasks}
    for waiting in task.exposure.tasks.filter(starts_from=task.code, due_at=None, dropped_at=None):
        waiting.due_at = _after(planned[waiting.code].due, at)
        waiting.not_before = _after(planned[waiting.code].not_before, at)
        waiting.save()


def late_tasks_of(follow_up: FollowUp, *, at: datetime) -> QuerySet[Task]:
    """Tasks that are past their time and not done."""
    return Task.objects.filter(
        exposure__follow_up=follow_up, completed_at=None, dropped_at=None, due_at__lte=at
    )


def _after(span: Duration | None, start: datetime | None) -> datetime | None:
    return span.after(start) if span is not None and start is not None else None


def _bring_restrictions(exposure: Exposure, plan: Plan, at: datetime) -> None:
    standing = {one.code: one for one in exposure.restrictions.filter(lifted_at=None)}
    wanted = {one.code: one for one in plan.restrictions}
    ends = {
        code: exposure.last_day if one.days is None else exposure.day_zero + timedelta(days=one.days)
        for code, one in wanted.items()
    }
    for code, restriction in standing.items():
        if code not in wanted:
            restriction.lifted_at = at
            restriction.save()
        elif restriction.to_date != ends[code]:
            restriction.to_date = ends[code]
            restriction.save()
    create_many(
        Restriction,
        [
            Restriction(
                exposure=exposure,
                code=code,
                title=text(one.title)[:200],
                from_date=exposure.day_zero,
                to_date=ends[code],
            )
            for code, one in wanted.items()
            if code not in standing
        ],
    )


def plan_checks(follow_up: FollowUp, *, at: datetime) -> Replanned:
    """Bring the follow-up's unopened checks in line with its standing exposures, windows and zones."""
    existing = list(follow_up.checks.filter(withdrawn_at=None))
    planned = _planned(follow_up)
    if existing:
        withdraw, add = schedule.replan(existing, planned, at, _min_hours(follow_up))
    else:
        withdraw, add = [], [check for check in planned if check.closes_at >= at + schedule.LEAST_TIME_LEFT]
    mark_withdrawn(Check.objects.filter(pk__in=[check.pk for check in withdraw]), at=at)
    zone = str(follow_up.worker.zone)
    added = insert_many(
        Check,
        [
            Check(
                follow_up=follow_up,
                day=check.day,
                window=check.window,
                local_date=check.local_date,
                zone=zone,
                opens_at=check.opens_at,
                due_at=check.due_at,
                closes_at=check.closes_at,
            )
            for check in add
        ],
    )
    return Replanned(tuple(withdraw), tuple(added))


def _planned(follow_up: FollowUp) -> list[schedule.PlannedCheck]:
    """What the exposure with the latest last day asks for; of several, the one with the latest contact."""
    standing = [one for one in follow_up.exposures.filter(withdrawn_at=None) if one.last_day is not None]
    if not standing:
        return []
    last = max(standing, key=lambda one: (one.last_day, one.occurred_at))
    days = (last.last_day - last.day_zero).days
    return schedule.plan(
        last.occurred_at,
        follow_up.opened_at,
        days,
        ZoneInfo(last.zone),
        follow_up.worker.zone,
        windows_of(follow_up.worker),
        _min_hours(follow_up),
        first_day=_first_day(standing, last),
    )


def _first_day(standing: list[Exposure], last: Exposure) -> int:
    """Where readings start, in days from the last exposure: from the first exposure on where the plan says so."""
    if not last.plan.get("window"):
        return 0
    first = min(one.day_zero for one in standing)
    return (first - last.day_zero).days + last.plan["window"][0]


def windows_of(worker: Worker) -> tuple[schedule.Window, ...]:
    """The worker's own windows, else the site's, else the default ones."""
    for rows in (worker.windows.all(), worker.site.windows.all()):
        windows = tuple(schedule.Window(row.name, row.opens, row.due, row.closes) for row in rows)
        if windows:
            return windows
    return schedule.DEFAULT_WINDOWS


def profile_of(follow_up: FollowUp) -> Profile | None:
    """The clinical numbers of the criteria that the newest standing exposure was assessed under."""
    exposure = (
        follow_up.exposures.filter(withdrawn_at=None, assessment__version__isnull=False)
        .select_related("assessment__version")
        .order_by("occurred_at")
        .last()
    )
    return criteria_of(exposure.assessment.version).profile if exposure else None


def _min_hours(follow_up: FollowUp) -> int:
    profile = profile_of(follow_up)
    return profile.min_hours if profile is not None and profile.min_hours is not None else 6


def state_of(follow_up: FollowUp) -> FollowUpState | None:
    """The state it is in now."""
    return follow_up.states.filter(until_at=None).first()


def enter_state(
    follow_up: FollowUp, kind: str, *, at: datetime, by: str, reason: str = "", basis: str = ""
) -> FollowUpState:
    """End the present state and begin another; the same kind again changes nothing."""
    standing = state_of(follow_up)
    if standing is not None:
        if standing.kind == kind:
            return standing
        standing.until_at, standing.until_by = at, by
        standing.save()
    return FollowUpState.objects.create(
        follow_up=follow_up, kind=kind, from_at=at, by=by, reason=reason, basis=basis
    )


def end(
    follow_up: FollowUp, kind: str, *, at: datetime, ends_at: datetime, by: str, reason: str = ""
) -> None:
    """End the follow-up at `ends_at` (a clearance: when the last day ends) in the given way."""
    enter_state(follow_up, kind, at=at, by=by, reason=reason)
    follow_up.ended_at = ends_at
    follow_up.save()


def exposures_of(breach: Breach) -> list[Exposure]:
    """The standing exposures that the breach led to."""
    return list(
        breach.exposures.filter(withdrawn_at=None).select_related("follow_up__worker", "follow_up__site")
    )
