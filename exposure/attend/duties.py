"""What people must do about one worker, and by when: derived from reports, plans and states, and kept in step.

`settle` can be called after any change: a time follows the plan in force, what was done stays done, and what has lost
its cause is void. What nothing here derives (a next look, a call, a review) is asked for by whoever causes it.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, QuerySet, Subquery
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from exposure.attend import promises
from exposure.attend.changes import CHANGE
from exposure.attend.models import Alert, Promise
from exposure.classify.criteria import text
from exposure.classify.models import Assessment
from exposure.classify.plan import Duration
from exposure.classify.plan import Task as PlannedTask
from exposure.classify.standing import awaiting_signature, in_force_of
from exposure.followup.models import Exposure, FollowUp, FollowUpState
from exposure.followup.plans import is_readable, plan_in_force, plan_of
from exposure.followup.schedule import end_of_day
from exposure.people.models import User, Worker
from exposure.record import update_many
from exposure.report.models import Breach, Told

Kind = Promise.Kind
State = FollowUpState.Kind
DERIVED = (Kind.TELL, Kind.CONFIRM, Kind.TASK, Kind.IDENTIFY)
CLEARANCE = "clearance"
SILENT = "silent"  # begins the key of a call that silence asks for
TRY = "try"  # begins the key of a call that is to be tried again
NO_ADDRESS = "no_address"  # begins the key of a call to ask how to reach somebody
SIGN_WITHIN = timedelta(hours=24)  # after the last day, or after the first signature; local choice
# What lateness of a promise raises; a next look asks again on its own alert, a version's signature raises none.
LATE_CAUSES = {
    Kind.TELL: Alert.Cause.UNTOLD,
    Kind.CONFIRM: Alert.Cause.LATE_CONFIRMATION,
    Kind.TASK: Alert.Cause.LATE_TASK,
    Kind.REVIEW: Alert.Cause.LATE_REVIEW,
    Kind.SIGN: Alert.Cause.LATE_SIGNATURE,
    Kind.CALL: Alert.Cause.LATE_CALL,
}
# However a follow-up ended so, nobody has to speak with the worker about its reports any more.
OVER = frozenset({State.FELL_ILL, State.HANDED_OVER, State.DECLINED, State.LEFT, State.LOST, State.DIED})


def settle(worker: Worker, *, at: datetime, because: str = "cause_ended") -> None:
    """Bring all derived promises about the worker in line with what stands. Inside a transaction, in their turn."""
    record = _Record(worker)
    _carry_corrected(record)
    standing = [
        promise
        for promise in Promise.objects.filter(worker=worker, void_at=None).select_related("kept_by")
        if (
            (promise.kind in DERIVED and not promise.key.startswith(CHANGE))
            or (promise.kind == Kind.SIGN and promise.version_id is None)
            or record.has_ended(promise)
        )
        and promise.exposure_id not in record.unreadable
    ]
    _sign_again(standing, record, at)
    record.kept = {
        (promise.exposure_id, promise.key): promise.kept_at
        for promise in standing
        if promise.kind == Kind.TASK
    }
    promises.settle(standing, _wanted(record), at=at, because=because)


def _sign_again(standing: Iterable[Promise], record: "_Record", at: datetime) -> None:
    """A clearance that was signed and does not stand any more, because the follow-up goes on, is asked for anew."""
    running = {follow_up.pk for follow_up in record.follow_ups if follow_up.ended_at is None}
    again = [
        promise
        for promise in standing
        if promise.key == CLEARANCE and promise.kept_at is not None and promise.follow_up_id in running
    ]
    for promise in again:
        promise.kept_at = promise.kept_by = promise.noticed_at = None
        promise.asked_at = at
    if again:
        update_many(Promise, again, ["kept_at", "kept_by", "noticed_at", "asked_at"])


def move(worker: Worker, into: Worker, *, at: datetime) -> None:
    """Whatever is asked about `worker` is asked about the other record, which proved to be the same person's."""
    moving = list(worker.promises.all())
    for promise in moving:
        promise.worker = into
    if moving:
        update_many(Promise, moving, ["worker"])
    settle(into, at=at)


