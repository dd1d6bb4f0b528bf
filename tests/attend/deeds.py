"""What clinicians do about a promise, one function each."""

from datetime import UTC, datetime, timedelta

from exposure.attend.models import Promise
from exposure.pipeline import classify, clear
from exposure.pipeline import report as report_pipeline
from exposure.pipeline.complete import complete_task
from tests.cast import MONDAY, doing

OCCURRED = MONDAY - timedelta(minutes=20)
LAST_DAY_IS_OVER = datetime(2026, 3, 24, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def the(kind, **which):
    """The one promise of that kind that is not void."""
    return Promise.objects.get(kind=kind, void_at=None, **which)


def open_kinds():
    return sorted(Promise.objects.open().values_list("kind", flat=True))


def override(cast, breach, tier, *, by=None, at=MONDAY, **said):
    by = by or cast.physician
    with doing(by, at=at):
        said = {"pathogen": "ebola", "tier": tier, "reason": "Seen by me.", **said}
        return classify.override_tier(breach=breach, by=by, at=at, **said)


def countersign(cast, assessment, *, at=MONDAY):
    with doing(cast.physician2, at=at):
        classify.countersign(assessment=assessment, by=cast.physician2, at=at)


def end(cast, follow_up, kind, *, at=MONDAY):
    with doing(cast.physician, at=at):
        said = {"reason": "As agreed.", "basis": "agreed", "accepted_by": "Public health, ext. 4"}
        clear.end_follow_up(follow_up=follow_up, kind=kind, by=cast.physician, at=at, **said)


def reopen(cast, follow_up, *, at=MONDAY):
    with doing(cast.physician, at=at):
        return clear.reopen(follow_up=follow_up, reason="Back again.", by=cast.physician, at=at)


def withdraw(cast, breach):
    with doing(cast.observer):
        asked = report_pipeline.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
    with doing(cast.nurse):
        classify.decide_withdrawal(request=asked, accepted=True, reason="Spoken.", by=cast.nurse, at=MONDAY)


def complete(cast, code, *, at=MONDAY, **which):
    with doing(cast.nurse, at=at):
        complete_task(task=the("task", key=code, **which), note="Done.", by=cast.nurse, at=at)
