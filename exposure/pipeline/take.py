"""A removal that a station's tablet watched without a network is taken in, with its marks."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from exposure.people.models import User, Worker
from exposure.pipeline.remove import nobody_can_call
from exposure.places.models import FailureType, Protocol, Station
from exposure.record import because
from exposure.refusal import Conflict
from exposure.report.models import Mark, Removal
from exposure.report.removals import named_in
from exposure.report.sent_removal import SentMark, SentRemoval, read_removal
from exposure.report.submission import uid_in


class NoSuchProtocol(Exception):
    """A removal names a protocol that was never here: it cannot stand as one."""


@dataclass(frozen=True)
class TakenRemoval:
    """A removal as it stands. `created` is False when the same came again. `unplaced`: marks that fit no step of its
    protocol, or whose id is another's."""

    removal: Removal
    created: bool
    unplaced: tuple[SentMark, ...]


def take_removal(*, body: Mapping[str, Any], device: User, noted: str = "", at: datetime) -> TakenRemoval:
    """Store a removal that a station's tablet watched without a network, its marks with it, once per `submission_id`,
    at the moments of the taps. Nothing is refused for its content: a protocol that is no longer in use counts, and
    whoever nobody knows is named as typed.

    `noted` stands with the reason of its first version. Raises NoSuchProtocol, and Conflict where the id stands for
    something else.
    """
    with transaction.atomic():
        User.objects.select_for_update(no_key=True).get(pk=device.pk)  # the same sent twice at once
        standing = Removal.objects.filter(uid=body["submission_id"]).select_related("protocol").first()
        sent = _sent_before(standing, body, device) if standing else read_removal(body, at=at)
        removal = standing or _store_sent(sent, device, noted)
        unplaced = tuple(mark for mark in sent.marks if not _store_mark(removal, mark))
        return TakenRemoval(removal, standing is None, unplaced)


def prove_observer(*, removal: Removal, observer: User, at: datetime) -> None:
    """Badge and digits were right: it is theirs from now on, as one that they watched signed in."""
    with transaction.atomic(), because("Badge and digits proved who observed."):
        removal = Removal.objects.select_for_update(of=("self",)).get(pk=removal.pk)
        removal.observer = observer
        removal.save()


def _store_sent(sent: SentRemoval, device: User, noted: str) -> Removal:
    """As read, in the tablet's name: who observed is proved after it stands, or stays as stated in its version."""
    protocol = Protocol.objects.filter(code=sent.protocol).first()
    if protocol is None:
        raise NoSuchProtocol
    station = _station_named(sent.station, device)
    worker = _worker_named(sent, station)
    stated = (
        f"Observed by “{sent.badge}”, as stated at the tablet."
        if sent.badge
        else "Sent by a station's tablet."
    )
    with because(f"{stated} {noted}".strip()):
        return Removal.objects.create(
            uid=sent.uid,
            site=station.site,
            station=station,
            protocol=protocol,
            worker=worker,
            unlisted=worker is not None and nobody_can_call(worker),
            observer=device,
            watched=sent.watched if sent.watched in Removal.Watched.values else Removal.Watched.OBSERVER,
            drill=sent.drill,
            at_step=sent.at_step,
            started_at=sent.started_at,
            finished_at=sent.finished_at,
            paused_at=sent.paused_at,
            way_out_at=sent.way_out_at,
        )


def _sent_before(removal: Removal, body: Mapping[str, Any], device: User) -> SentRemoval:
    """The same sent again, read as of its first arrival. Raises Conflict where the one that stands is another's, or was
    sent otherwise."""
    first = removal.history.filter(history_type="+", observer_id=device.pk).first()
    if first is None:
        raise Conflict
    sent = read_removal(body, at=first.history_date)
    stood = (removal.protocol.code, first.drill, first.started_at, first.finished_at, first.at_step)
    if stood != (sent.protocol, sent.drill, sent.started_at, sent.finished_at, sent.at_step):
        raise Conflict
    return sent


def _station_named(code: str, device: User) -> Station:
    """Of the tablet's site; the tablet's own where that names none: it may have moved since."""
    own = device.device_of
    assert own is not None  # a device is of a station
    return Station.objects.filter(site=own.site, code=code).select_related("site").first() or own


def _worker_named(sent: SentRemoval, station: Station) -> Worker | None:
    """By number or uid, or as typed; None where nobody was named, or whose record is gone since."""
    worker = Worker.objects.filter(number__iexact=sent.worker).first() if sent.worker else None
    uid, typed = uid_in(sent.worker), sent.name
    if uid is not None:
        worker = worker or Worker.objects.filter(uid=uid).first()
    elif sent.worker:
        typed = sent.worker[:200]
    if worker is not None or not typed:
        return worker and (worker.same_as or worker)
    already = named_in(str(sent.uid), typed, station.site)
    return already or Worker.objects.create(site=station.site, name=typed)


def _store_mark(removal: Removal, sent: SentMark) -> bool:
    """Whether it stands now: not where its step is none of the protocol's, or its id is another's."""
    standing = Mark.objects.filter(uid=sent.uid).first()
    if standing is not None:
        return standing.removal_id == removal.pk
    step = removal.protocol.steps.filter(code=sent.step).first()
    if step is None:
        return False
    failure = FailureType.objects.filter(code=sent.failure).first()
    doubtful = failure is not None and failure.bloodborne and not sent.certain
    Mark.objects.create(
        uid=sent.uid,
        removal=removal,
        step=step,
        failure=failure,
        marked_at=sent.marked_at,
        deviation_at=None if doubtful else sent.no_contact_at,
        aid_begun_at=sent.aid_begun_at,
    )
    return True
