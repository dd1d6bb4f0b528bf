"""The worker is told, by a person: of a report, of an exposure, of what has changed for them. Messages come after.

The same again changes nothing; another way of telling, where one stands, is kept, and Conflict raised with what stands.
"""

from datetime import datetime, timedelta

from django.utils.translation import gettext as _

from exposure.attend import alerts, duties, promises
from exposure.attend.models import Alert, Promise
from exposure.followup.models import Exposure
from exposure.people.access import require_on
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.refusal import BadSubmission, NotYet, Problem
from exposure.report.models import Breach, Told
from exposure.report.moments import slip_in

Cause = Alert.Cause
CLOCK_GRACE = timedelta(minutes=10)  # for clocks that go wrong


def tell_worker(*, breach: Breach, how: str, told_at: datetime, by: User, at: datetime) -> Told:
    """Record that the worker was told, in person or by telephone: messages may start."""
    require_on(by, Deed.TELL, breach, at=at)
    _require_how(how, "/by")
    if slip := slip_in(told_at, "/at", at=at + CLOCK_GRACE):
        raise BadSubmission(slip)
    with turn.of(breach.worker, at=at) as own:
        breach = turn.locked_breach(breach)
        standing = breach.tellings.first()
        if standing is not None:
            if standing.by != how:
                sent = {"by": how, "at": told_at.isoformat()}
                own.clash(standing, "tell", breach.worker, breach.site, **sent)
            return standing
        told = Told.objects.create(breach=breach, by=how, told_at=told_at)
        duties.keep(breach.worker, [Promise.Kind.TELL], by=by, at=at, breach=breach)
        alerts.close_all(breach, (Cause.UNTOLD,), by, at)
        return told


def tell_of_exposure(*, exposure: Exposure, how: str, by: User, at: datetime) -> Exposure:
    """Record that the worker was told of it, in person or by telephone: messages may start. Once."""
    worker = exposure.follow_up.worker
    require_on(by, Deed.TELL, worker, at=at)
    _require_how(how, "/how")
    with turn.of(worker, at=at) as own:
        exposure = Exposure.objects.select_related("follow_up__worker", "follow_up__site").get(pk=exposure.pk)
        follow_up = exposure.follow_up
        if exposure.told_at is not None:
            if exposure.told_by != how:
                own.clash(exposure, "tell", follow_up.worker, follow_up.site, how=how)
            return exposure
        exposure.told_at, exposure.told_by = at, how
        exposure.save()
        duties.keep(follow_up.worker, [Promise.Kind.TELL], by=by, at=at, exposure=exposure)
        if not follow_up.exposures.filter(withdrawn_at=None, breach=None, told_at=None).exists():
            alerts.close_all(follow_up, (Cause.UNTOLD,), by, at)
        return exposure


def tell_of_change(*, telling: Promise, how: str, by: User, at: datetime) -> Promise:
    """Record that the worker was told what has changed for them, in person or by telephone. Once; NotYet where a later
    change has taken its place."""
    worker = telling.worker
    assert worker is not None  # a change is always somebody's
    require_on(by, Deed.TELL, telling, at=at)
    _require_how(how, "/how")
    with turn.of(worker, at=at) as own:
        telling = Promise.objects.select_for_update(of=("self",)).select_related("site", "worker").get(
            pk=telling.pk
        )  # fmt: skip
        if telling.void_at is not None:
            raise NotYet("no_longer_asked")
        if telling.kept_at is not None:
            if telling.note != how:
                own.clash(telling, "tell", worker, telling.site, how=how)
            return telling
        promises.keep([telling], by=by, at=at, note=how)
        return telling


def _require_how(how: str, pointer: str) -> None:
    if how not in dict(Told.HOW):
        raise BadSubmission(Problem(pointer, _("Say whether in person or by telephone.")))
