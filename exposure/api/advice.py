"""What somebody who has sent a reading must know next, in the words that the pages use."""

from datetime import datetime

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from exposure.attend.overview import overviews
from exposure.followup.store_reading import Logged, follow_ups_taking_readings
from exposure.people.models import Worker


def advice(logged: Logged, worker: Worker, *, at: datetime) -> str:
    """Stop and call; or recorded, to be repeated where a medicine may hide a fever, and when the next one is."""
    if logged.stop:
        return _stop(worker)
    ring = _("If you feel ill before that, do not wait: ring %(number)s") % {"number": worker.site.phone}
    return " ".join([*_recorded(logged), _next(worker, at), ring + "."])


def _stop(worker: Worker) -> str:
    site = worker.site
    return " ".join(
        [
            _("Stop, and call") + f" {site.phone}.",
            _("At home: stay in a room alone."),
            _("Out or at work: move away from people, put on a mask, no public transport."),
            _(
                "No answer in 15 minutes, or bleeding, trouble breathing, confusion: call %(number)s and say "
                "first: I am being monitored after contact with a dangerous infection."
            )
            % {"number": site.emergency_phone},
        ]
    )


def _recorded(logged: Logged) -> list[str]:
    if logged.state == "repeat_due":
        return [_("Recorded. Please repeat it") + ":", _("medicine against fever can hide one.")]
    return [_("Recorded") + "."]


def _next(worker: Worker, at: datetime) -> str:
    """The next reading that has not opened, in any follow-up, by the worker's clock."""
    every = overviews(follow_ups_taking_readings(worker, at=at), at=at)
    coming = [now.next_line.check for now in every if now.next_line]
    if not coming:
        return _("No further reading is planned.")
    check = min(coming, key=lambda check: check.opens_at)
    opens, closes = (moment.astimezone(worker.zone) for moment in (check.opens_at, check.closes_at))
    clock = pgettext("date format: 07:40", "H:i")
    words = {
        "day": date_format(opens, pgettext("date format: Wednesday 25 November", "l j F")),
        "opens": date_format(opens, clock),
        "closes": date_format(closes, clock),
    }
    return _("The next one is on %(day)s between %(opens)s and %(closes)s.") % words
