"""What the queues run. A task carries ids only and wraps the function that the clock process calls."""

from celery import shared_task

from exposure import clock
from exposure.pipeline import remind
from exposure.record import acting


@shared_task
def tick() -> None:
    """Everything that time causes now; losing, doubling or delaying a tick is harmless."""
    at = clock.now()
    with acting("task:tick", "queue", at=at):
        remind.pass_time(at=at, running=clock.running())
        remind.tidy(at=at)
