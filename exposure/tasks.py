"""What the queues run. A task carries ids only and wraps the function that the clock process calls."""

from celery import shared_task

from exposure import clock
from exposure.audit import keeping
from exposure.interop import handover_files
from exposure.pipeline import remind
from exposure.record import acting
from exposure.remind.outbox import deliver

SEND_FOR = 60.0  # seconds of a clock that cannot be set


@shared_task
def tick() -> None:
    """Everything that time causes now; losing, doubling or delaying a tick is harmless."""
    at = clock.now()
    with acting("task:tick", "queue", at=at):
        remind.pass_time(at=at, running=clock.running())
        remind.tidy(at=at)


@shared_task
def handover() -> None:
    """The hand-over lists that are due outside the server."""
    at = clock.now()
    with acting("task:handover", "queue", at=at):
        handover_files.write_due(at=at)


@shared_task
def send() -> None:
    """What waits in the outbox, for not much longer than a minute; the next tick goes on."""
    began = clock.running()
    with acting("task:send", "queue", at=clock.now()):
        deliver(now=clock.now, going_on=lambda: clock.running() - began < SEND_FOR)


@shared_task
def seal() -> None:
    """What has no seal yet; losing, doubling or delaying it is harmless."""
    keeping.keep(at=clock.now())