class _Record:
    """What stands about one worker, read once."""

    def __init__(self, worker: Worker) -> None:
        self.worker = worker
        self.breaches = list(worker.breaches.filter(drill=False).select_related("site", "confirmed_by"))
        self.follow_ups = list(worker.follow_ups.select_related("site"))
        self.exposures: dict[int, list[Exposure]] = defaultdict(list)
        rows = Exposure.objects.filter(follow_up__worker=worker).select_related(
            "assessment__version", "assessment__breach__site", "version", "breach"
        )
        for exposure in rows.order_by("occurred_at", "pk"):
            self.exposures[exposure.follow_up_id].append(exposure)
        self.kept: Mapping[tuple[int | None, str], datetime | None] = {}

    @cached_property
    def unreadable(self) -> frozenset[int]:
        """Exposures whose criteria can no longer be read: what was asked about them stays as it was asked."""
        rows = (exposure for exposures in self.exposures.values() for exposure in exposures)
        return frozenset(exposure.pk for exposure in rows if not is_readable(exposure))

    @cached_property
    def in_force(self) -> dict[int, dict[str, Assessment]]:
        return in_force_of(self.breaches)

    @cached_property
    def told(self) -> dict[int, Told]:
        return {told.breach_id: told for told in Told.objects.filter(breach__in=self.breaches)}

    @cached_property
    def last_states(self) -> dict[int, str]:
        """Follow-up -> the kind of its newest state."""
        states = FollowUpState.objects.filter(follow_up__in=self.follow_ups).order_by("from_at", "id")
        return {state.follow_up_id: state.kind for state in states}

    @property
    def died(self) -> bool:
        return State.DIED in self.last_states.values()

    def has_ended(self, promise: Promise) -> bool:
        """Of what whoever causes it asks for, a call, a review or the telling of a change: whether what it is about has
        ended since."""
        if promise.key.startswith(CHANGE):
            return self.died
        if promise.kind == Kind.CALL:
            ended = {follow_up.pk for follow_up in self.follow_ups if follow_up.ended_at is not None}
            return self.died or promise.follow_up_id in ended
        if promise.kind == Kind.REVIEW:
            return any(breach.pk == promise.breach_id and self.over(breach) for breach in self.breaches)
        return False

    def over(self, breach: Breach) -> bool:
        """Whether nobody has to speak about this report: withdrawn, or all it led to has ended so that it is over."""
        if breach.withdrawn_at is not None or self.died:
            return True
        led_to = [
            follow_up
            for follow_up in self.follow_ups
            if any(exposure.breach_id == breach.pk for exposure in self.exposures[follow_up.pk])
        ]
        return bool(led_to) and all(self.last_states.get(follow_up.pk) in OVER for follow_up in led_to)


def _carry_corrected(record: _Record) -> None:
    """What was asked, or done, about an exposure goes on about the one that corrects it."""
    exposures = [exposure for rows in record.exposures.values() for exposure in rows]
    corrected = {exposure.corrects_id: exposure.pk for exposure in exposures if exposure.corrects_id}
    if not corrected:
        return
    moving = list(Promise.objects.filter(exposure__in=corrected, void_at=None))
    for promise in moving:
        while promise.exposure_id in corrected:
            promise.exposure_id = corrected[promise.exposure_id]
    if moving:
        update_many(Promise, moving, ["exposure"])


