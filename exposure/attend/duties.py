"""What a follow-up's exposures ask of people, kept in step with the plans they are under."""

from collections.abc import Sequence
from datetime import datetime

from django.db.models import QuerySet

from exposure.attend.models import Task
from exposure.classify.assess import tiers_of
from exposure.classify.criteria import text
from exposure.classify.plan import Duration
from exposure.classify.plan import Task as PlannedTask
from exposure.followup.models import Exposure, FollowUp
from exposure.followup.plans import plan_in_force
from exposure.record import create_many


def settle(follow_up: FollowUp, *, at: datetime) -> None:
    """Bring the tasks of all its exposures in line with their plans."""
    for exposure in follow_up.exposures.order_by("pk"):
        if exposure.withdrawn_at is None:
            _bring_tasks(exposure, at)
        elif corrected := Exposure.objects.filter(corrects=exposure).first():
            _carry(exposure, corrected)
        else:
            for task in exposure.tasks.filter(completed_at=None, dropped_at=None):
                task.dropped_at = at
                task.save()


def _carry(exposure: Exposure, corrected: Exposure) -> None:
    shift = corrected.occurred_at - exposure.occurred_at
    for task in exposure.tasks.filter(dropped_at=None):
        task.exposure = corrected
        if task.starts_from == "exposure" and task.completed_at is None:
            task.due_at = task.due_at + shift if task.due_at else None
            task.not_before = task.not_before + shift if task.not_before else None
        task.save()


def _bring_tasks(exposure: Exposure, at: datetime) -> None:
    """Tasks of the plan, dated from exposure, report or another task; done ones stay as they are."""
    standing = {task.code: task for task in exposure.tasks.filter(dropped_at=None)}
    wanted = {task.code: task for task in _tasks_of(exposure)}
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
    tiers = tiers_of(exposure.version)
    return next((tier.plan.tasks for tier in tiers if tier.code == exposure.tier), ())


def late_tasks_of(follow_up: FollowUp, *, at: datetime) -> QuerySet[Task]:
    """Tasks that are past their time and not done."""
    return Task.objects.filter(
        exposure__follow_up=follow_up, completed_at=None, dropped_at=None, due_at__lte=at
    )


def _after(span: Duration | None, start: datetime | None) -> datetime | None:
    return span.after(start) if span is not None and start is not None else None
