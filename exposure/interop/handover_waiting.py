"""Who waits at a site and stands on no line of its hand-over list, because nobody follows them up, or no longer."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from django.db.models import Q, QuerySet
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from exposure.attend.alerts import worker_of
from exposure.attend.flag_words import cause_in_words
from exposure.attend.models import Alert, Promise
from exposure.followup.models import Exposure
from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.remind.sweep import cause_of, subject_of
from exposure.wording import ending_in_words

Narrowing = Callable[[QuerySet], QuerySet]  # to the rows that the reader may see


@dataclass(frozen=True)
class Waiting:
    """One person, with what waits for them in words, the urgent first; `since` is the oldest of it."""

    worker: Worker
    what: tuple[str, ...]
    since: datetime
    urgent: bool

    @property
    def reach(self) -> str:
        return reach_of(self.worker)


def waiting_beside(site: Site, seen: Narrowing, running: QuerySet, *, at: datetime) -> tuple[Waiting, ...]:
    """Everybody of whom an alert or a promise of the site is open that is about none of the `running` follow-ups: the
    urgent first, then who has waited longest. Two statements."""
    exposed = Exposure.objects.filter(
        follow_up__in=running.values("pk"), withdrawn_at=None, breach__isnull=False
    )
    on_a_line = Q(breach__in=exposed.values("breach")) | Q(follow_up__in=running.values("pk"))
    alone = Q(breach=None, follow_up=None, worker__in=running.values("worker"))
    alerts = list(
        seen(Alert.objects.filter(site=site, closed_at=None))
        .exclude(on_a_line | alone)
        .select_related("breach__worker__same_as", "follow_up__worker__same_as", "worker__same_as", "held_by")
    )
    alone &= Q(exposure=None)
    promises = list(
        seen(Promise.objects.waiting(at=at).filter(site=site, worker__isnull=False))
        .exclude(kind=Promise.Kind.LOOK)
        .exclude(on_a_line | alone | Q(exposure__follow_up__in=running.values("pk")))
        .select_related("worker__same_as", "breach", "exposure__follow_up", "follow_up", "held_by")
    )
    found: dict[Worker, list[_Open]] = defaultdict(list)
    for worker, one in _open(alerts, promises, at):
        found[worker.same_as or worker].append(one)
    every = [_of(worker, sorted(rows)) for worker, rows in found.items()]
    return tuple(sorted(every, key=lambda one: (not one.urgent, one.since, one.worker.pk)))


class _Open(NamedTuple):
    """One thing that waits, as it is sorted: what is not `calm` first, then by its own time."""

    calm: bool
    when: datetime
    words: str
    since: datetime


def _open(
    alerts: Iterable[Alert], promises: Iterable[Promise], at: datetime
) -> Iterator[tuple[Worker, _Open]]:
    told = {(alert.breach or alert.follow_up or alert.worker, alert.cause) for alert in alerts}
    for alert in alerts:
        words = cause_in_words(alert.cause)
        if alert.acknowledged_at is not None:
            words = _("%(cause)s, seen") % {"cause": words}
        since = alert.dated_at or alert.raised_at
        yield worker_of(alert), _Open(not alert.urgent, since, with_holder(words, alert), since)
    for promise in promises:
        late = promise.due_at is not None and promise.due_at <= at
        if late and (subject_of(promise), cause_of(promise)) in told:
            continue  # it is the alert that says so
        due = promise.due_at or promise.asked_at
        calm = not (late and promise.urgent)
        yield promise.worker, _Open(calm, due, task_in_words(promise), promise.asked_at)


def _of(worker: Worker, rows: list[_Open]) -> Waiting:
    what = tuple(dict.fromkeys(row.words for row in rows))
    return Waiting(worker, what, min(row.since for row in rows), not rows[0].calm)


def reach_of(worker: Worker) -> str:
    """The telephone, which is needed whole, and then the number."""
    return ", ".join(filter(None, (worker.phone, worker.number)))


def task_in_words(promise: Promise) -> str:
    """What is to be done, by when, and who has it."""
    title = promise.title.removesuffix(".") or promise.get_kind_display()
    if promise.due_at is not None:
        title = _("%(task)s, by %(time)s") % {"task": title, "time": ending(promise.due_at)}
    return with_holder(title, promise)


def with_holder(words: str, row: Alert | Promise) -> str:
    """The words, with the name of who has it, if somebody has."""
    return f"{words} ({row.held_by})" if row.held_by is not None else words


def moment(instant: datetime) -> str:
    """Date and time of day on the page's clock, without the year."""
    return date_format(localtime(instant), pgettext("date format: Wed 25 Nov, 07:40", "D j M, H:i"))


def ending(instant: datetime) -> str:
    """As `moment`; the end of a day is told by the day that ends."""
    return ending_in_words(localtime(instant), with_year=False)
