"""What time causes, and how the worker wants to be reminded."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet

from exposure.people.models import User, Worker
from exposure.people.sessions import clear_expired_sessions
from exposure.pipeline import report, turn
from exposure.pipeline.reply import tell_phone_only
from exposure.remind import jumps
from exposure.remind.models import Planned
from exposure.remind.rounds import Part
from exposure.remind.sweep import run_parts, sweep
from exposure.report.drafts import forget_old_drafts
from exposure.report.models import Mark
from exposure.report.removals import unfinished_marks


def pass_time(*, at: datetime, running: float | None = None) -> dict[str, int]:
    """Everything that time causes: what clock process and queue call. It sends nothing. `running`: what `clock.running`
    said when `at` was read."""
    jumps.look(at=at, running=running)
    return {**run_parts(PARTS, at=at), **sweep(at=at)}


def tidy(*, at: datetime) -> None:
    """Away goes what nobody needs any more: sign-ins that have run out, reports that nobody went on writing."""
    clear_expired_sessions(at=at)
    forget_old_drafts(at=at)


def _send_marks(marks: Sequence[Mark], at: datetime) -> int:
    for mark in marks:
        report.send_unfinished_mark(mark, at=at)
    return len(marks)


def _to_plan_anew(at: datetime) -> QuerySet[Planned]:
    """Follow-ups whose readings were last planned a day ago: zone rules or the site's windows may have changed."""
    return Planned.objects.filter(at__lte=at - turn.REPLAN_EVERY).order_by("at", "pk")


def _plan_anew(rows: Sequence[Planned], at: datetime) -> int:
    for planned in rows:
        turn.replan_follow_up(follow_up_id=planned.follow_up_id, at=at)
    return len(rows)


# Each row is a use case of its own, with its own locks: one at a time, and not too many in a round.
PARTS = (
    Part("unfinished_marks", unfinished_marks, _send_marks, batch=1, at_most=200),
    Part("replan", _to_plan_anew, _plan_anew, batch=1, at_most=50),
)


OWN_SETTINGS = (
    "unit", "phone_only", "quiet_from", "quiet_until", "own_zone", "mobile", "reach_by", "language",
)  # fmt: skip


def change_settings(*, worker: Worker, by: User, at: datetime, **settings: Any) -> Worker:
    """Those of OWN_SETTINGS that are given. Where zone or quiet hours change, the readings that have not opened, and
    their reminders, are planned anew."""
    if worker.user_id != by.pk:
        raise PermissionDenied
    with turn.of(worker, at=at):
        worker = Worker.objects.select_for_update(of=("self",)).select_related("site").get(pk=worker.pk)
        before = (worker.own_zone, worker.quiet_from, worker.quiet_until)
        was_by_phone = worker.phone_only
        for name in OWN_SETTINGS:
            setattr(worker, name, settings.get(name, getattr(worker, name)))
        worker.save()
        if worker.phone_only and not was_by_phone:
            tell_phone_only(worker, at=at)
        if (worker.own_zone, worker.quiet_from, worker.quiet_until) != before:
            for follow_up in worker.follow_ups.filter(ended_at=None):
                turn.plan_unopened_again(follow_up, at)
        return worker