def _wanted(record: _Record) -> Iterator[Promise]:
    yield from _who_is_it(record)
    if record.died:  # whichever follow-up says so
        return
    for breach in record.breaches:
        if not record.over(breach):
            yield from _of_breach(breach, record)
    of_follow_ups: list[Promise] = []
    for follow_up in record.follow_ups:
        if follow_up.ended_at is None:
            standing = [row for row in record.exposures[follow_up.pk] if row.withdrawn_at is None]
            of_follow_ups += _of_follow_up(follow_up, standing, record)
    _tell_apart(of_follow_ups)
    yield from of_follow_ups
    yield from _signatures(record)


def _tell_apart(wanted: Iterable[Promise]) -> None:
    """Tasks of two exposures that are called alike say of which each is."""
    tasks = [promise for promise in wanted if promise.kind == Kind.TASK]
    alike = Counter(task.title for task in tasks)
    for task in tasks:
        exposure = task.exposure
        if alike[task.title] > 1 and exposure is not None:
            day = date_format(exposure.day_zero, pgettext("date format: 2 March", "j F"))
            of = f" ({exposure.follow_up.pathogen.capitalize()}, {day})"
            task.title = task.title[: 200 - len(of)] + of


def _who_is_it(record: _Record) -> Iterator[Promise]:
    """Of somebody who was typed in by name: until they are linked, or somebody says that they are on no list."""
    worker = record.worker
    reported = any(breach.withdrawn_at is None for breach in record.breaches)
    if worker.is_unlisted and (reported or record.follow_ups):
        yield Promise(
            site=worker.site,
            worker=worker,
            kind=Kind.IDENTIFY,
            key=str(worker.uid),
            title=_("Typed in by name, without a number: is it somebody on the list?"),
            basis="no number",
        )


def _of_breach(breach: Breach, record: _Record) -> Iterator[Promise]:
    """Tell the worker; speak with them and confirm, within the shortest time of the plans in force."""
    about = {"site": breach.site, "worker": record.worker, "breach": breach, "asked_at": breach.reported_at}
    plans = [plan_in_force(assessment) for assessment in record.in_force[breach.pk].values()]
    if not plans:
        return
    told = record.told.get(breach.pk)
    minutes = breach.site.told_within_minutes
    yield Promise(
        kind=Kind.TELL,
        title=_("Tell the worker of report %(reference)s, in person or by telephone.")
        % {"reference": breach.reference},
        due_at=breach.reported_at + timedelta(minutes=minutes),
        basis=f"{minutes}m after report",
        kept_at=told.recorded_at if told else None,
        **about,
    )
    soonest = min(plans, key=lambda plan: plan.confirm_within.after(breach.reported_at))
    yield Promise(
        kind=Kind.CONFIRM,
        title=_("Speak with the worker and confirm report %(reference)s.") % {"reference": breach.reference},
        due_at=soonest.confirm_within.after(breach.reported_at),
        basis=f"{soonest.confirm_within} after report",
        kept_at=breach.confirmed_at,
        kept_by=breach.confirmed_by,
        **about,
    )


def _of_follow_up(follow_up: FollowUp, standing: list[Exposure], record: _Record) -> Iterator[Promise]:
    """The tasks of its exposures' plans, telling of exposures that no report led to, and the signature at the end."""
    dated = []
    for exposure in standing:
        if exposure.pk in record.unreadable:
            continue
        if exposure.breach_id is None:
            yield _to_tell(exposure, follow_up, record.worker)
        tasks = list(_tasks(exposure, follow_up, record))
        dated += [task.due_at for task in tasks if task.due_at is not None]
        yield from tasks
    last = max(
        (exposure for exposure in standing if exposure.last_day is not None),
        key=lambda exposure: (exposure.last_day, exposure.occurred_at),
        default=None,
    )
    ready = max(dated, default=None)
    if last is not None and last.last_day is not None:
        ready = end_of_day(last.last_day, ZoneInfo(last.zone))
    if ready is not None:
        yield Promise(
            site=follow_up.site,
            worker=record.worker,
            follow_up=follow_up,
            kind=Kind.SIGN,
            key=CLEARANCE,
            title=_("Sign the clearance, or end the follow-up otherwise."),
            asked_at=follow_up.opened_at,
            not_before=ready,
            due_at=ready + SIGN_WITHIN,
            basis="24h after last day" if last else "24h after last task",
        )


