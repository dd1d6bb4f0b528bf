"""Whose turn it is: the locks that everything takes before it reads, and the readings planned anew."""

from datetime import datetime, timedelta

from django.db import transaction

from exposure.attend import duties
from exposure.clear.sign import void_before_effect
from exposure.followup import expected, states
from exposure.followup.models import Check, FollowUp, FollowUpState
from exposure.people.models import Worker
from exposure.record import mark_withdrawn
from exposure.remind import reminders
from exposure.remind.models import Heartbeat
from exposure.report.models import Breach

REPLAN_EVERY = timedelta(days=1)


def one_at_a_time(*workers: Worker) -> None:
    """Whatever opens, feeds or ends a worker's follow-ups waits here for its turn, until its transaction ends. Give all
    of several at once: they are taken in one order, so that no two wait for each other."""
    keys = {worker.pk for worker in workers}
    list(Worker.objects.select_for_update(no_key=True).filter(pk__in=keys).order_by("pk"))


def locked_breach(breach: Breach) -> Breach:
    """The report as it stands now; the worker's turn comes first, as everywhere."""
    one_at_a_time(breach.worker)
    return Breach.objects.select_for_update(of=("self",)).select_related("site", "worker").get(pk=breach.pk)


def locked_follow_up(follow_up: FollowUp) -> FollowUp:
    one_at_a_time(follow_up.worker)
    rows = FollowUp.objects.select_for_update(of=("self",)).select_related("worker__site", "site")
    return rows.get(pk=follow_up.pk)


def go_on(follow_up: FollowUp, because: str, at: datetime, by: str) -> None:
    """A clearance, or the first of two signatures under it, that has not taken effect is void."""
    if void_before_effect(follow_up, because=because, at=at) and follow_up.ended_at is not None:
        states.enter_state(follow_up, FollowUpState.Kind.MONITORED, at=at, by=by, reason=because)
        follow_up.ended_at = None
        follow_up.save()


def plan_readings(follow_up: FollowUp, at: datetime) -> None:
    """Bring readings and their reminders in line with the follow-up's exposures, windows and zones. One that has
    ended asks for nothing more."""
    duties.settle(follow_up, at=at)
    if follow_up.ended_at is not None and follow_up.ended_at <= at:
        return
    replanned = expected.plan_checks(follow_up, at=at)
    reminders.withdraw_rungs(replanned.withdrawn, at=at)
    reminders.plan_rungs(replanned.added, follow_up.worker)


def withdraw_unopened(follow_up: FollowUp, at: datetime) -> None:
    """The readings that have not opened are no longer asked for. One that was excused beforehand stays."""
    unopened = list(follow_up.checks.filter(withdrawn_at=None, opens_at__gt=at, fills=None))
    mark_withdrawn(Check.objects.filter(pk__in=[check.pk for check in unopened]), at=at)
    reminders.withdraw_rungs(unopened, at=at)


def plan_unopened_again(follow_up: FollowUp, at: datetime) -> None:
    """All of them, moved or not: a reminder is stored once per reading, so other quiet hours need new readings."""
    withdraw_unopened(follow_up, at)
    plan_readings(follow_up, at)


def follow_ups_to_replan(*, at: datetime) -> list[int]:
    """Once a day the running follow-ups, whose unopened readings may have moved with the time-zone rules."""
    with transaction.atomic():
        beat, fresh = Heartbeat.objects.select_for_update().get_or_create(name="replan", defaults={"at": at})
        if not fresh and at - beat.at < REPLAN_EVERY:
            return []
        beat.at = at
        beat.save()
    return list(FollowUp.objects.running(at=at).filter(ended_at=None).values_list("pk", flat=True))


def replan_follow_up(*, follow_up_id: int, at: datetime) -> None:
    """Bring one follow-up's unopened readings in line with its exposures, windows and zones of today."""
    with transaction.atomic():
        one_at_a_time(Worker.objects.get(follow_ups=follow_up_id))
        follow_up = (
            FollowUp.objects.select_for_update(of=("self",))
            .select_related("worker__site")
            .get(pk=follow_up_id)
        )
        if follow_up.ended_at is None:
            plan_readings(follow_up, at)
