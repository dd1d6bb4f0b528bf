"""What the queues run. A task carries ids only and wraps the function that the clock process calls."""

from celery import shared_task

from exposure import clock, pipeline
from exposure.people.sessions import clear_expired_sessions
from exposure.record import acting


@shared_task
def tick() -> None:
    """Everything that time causes now; losing, doubling or delaying a tick is harmless."""
    at = clock.now()
    with acting("task:tick", "queue", at=at):
        pipeline.pass_time(at=at)
        for follow_up_id in pipeline.follow_ups_to_replan(at=at):
            replan.delay(follow_up_id)
        clear_expired_sessions(at=at)


@shared_task
def replan(follow_up_id: int) -> None:
    """Bring one follow-up's unopened readings in line with today's time-zone rules and windows."""
    at = clock.now()
    with acting("task:replan", "queue", at=at):
        pipeline.replan_follow_up(follow_up_id=follow_up_id, at=at)