def _to_tell(exposure: Exposure, follow_up: FollowUp, worker: Worker) -> Promise:
    within = plan_of(exposure).confirm_within
    entered_at = exposure.entered_at or exposure.occurred_at
    return Promise(
        site=follow_up.site,
        worker=worker,
        exposure=exposure,
        kind=Kind.TELL,
        title=_("Tell the worker of the exposure (%(source)s), in person or by telephone.")
        % {"source": exposure.get_source_display()},
        asked_at=entered_at,
        due_at=within.after(entered_at),
        basis=f"{within} after recording",
        kept_at=exposure.told_at,
    )


@dataclass(frozen=True)
class _Start:
    """The instants that a task may count from."""

    exposure: Exposure
    record: _Record

    def at(self, name: str) -> datetime | None:
        exposure = self.exposure
        if name == "exposure":
            return exposure.occurred_at
        if name == "report":
            return exposure.breach.reported_at if exposure.breach else exposure.entered_at
        return self.record.kept.get((exposure.pk, name))


def _tasks(exposure: Exposure, follow_up: FollowUp, record: _Record) -> Iterator[Promise]:
    start = _Start(exposure, record)
    for task in plan_of(exposure).tasks:
        due_at = _after(task.due, start.at(task.start))
        yield Promise(
            site=follow_up.site,
            worker=record.worker,
            exposure=exposure,
            kind=Kind.TASK,
            key=task.code,
            title=text(task.title)[:200],
            asked_at=start.at("report") or exposure.occurred_at,
            due_at=due_at,
            not_before=_after(task.not_before, start.at(task.start)),
            warn_at=due_at - task.warn.span(31) if task.warn is not None and due_at is not None else None,
            urgent=task.urgent,
            basis=_basis(task),
        )


def _basis(task: PlannedTask) -> str:
    return f"{task.due} after {task.start}" if task.due is not None else f"after {task.start}"


def _after(span: Duration | None, start: datetime | None) -> datetime | None:
    return span.after(start) if span is not None and start is not None else None


def _signatures(record: _Record) -> Iterator[Promise]:
    """Tiers that a clinician has changed and that wait for a second signature."""
    sites = {breach.pk: breach.site for breach in record.breaches if not record.over(breach)}
    for assessment in awaiting_signature(record.breaches):
        if assessment.breach_id in sites:
            yield Promise(
                site=sites[assessment.breach_id],
                worker=record.worker,
                breach_id=assessment.breach_id,
                kind=Kind.SIGN,
                key=str(assessment.uid),
                title=_("A changed tier takes effect with a second signature."),
                asked_at=assessment.recorded_at,
                due_at=assessment.recorded_at + SIGN_WITHIN,
                basis="24h after first signature",
            )


def keep(worker: Worker, kinds: Iterable[str], *, by: User | None, at: datetime, **which: object) -> None:
    """The worker's open promises of these kinds are done."""
    promises.keep(worker.promises.open().filter(kind__in=kinds, **which), by=by, at=at)


def with_due(breaches: QuerySet[Breach]) -> QuerySet[Breach]:
    """With `confirm_due_at` and `told_due_at`: by when a clinician has to confirm, and to tell the worker; None where
    nobody has to any more."""

    def due(kind: str) -> Subquery:
        return Subquery(Promise.objects.open().filter(breach=OuterRef("pk"), kind=kind).values("due_at")[:1])

    return breaches.annotate(confirm_due_at=due(Kind.CONFIRM), told_due_at=due(Kind.TELL))


def awaits(kind: str) -> Exists:
    """Of a report: that a promise of that kind is open."""
    return Exists(Promise.objects.open().filter(breach=OuterRef("pk"), kind=kind))
