"""What somebody who has sent a reading must know next, in the words that the pages use."""

from dataclasses import dataclass
from datetime import datetime

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from exposure.attend import told
from exposure.attend.models import Alert
from exposure.attend.overview import Overview, overviews
from exposure.followup.models import Check, FollowUpState, Reading
from exposure.followup.store_reading import Logged, follow_ups_taking_readings
from exposure.people.models import Worker

IN_CARE = (FollowUpState.Kind.EVALUATED, FollowUpState.Kind.ADMITTED)


@dataclass(frozen=True)
class _Standing:
    """What stands for the worker once the reading is in: what they were told of, and the Stops nobody has closed."""

    worker: Worker
    known: tuple[Overview, ...]
    untold: bool  # nobody has told them of anything: no machine may be the first
    news_waits: bool
    stops: tuple[Alert, ...]

    @property
    def in_care(self) -> bool:
        """Whether those who look after them have seen every reason for a Stop."""
        cared_for = any(one.state and one.state.kind in IN_CARE for one in self.known)
        return cared_for and (not self.stops or told.seen_at(self.stops) is not None)


def advice(logged: Logged, worker: Worker, *, at: datetime) -> str:
    """A Stop first, which stands until a clinician closes it, whatever this reading was; else what became of the
    reading, and when the next one is. To somebody whom nobody has told of anything: only whom to ring."""
    now = _standing(worker, at)
    if now.untold:
        return _untold(now, logged)
    if now.stops and not now.in_care:
        before = [] if logged.stop else [_noted(logged)]
        return " ".join([*before, *_stop(now)])
    said = [_noted(logged), *_about(logged)]
    if now.news_waits:
        said.append(_("Please ring") + f" {worker.site.phone}.")
    if now.in_care:
        return " ".join([*said, _("Reminders are paused. Do what the people who look after you say.")])
    ring = _("If you feel ill before that, do not wait and do not walk in: ring") + f" {worker.site.phone}."
    return " ".join([*said, _next(now, logged), ring])


def _standing(worker: Worker, at: datetime) -> _Standing:
    waiting = list(told.unconfirmed_reports(worker))
    hidden = {report.pk for report in waiting if not report.told}
    whole = overviews(follow_ups_taking_readings(worker, at=at), at=at)
    known = [view for one in whole if (view := told.as_told(one, hidden))]
    news = bool(hidden) or any(
        not told.is_told(exposure, hidden) for one in whole for exposure in one.exposures
    )
    untold = news and not known and len(hidden) == len(waiting)
    return _Standing(worker, tuple(known), untold, news, tuple(told.standing_stops(worker)))


def _untold(now: _Standing, logged: Logged) -> str:
    """Nothing that could be news, and yet whom to ring first where it is urgent."""
    site = now.worker.site
    if not logged.stop:
        return _("Please ring") + f" {site.phone}."
    danger = _("Bleeding, trouble breathing, confusion: emergency")
    return f"{_call(_('Please ring now'), site.phone)} {_call(danger, site.emergency_phone)}"


def _stop(now: _Standing) -> list[str]:
    site = now.worker.site
    say_first = _("I am being monitored after contact with a dangerous infection.")
    said = {"number": site.emergency_phone, "say_first": say_first}
    if told.calls_for_emergency(now.stops):
        whom = [
            _call(_("Stop, and call the emergency number"), site.emergency_phone),
            _("Say first: %(say_first)s") % said,
            _("Then ring occupational health, day and night:") + f" {site.phone}.",
        ]
    else:
        whom = [
            _("Stop, and call") + f" {site.phone}.",
            _(
                "No answer in 15 minutes, or bleeding, trouble breathing, confusion: call %(number)s and say first: "
                "%(say_first)s"
            )
            % said,
        ]
    return [
        *whom,
        _("Telephone; do not walk in anywhere."),
        _("At home: stay in a room alone."),
        _("Out or at work: move away from people, put on a mask, no public transport."),
        _("It stands until occupational health has told you otherwise, whatever you measure next."),
    ]


def _call(words: str, number: str) -> str:
    return _("%(words)s: %(number)s.") % {"words": words, "number": number}


def _noted(logged: Logged) -> str:
    if isinstance(logged.row, Reading) and logged.row.could_not:
        return _("Noted: no reading") + "."
    return (_("Recorded. Please repeat it") if logged.state == "repeat_due" else _("Recorded")) + "."


def _about(logged: Logged) -> list[str]:
    if isinstance(logged.row, Reading) and logged.row.could_not:
        return [
            _(
                "Occupational health knows: it stands on their list with your reason, and they ring you. Until then "
                "you can still take it; it counts."
            )
        ]
    if "masked" in logged.triggers:
        return [_("It is not reassuring: medicine against fever can hide one.")]
    return []


def _next(now: _Standing, logged: Logged) -> str:
    """What is still due beside the reading, else the next one that has not opened, in any follow-up that the worker
    knows of, by the worker's clock."""
    open_now = [one.now_due.check for one in now.known if one.now_due]
    if open_now and logged.state != "repeat_due":
        check = min(open_now, key=lambda one: one.closes_at)
        return _("Still due: the one on %(day)s between %(opens)s and %(closes)s.") % _spoken(check, now)
    coming = [one.next_line.check for one in now.known if one.next_line]
    if not coming:
        return _("No further reading is planned.")
    check = min(coming, key=lambda one: one.opens_at)
    return _("The next one is on %(day)s between %(opens)s and %(closes)s.") % _spoken(check, now)


def _spoken(check: Check, now: _Standing) -> dict[str, str]:
    opens, closes = (moment.astimezone(now.worker.zone) for moment in (check.opens_at, check.closes_at))
    clock = pgettext("date format: 07:40", "H:i")
    return {
        "day": date_format(opens, pgettext("date format: Wednesday 25 November", "l j F")),
        "opens": date_format(opens, clock),
        "closes": date_format(closes, clock),
    }
