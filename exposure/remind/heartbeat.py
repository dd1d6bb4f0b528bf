"""When each process last ended its round, and how long that took."""

from datetime import datetime

from exposure.remind.models import Heartbeat

ROUND = "round"  # a round has begun: written before anything is used up, and never set back by another round
SWEEP = "sweep"
SENDER = "sender"
READY = "ready"  # only whether the database takes writes: no process, and any web server's clock
SEALER = (
    "sealer"  # everything written was found sealed; late it harms nobody yet, so it is no process of the list
)
PROCESSES = (SWEEP, SENDER)  # what must beat


def beat(name: str, *, at: datetime, seconds: float | None = None, note: str = "") -> None:
    """The process lives at `at`. Where a round has ended, it lasted so many seconds of a clock that cannot be set."""
    lasted = {} if seconds is None else {"seconds": seconds}
    Heartbeat.objects.update_or_create(name=name, defaults={"at": at, "note": note, **lasted})


def begin(*, at: datetime) -> None:
    """A round begins. A mark further ahead stays: it is how a clock that was ahead is noticed."""
    if not Heartbeat.objects.filter(name=ROUND, at__lt=at).update(at=at):
        Heartbeat.objects.get_or_create(name=ROUND, defaults={"at": at})
