"""What an exposure's plan asks of people: its tasks with their times, its restrictions with their dates."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.db.models import QuerySet

from exposure.classify.assess import criteria_of
from exposure.classify.criteria import text
from exposure.classify.plan import Duration, Plan
from exposure.classify.plan import Task as PlannedTask
from exposure.followup.models import Exposure, FollowUp
from exposure.followup.plans import plan_in_force
from exposure.followup.work_models import Restriction, Task
from exposure.record import create_many


def bring(exposure: Exposure, plan: Plan, *, at: datetime) -> None:
    """What the plan asks for; tasks not yet done and restrictions that it does not name are dropped and lifted."""
    _bring_tasks(exposure, plan, at)
    _bring_restrictions(exposure, plan, at)


def drop(exposure: Exposure, *, at: datetime) -> None:
    """The exposure no longer counts: what it asked for and is not done is dropped, its restrictions are lifted."""
    for task in exposure.tasks.filter(completed_at=None, dropped_at=None):
        task.dropped_at = at
        task.save()
    for restriction in exposure.restrictions.filter(lifted_at=None):
        restriction.lifted_at = at
        restriction.save()


def carry(exposure: Exposure, corrected: Exposure, *, at: datetime) -> None:
    """From an exposure to the one that corrects it: tasks go along, restrictions begin and end anew."""
    shift = corrected.occurred_at - exposure.occurred_at
    moved = corrected.day_zero - exposure.day_zero
    for task in exposure.tasks.filter(dropped_at=None):
        task.exposure = corrected
        if task.starts_from == "exposure" and task.completed_at is None:
            task.due_at = task.due_at + shift if task.due_at else None
            task.not_before = task.not_before + shift if task.not_before else None
        task.save()
    restrictions = list(exposure.restrictions.filter(lifted_at=None))
    for restriction in restrictions:
        restriction.lifted_at = at
        restriction.save()
    create_many(Restriction, [_moved(one, corrected, moved) for one in restrictions])


def _moved(restriction: Restriction, exposure: Exposure, moved: timedelta) -> Restriction:
    return Restriction(
        exposure=exposure,
        code=restriction.code,
        title=restriction.title,
        from_date=restriction.from_date + moved,
        to_date=restriction.to_date + moved if restriction.to_date else None,
    )


def date_tasks_after(task: Task, *, at: datetime) -> None:
    """Give the tasks that count from this one their time, now that it is done."""
    if task.exposure is None:
        return
    planned = {one.code: one for one in _tasks_of(task.exposure)}
    for waiting in task.exposure.tasks.filter(
        starts_from=task.code, due_at=None, dropped_at=None, code__in=planned
    ):
        waiting.due_at = _after(planned[waiting.code].due, at)
        waiting.not_before = _after(planned[waiting.code].not_before, at)
        waiting.save()


def _tasks_of(exposure: Exposure) -> Sequence[PlannedTask]:
    """The tasks of the plan that the exposure is under."""
    if exposure.assessment is not None:
        return plan_in_force(exposure.assessment).tasks
    tiers = criteria_of(exposure.version).tiers
    return next(tier.plan.tasks for tier in tiers if tier.code == exposure.tier)


def late_tasks_of(follow_up: FollowUp, *, at: datetime) -> QuerySet[Task]:
    """Tasks that are past their time and not done."""
    return Task.objects.filter(
        exposure__follow_up=follow_up, completed_at=None, dropped_at=None, due_at__lte=at
    )


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
