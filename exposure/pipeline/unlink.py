"""Two records that were linked prove to be two people's after all: everything goes back to where its versions say.

Possible until somebody has written something on the record that they became.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.attend.models import Alert, AlertEntry, Call, Promise
from exposure.classify.models import Assessment
from exposure.clear.models import Clearance
from exposure.followup import states
from exposure.followup.models import (
    Exposure,
    Fill,
    FollowUp,
    FollowUpState,
    PrivateNote,
    Protection,
    Reading,
    UnplacedReading,
)
from exposure.people.access import require_on
from exposure.people.models import User, Worker
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.record import because as because_of
from exposure.record import update_many
from exposure.refusal import NotYet, require_text
from exposure.report.models import Breach, Removal, Told, WithdrawalRequest

# Model -> the paths to whom its rows are about. Of what is written once the row counts, of the rest its versions.
ONCE: dict[Any, tuple[str, ...]] = {
    Reading: ("worker",),
    UnplacedReading: ("worker",),
    Call: ("worker",),
    Protection: ("worker",),
    Fill: ("check_row__follow_up__worker",),
    Told: ("breach__worker",),
    Assessment: ("breach__worker",),
    WithdrawalRequest: ("breach__worker",),
    AlertEntry: ("alert__worker", "alert__follow_up__worker", "alert__breach__worker"),
}
VERSIONED: dict[Any, tuple[str, ...]] = {
    Breach: ("worker",),
    Removal: ("worker",),
    Promise: ("worker",),
    PrivateNote: ("worker",),
    FollowUp: ("worker",),
    FollowUpState: ("follow_up__worker",),
    Exposure: ("follow_up__worker",),
    Clearance: ("follow_up__worker",),
}
PEOPLE = ("user:", "device:")


def link_of(worker: Worker) -> Any:
    """The version with which the worker was linked to whom they are linked to; None where they are to nobody."""
    if worker.same_as_id is None:
        return None
    return worker.history.filter(same_as=worker.same_as_id).order_by("history_id").first()


def written_since(worker: Worker) -> list[Any]:
    """What stands against undoing the link, at most one row of a kind: what people have written about either since, and
    a protection that was entered for both."""
    link = link_of(worker)
    both = [worker.pk, worker.same_as_id or worker.pk]
    found: list[Any] = []
    undone = _links_since(both, link.history_date)
    for model, paths in ONCE.items():
        rows = model.objects.filter(_about(paths, both), recorded_at__gt=link.history_date)
        rows = rows.exclude(recorded_at__in=undone)
        found += _newest(rows.filter(_by_people("recorded_by")).order_by("-recorded_at"))
    for model, paths in VERSIONED.items():
        rows = model.objects.filter(_about(paths, both)).values("pk")
        versions = model.history.filter(id__in=rows, history_date__gt=link.history_date)
        versions = versions.exclude(history_date__in=undone)
        versions = versions.filter(_by_people("history_user_id")).order_by("-history_id")
        found += _newest(model.objects.filter(pk__in=versions.values("id")[:1]))
    found += _newest(Protection.objects.filter(worker=worker.same_as_id, recorded_at=link.history_date))
    return found


def _links_since(people: list[int], since: datetime) -> list[datetime]:
    """When either was linked and unlinked since: what that wrote is where it was again."""
    versions = Worker.history.filter(id__in=people, history_date__gt=since)
    return [
        version.history_date
        for version in versions
        if (before := version.prev_record) is not None and before.same_as_id != version.same_as_id
    ]


def _about(paths: tuple[str, ...], people: list[int]) -> Q:
    condition = Q()
    for path in paths:
        condition |= Q(**{f"{path}__in": people})
    return condition


def _by_people(actor: str) -> Q:
    condition = Q()
    for kind in PEOPLE:
        condition |= Q(**{f"{actor}__startswith": kind})
    return condition


def _newest(rows: QuerySet) -> list[Any]:
    return list(rows[:1])


@turn.again_after_deadlock
def unlink_worker(*, worker: Worker, reason: str, by: User, at: datetime) -> Worker:
    """They are two people: what the link has moved goes back, an open alert is raised anew where it was, and readings
    are planned again. What was void stays void. Returns the record that is by itself again.

    Raises BadSubmission at /reason, and NotYet where it is not linked, was linked before the record that it now belongs
    to was, or something was written since.
    """
    for person in filter(None, (worker, worker.same_as)):
        require_on(by, Deed.LINK, person, at=at)
    require_text(reason, "/reason", _("Say how you know that they are two people."))
    with turn.of(worker, at=at) as own, because_of(reason):
        worker = next(one for one in own.taken if one.pk == worker.pk)
        link = link_of(worker)
        if link is None:
            raise NotYet("not_linked")
        before = link.prev_record
        if before is not None and before.same_as_id is not None:
            raise NotYet("linked_before")
        if written_since(worker):
            raise NotYet("written_since")
        known = next(one for one in own.taken if one.pk == worker.same_as_id)
        _give_back(worker, known, link, by, at, reason)
        return worker


def _give_back(worker: Worker, known: Worker, link: Any, by: User, at: datetime, reason: str) -> None:
    for model, field in ((Breach, "worker"), (Removal, "worker"), (Worker, "same_as"), (FollowUp, "worker")):
        for row, earlier in _changed(model, link, field):
            if getattr(earlier, f"{field}_id") == worker.pk:
                setattr(row, field, worker)
                row.save()
    for row, earlier in _changed(Exposure, link, "follow_up"):
        row.follow_up_id = earlier.follow_up_id
        row.save()
    for row, earlier in _changed(FollowUp, link, "opened_at"):
        row.opened_at = earlier.opened_at
        row.save()
    _give_back_telephone(known, link)
    _give_back_note(known, link)
    worker.same_as = None
    worker.save()
    _give_back_promises(worker, known)
    for follow_up in worker.follow_ups.select_related("worker__site", "site"):
        _go_on_alone(follow_up, link, by, at, reason)
    _raise_again(worker, known, link, by, at)
    for follow_up in FollowUp.objects.filter(worker__in=(worker, known), ended_at=None):
        turn.plan_readings(turn.locked_follow_up(follow_up), at)


def _changed(model: Any, link: Any, field: str) -> Iterator[tuple[Any, Any]]:
    """(row, its version before) of the rows of which the link has changed that field."""
    same = {
        "history_date": link.history_date,
        "history_user_id": link.history_user_id,
        "history_change_reason": link.history_change_reason,
    }
    name = model._meta.get_field(field).attname
    earlier: dict[int, Any] = {}
    for version in model.history.filter(**same, history_type="~").order_by("history_id"):
        before = version.prev_record
        if before is not None and getattr(before, name) != getattr(version, name):
            earlier.setdefault(version.id, before)
    for row in model.objects.filter(pk__in=earlier).order_by("pk"):
        yield row, earlier[row.pk]


def _give_back_telephone(known: Worker, link: Any) -> None:
    for row, earlier in _changed(Worker, link, "phone"):
        if row.pk == known.pk and row.phone == link.phone:
            known.phone = earlier.phone
            known.save()


def _give_back_note(known: Worker, link: Any) -> None:
    """What the other's note has added to this one's goes; a note that was made by it is empty."""
    note = PrivateNote.objects.filter(worker=known).first()
    if note is None:
        return
    before = note.history.filter(history_date__lt=link.history_date).order_by("-history_id").first()
    note.text = before.text if before is not None else ""
    note.fever_unreliable = before.fever_unreliable if before is not None else False
    note.save()


def _give_back_promises(worker: Worker, known: Worker) -> None:
    """What must be done about the rows that went back; what nobody wants any more is void, as ever."""
    about = Q(exposure__follow_up__worker=worker) | Q(breach__worker=worker) | Q(follow_up__worker=worker)
    about |= Q(alert__worker=worker) | Q(kind=Promise.Kind.IDENTIFY, key=str(worker.uid))
    moving = list(Promise.objects.filter(about, worker=known))
    for promise in moving:
        promise.worker = worker
    if moving:
        update_many(Promise, moving, ["worker"])


def _go_on_alone(follow_up: FollowUp, link: Any, by: User, at: datetime, reason: str) -> None:
    """One that had joined another runs by itself again, in the state in which it was."""
    newest = follow_up.states.order_by("-id")[:2]
    joined = [one for one in newest if one.kind == FollowUpState.Kind.JOINED]
    if not joined or newest[0].kind != FollowUpState.Kind.JOINED or joined[0].from_at != link.history_date:
        return
    kind = newest[1].kind if len(newest) > 1 else FollowUpState.Kind.PROVISIONAL
    follow_up.ended_at = None
    follow_up.save()
    states.enter_state(follow_up, kind, at=at, by=by.actor, reason=reason)


def _raise_again(worker: Worker, known: Worker, link: Any, by: User, at: datetime) -> None:
    """Alerts that the link closed are raised where they were; those that it opened instead are closed. One that joined
    an alert which was open there before stays: somebody looks."""
    closed = Alert.objects.filter(
        Q(worker=worker) | Q(follow_up__worker=worker),
        closed_at=link.history_date,
        outcome=Alert.Outcome.EVALUATED,
    )
    for alert in closed.select_related("worker", "follow_up", "site").order_by("pk"):
        alerts.raise_copy(alert, alert.follow_up or worker, at=at)
    opened = Alert.objects.select_for_update(of=("self",)).filter(
        Q(worker=known) | Q(follow_up__worker=known), raised_at=link.history_date, times=1, closed_at=None,
        cause__in=closed.values("cause"),
    )  # fmt: skip
    for alert in opened.order_by("pk"):
        note = _("The link was undone: it goes on where it was.")
        alerts.close(alert, outcome=Alert.Outcome.EVALUATED, note=note, by=by, at=at)
