"""A removal as a station's tablet sends it once it is over, read leniently: whatever is odd is left out or taken at its
arrival, and nothing is refused. Pure.

    {"submission_id", "kind": "removal", "station", "protocol", "worker" or "person": {"name"}, "drill", "watched",
     "started_at", "finished_at", "paused_at", "way_out_at", "at_step", "device_clock": {"at", "offset_ms"},
     "observer": {"badge", "digits"}, "marks": [{"id", "step", "at", "failure", "no_contact_at", "certain",
     "aid_begun_at"}, ...]}

Moments are RFC 3339, right by the service's clock as far as the tablet knew it. A mark's `id` is the `submission_id` of
its report, where one was made. `no_contact_at`: no contact was possible; `certain`: said again where what was marked
pierces, or reaches eyes, nose, mouth or broken skin.
"""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from exposure.report.submission import YEARS, read_instant, storable

KIND = "removal"


@dataclass(frozen=True)
class SentMark:
    """One tap that something went wrong. `marked_at` is never after the arrival; texts are "" where absent."""

    uid: uuid.UUID
    step: str
    marked_at: datetime
    failure: str
    no_contact_at: datetime | None
    certain: bool
    aid_begun_at: datetime | None


@dataclass(frozen=True)
class SentRemoval:
    """What could be read of it. `name`: as typed, of somebody who is on no list. No moment is after the arrival, and
    it ends after its start."""

    uid: uuid.UUID
    station: str
    protocol: str
    worker: str
    name: str
    drill: bool
    watched: str
    badge: str
    started_at: datetime
    finished_at: datetime | None
    paused_at: datetime | None
    way_out_at: datetime | None
    at_step: int
    marks: tuple[SentMark, ...]


def is_removal(body: Mapping[str, Any]) -> bool:
    """Whether what was sealed is a removal; anything else is a report."""
    return body.get("kind") == KIND


def read_removal(body: Mapping[str, Any], *, at: datetime) -> SentRemoval:
    """Read what was opened (its `submission_id` is a UUID already). `at`: its arrival."""
    said = storable(dict(body))
    uid = uuid.UUID(said["submission_id"])
    started_at = _moment(said.get("started_at"), at) or at
    finished_at = said.get("finished_at") and max(_moment(said["finished_at"], at) or at, started_at)
    marks = said.get("marks")
    return SentRemoval(
        uid=uid,
        station=_text(said, "station"),
        protocol=_text(said, "protocol"),
        worker=_text(said, "worker"),
        name=_text(said.get("person"), "name")[:200],
        drill=said.get("drill") is True,
        watched=_text(said, "watched"),
        badge=_text(said.get("observer"), "badge"),
        started_at=started_at,
        finished_at=finished_at or None,
        paused_at=_moment(said.get("paused_at"), at),
        way_out_at=_moment(said.get("way_out_at"), at),
        at_step=_position(said.get("at_step")),
        marks=tuple(_mark(uid, place, one, at) for place, one in enumerate(_list(marks))),
    )


def _mark(removal: uuid.UUID, place: int, said: Any, at: datetime) -> SentMark:
    """One whose id cannot be read gets its own, the same each time it is sent."""
    try:
        uid = uuid.UUID(_text(said, "id"))
    except ValueError:
        uid = uuid.uuid5(removal, str(place))
    said = said if isinstance(said, dict) else {}
    no_contact = said.get("no_contact_at")
    return SentMark(
        uid=uid,
        step=_text(said, "step"),
        marked_at=_moment(said.get("at"), at) or at,
        failure=_text(said, "failure"),
        no_contact_at=(_moment(no_contact, at) or at) if no_contact else None,
        certain=said.get("certain") is True,
        aid_begun_at=_moment(said.get("aid_begun_at"), at),
    )


def _text(said: Any, name: str) -> str:
    value = said.get(name) if isinstance(said, dict) else None
    return value.strip() if isinstance(value, str) else ""


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _position(value: Any) -> int:
    is_one = isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 999
    return value if is_one else 1


def _moment(text: Any, at: datetime) -> datetime | None:
    """None where it names no instant; one that has not come yet is the arrival."""
    moment = read_instant(text)
    if moment is None or moment.tzinfo is None or moment.year not in YEARS:
        return None
    return min(moment.astimezone(UTC), at)
