"""The steps of a story, each done by the one who does it in the fixed cast."""

from contextlib import nullcontext
from datetime import datetime, timedelta
from uuid import UUID

from exposure.followup.models import FollowUp
from exposure.followup.store_reading import Logged
from exposure.people.models import User
from exposure.pipeline import classify, complete, follow, remind
from exposure.pipeline.report import Reported, report_breach
from exposure.pipeline.tell import tell_worker
from exposure.remind.outbox import deliver
from exposure.remind.sweep import sweep
from exposure.report.models import Case
from tests.cast import MONDAY, Cast, company, doing

HIGH = {"contact": "splash", "skin": "intact"}  # by ebola 2023.1, rule VHF-1
LOW = {"contact": "none", "skin": "no"}  # no rule of ebola 2023.1


def report(cast: Cast, *, by: User | None = None, at: datetime = MONDAY, **changes) -> Reported:
    """The observer, unless somebody else, reports about Wim."""
    if by is None and at == MONDAY and not changes:
        return _usual_report(cast)
    return _report(cast, by or cast.observer, at, **changes)


@company.scene
def _usual_report(cast: Cast) -> Reported:
    return _report(cast, cast.observer, MONDAY)


def _report(cast: Cast, reporter: User, at: datetime, **changes) -> Reported:
    with doing(reporter, at=at):
        return report_breach(body=cast.body(**changes), reporter=reporter, at=at)


def tell(cast: Cast, reported: Reported, *, at: datetime = MONDAY) -> None:
    """The nurse tells the worker by telephone."""
    with doing(cast.nurse, at=at):
        tell_worker(breach=reported.breach, how="phone", told_at=at, by=cast.nurse, at=at)


def confirm(cast: Cast, reported: Reported, *, at: datetime = MONDAY, facts: dict | None = None) -> None:
    """The nurse has spoken with the worker."""
    with doing(cast.nurse, at=at):
        classify.confirm_breach(breach=reported.breach, by=cast.nurse, note="Spoke.", facts=facts, at=at)


def follow_up_told_and_confirmed(cast: Cast, **changes) -> FollowUp:
    """A report at the highest tier, told and confirmed at once, its tasks done."""
    return _told_and_confirmed(cast, **changes) if changes else _as_usual(cast)


@company.scene
def _as_usual(cast: Cast) -> FollowUp:
    return _told_and_confirmed(cast)


def _told_and_confirmed(cast: Cast, **changes) -> FollowUp:
    reported = report(cast, **changes)
    tell(cast, reported)
    confirm(cast, reported)
    with doing(cast.nurse):
        for task in reported.breach.exposures.get().promises.filter(kind="task"):
            complete.complete_task(task=task, note="Done.", by=cast.nurse, at=MONDAY)
    return reported.follow_ups[0]


def log(cast: Cast, *, at: datetime, by: User | None = None, **changes) -> Logged:
    """The worker, unless somebody else, enters a reading taken at that moment."""
    by = by or cast.worker.user
    with doing(by, at=at):
        return follow.log_reading(body=cast.reading(**changes), worker=cast.worker, entered_by=by, at=at)


def log_to_the_end(cast: Cast, follow_up: FollowUp, *, but: int = 0) -> datetime:
    """A normal reading every 36 hours, which is no silence, up to the last check `but` so many. Returns the due time
    of the last check."""
    checks = list(follow_up.checks.filter(withdrawn_at=None))
    for check in reversed(checks[: len(checks) - but][::-3]):
        log(cast, at=check.due_at)
    return checks[-1].due_at


def pass_time(at: datetime) -> dict[str, int]:
    """What the clock process does in one round, and then the sending process."""
    with doing("command:clock", at=at):
        done = remind.pass_time(at=at)
        return {**done, "delivered": deliver(now=lambda: at, within=lambda _seconds: nullcontext())["sent"]}


def sweep_at(at: datetime) -> dict[str, int]:
    """One round without sending."""
    with doing("command:clock", at=at):
        return sweep(at=at)


def newest_statement(case: Case, pathogen: str) -> UUID | None:
    """What is before somebody who opens the page of the case, as `report.state_case` takes it."""
    newest = case.statements.filter(pathogen=pathogen).last()
    return newest and newest.uid


def hours(count: float) -> timedelta:
    return timedelta(hours=count)
