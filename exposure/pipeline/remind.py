"""What time causes, and how the worker wants to be reminded."""

from datetime import datetime
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils.translation import gettext as _

from exposure.attend import alerts
from exposure.attend.models import Alert
from exposure.people.models import User, Worker
from exposure.pipeline import report, turn
from exposure.remind.outbox import deliver
from exposure.remind.sweep import sweep

Cause = Alert.Cause


def pass_time(*, at: datetime) -> dict[str, int]:
    """Everything that time causes, then what waits in the outbox: what clock process and queue call."""
    done = {"unfinished_marks": report.send_unfinished_marks(at=at), **sweep(at=at)}
    return {**done, "delivered": deliver(at=at)}


def change_settings(*, worker: Worker, by: User, at: datetime, **settings: Any) -> Worker:
    """The worker's own unit, phone_only, quiet_from, quiet_until and own_zone. Where zone or quiet hours change, the
    readings that have not opened, and their reminders, are planned anew."""
    if worker.user_id != by.pk:
        raise PermissionDenied
    with transaction.atomic():
        worker = Worker.objects.select_for_update(of=("self",)).select_related("site").get(pk=worker.pk)
        before = (worker.own_zone, worker.quiet_from, worker.quiet_until)
        was_by_phone = worker.phone_only
        for name in ("unit", "phone_only", "quiet_from", "quiet_until", "own_zone"):
            setattr(worker, name, settings.get(name, getattr(worker, name)))
        worker.save()
        if worker.phone_only and not was_by_phone:
            because = _("Chose to be reached by telephone only: no reminder is sent.")
            alerts.raise_alert(worker, Cause.CALL_ME, because, site=worker.site, at=at)
        if (worker.own_zone, worker.quiet_from, worker.quiet_until) != before:
            for follow_up in worker.follow_ups.filter(ended_at=None):
                turn.plan_unopened_again(follow_up, at)
        return worker
