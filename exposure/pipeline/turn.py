"""Whose turn it is: the locks that everything takes before it reads, and what follows from rows brought in line."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from django.db import OperationalError, transaction
from django.db.models import Q

from exposure.attend import changes, duties, promises
from exposure.attend.models import OtherDecision, Promise
from exposure.clear.sign import void_before_effect
from exposure.followup import expected, states
from exposure.followup.models import Check, FollowUp, FollowUpState
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.record import current, mark_withdrawn
from exposure.refusal import Conflict, NotYet
from exposure.remind import reminders
from exposure.remind.models import Planned
from exposure.report.models import Breach

P = ParamSpec("P")
R = TypeVar("R")
REPLAN_EVERY = timedelta(days=1)  # zone rules and the site's windows may have changed


def again_after_deadlock(use_case: Callable[P, R]) -> Callable[P, R]:
    """A use case that takes several people's turns: where two wait for each other, the database ends one of them,
    and that one tries again. Inside somebody else's transaction it cannot."""

    @wraps(use_case)
    def trying(*args: P.args, **kwargs: P.kwargs) -> R:
        for last_try in (False, False, False, True):
            try:
                return use_case(*args, **kwargs)
            except OperationalError as error:
                if last_try or "deadlock" not in str(error) or transaction.get_connection().in_atomic_block:
                    raise
        raise AssertionError("unreachable")

    return trying


@dataclass
class Turn:
    """One use case under way. `standing`: what another has decided before, where this decision is another one.
    `taken`: the workers whose turn it is, as they stand now."""

    standing: Any = None
    taken: list[Worker] = field(default_factory=list)

    def person(self, worker: Worker) -> Worker:
        """The worker as they stand now: whoever was linked a moment ago is the person on the list."""
        rows = {row.pk: row for row in self.taken}
        now = rows[worker.pk]
        return rows[now.same_as_id] if now.same_as_id is not None else now

    def clash(self, standing: Any, deed: str, worker: Worker | None, site: Site, **sent: Any) -> None:
        """Another decision stands: what was sent is kept, the same by the same person once, and when it is stored
        Conflict is raised with what stands."""
        self.standing = standing
        about = {"deed": deed, "subject": f"{standing._meta.model_name}:{standing.uid}"}
        kept = OtherDecision.objects.filter(recorded_by=current().actor, **about)
        if all(other.sent != sent for other in kept):
            OtherDecision.objects.create(site=site, worker=worker, sent=sent, **about)


@contextmanager
def of(*workers: Worker, at: datetime) -> Iterator[Turn]:
    """One transaction in which whatever opens, feeds or ends these workers' follow-ups waits for its turn. At its end
    they are to be told what has changed, and what people must do about them is brought in line with what stands then.
    Raises Conflict after that where the use case has found another decision standing (`Turn.clash`)."""
    turn = Turn()
    with transaction.atomic():
        turn.taken = one_at_a_time(*workers)
        before = changes.known_of(turn.taken) if turn.taken else {}
        yield turn
        changes.ask_to_tell(before, turn.taken, at=at)
        for worker in turn.taken:
            duties.settle(worker, at=at)
    if turn.standing is not None:
        raise Conflict(turn.standing)


def one_at_a_time(*workers: Worker) -> list[Worker]:
    """Wait for the workers' turn, until the transaction ends. Give all of several at once: they are taken in one
    order, so that no two wait for each other. Returns the rows as they stand then; of one who proved to be another
    person, that other's too."""
    keys = {worker.pk for worker in workers}
    while True:
        with transaction.atomic():
            rows = Worker.objects.select_for_update(no_key=True, of=("self",)).filter(pk__in=keys)
            taken = list(rows.order_by("pk"))
            others = {worker.same_as_id for worker in taken if worker.same_as_id is not None} - keys
            if not others:
                return taken
            transaction.set_rollback(
                True
            )  # to the savepoint: these locks go back, then all are taken in order
        keys |= others


def locked_breach(breach: Breach) -> Breach:
    """The report as it stands now, in the worker's turn."""
    rows = Breach.objects.select_for_update(of=("self",))
    return rows.select_related("site", "worker", "reported_by").get(pk=breach.pk)


def locked_follow_up(follow_up: FollowUp) -> FollowUp:
    """The follow-up as it stands now, in the worker's turn."""
    rows = FollowUp.objects.select_for_update(of=("self",)).select_related("worker__site", "site")
    return rows.get(pk=follow_up.pk)


def go_on(follow_up: FollowUp, because: str, at: datetime, by: str) -> None:
    """A clearance, or the first of two signatures under it, that has not taken effect is void."""
    if void_before_effect(follow_up, because=because, at=at) and follow_up.ended_at is not None:
        states.enter_state(follow_up, FollowUpState.Kind.MONITORED, at=at, by=by, reason=because)
        follow_up.ended_at = None
        follow_up.save()


def pause(follow_up: FollowUp, kind: str, reason: str, at: datetime, by: str) -> FollowUpState:
    """Being evaluated, or in hospital: nobody has to be rung about it meanwhile. Raises NotYet for one that has
    ended."""
    go_on(follow_up, reason, at, by)
    if follow_up.ended_at is not None:
        raise NotYet("ended")
    drop_calls([follow_up], because="paused", at=at)
    return states.enter_state(follow_up, kind, at=at, by=by, reason=reason)


def plan_readings(follow_up: FollowUp, at: datetime) -> None:
    """Bring readings and their reminders in line with the follow-up's exposures, windows and zones. One that has
    ended asks for nothing more."""
    if follow_up.ended_at is not None and follow_up.ended_at <= at:
        Planned.objects.filter(follow_up=follow_up).delete()
        return
    replanned = expected.plan_checks(follow_up, at=at)
    reminders.withdraw_rungs(replanned.withdrawn, at=at)
    reminders.plan_rungs(replanned.added, follow_up.worker)
    Planned.objects.update_or_create(follow_up=follow_up, defaults={"at": at})


def withdraw_unopened(follow_up: FollowUp, at: datetime) -> None:
    """The readings that have not opened are no longer asked for. One that was excused beforehand stays."""
    unopened = list(follow_up.checks.filter(withdrawn_at=None, opens_at__gt=at, fills=None))
    mark_withdrawn(Check.objects.filter(pk__in=[check.pk for check in unopened]), at=at)
    reminders.withdraw_rungs(unopened, at=at)


def plan_unopened_again(follow_up: FollowUp, at: datetime) -> None:
    """All of them, moved or not: a reminder is stored once per reading, so other quiet hours need new readings."""
    withdraw_unopened(follow_up, at)
    plan_readings(follow_up, at)


def drop_calls(follow_ups: Iterable[FollowUp], *, because: str, at: datetime) -> None:
    """Nobody has to be rung about these any more; nor tried again who is followed up no more."""
    follow_ups = list(follow_ups)
    workers = {follow_up.worker_id for follow_up in follow_ups}
    followed = FollowUp.objects.filter(worker__in=workers, ended_at=None).values("worker")
    tries = Q(worker__in=workers, key__startswith=duties.TRY) & ~Q(worker__in=followed)
    calls = Promise.objects.open().filter(Q(follow_up__in=follow_ups) | tries, kind=Promise.Kind.CALL)
    promises.drop(calls, because=because, at=at)


def replan_follow_up(*, follow_up_id: int, at: datetime) -> None:
    """Bring one follow-up's unopened readings in line with its exposures, windows and zones of today."""
    with of(Worker.objects.get(follow_ups=follow_up_id), at=at):
        follow_up = locked_follow_up(FollowUp(pk=follow_up_id))
        plan_readings(follow_up, at)
