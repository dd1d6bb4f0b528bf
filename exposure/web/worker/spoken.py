"""Moments and windows as one says them to somebody, in the active time zone."""

from datetime import date, datetime, timedelta
from typing import Any

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext

from exposure.followup.models import Check

TODAY = {
    "morning": gettext_lazy("this morning, %(opens)s to %(closes)s"),
    "afternoon": gettext_lazy("this afternoon, %(opens)s to %(closes)s"),
    "evening": gettext_lazy("this evening, %(opens)s to %(closes)s"),
    "night": gettext_lazy("tonight, %(opens)s to %(closes)s"),
}
YESTERDAY = {
    "morning": gettext_lazy("yesterday morning, %(opens)s to %(closes)s"),
    "afternoon": gettext_lazy("yesterday afternoon, %(opens)s to %(closes)s"),
    "evening": gettext_lazy("yesterday evening, %(opens)s to %(closes)s"),
    "night": gettext_lazy("last night, %(opens)s to %(closes)s"),
}
TOMORROW = {
    "morning": gettext_lazy("tomorrow morning, %(opens)s to %(closes)s"),
    "afternoon": gettext_lazy("tomorrow afternoon, %(opens)s to %(closes)s"),
    "evening": gettext_lazy("tomorrow evening, %(opens)s to %(closes)s"),
    "night": gettext_lazy("tomorrow night, %(opens)s to %(closes)s"),
}
NIGHT_ENDS = 4  # o'clock
OTHER_DAY = gettext_lazy("on %(day)s, %(opens)s to %(closes)s")


def window(check: Check, at: datetime) -> str:
    """When the reading is taken, seen from `at`: "this evening, 18:00 to 22:00"."""
    opens, closes = timezone.localtime(check.opens_at), timezone.localtime(check.closes_at)
    words = {
        "opens": date_format(opens, _clock()),
        "closes": date_format(closes, _clock()),
        "day": date_format(opens, pgettext("date format: Wednesday 25 November", "l j F")),
    }
    part = _part(opens.hour)
    said = _relative(opens, timezone.localtime(at), part)
    return str(said[part] if said else OTHER_DAY) % words


def _relative(opens: datetime, now: datetime, part: str) -> dict[str, Any] | None:
    """The words of the day; None where only the date is clear. A night belongs to the evening before it: at 23:00 the
    reading at 02:00 is "tonight", and at 09:00 it was "last night"."""
    if part != "night":
        away = (opens.date() - now.date()).days
    else:
        away = (_evening(opens) - _evening(now)).days
        if now.hour < NIGHT_ENDS and opens > now and opens.hour >= NIGHT_ENDS:
            return None  # "tonight", or "tomorrow night": said in the small hours, either could be meant
    return {-1: YESTERDAY, 0: TODAY, 1: TOMORROW}.get(away)


def _evening(local: datetime) -> date:
    """The date of the evening to which a moment of the night belongs."""
    return (local.replace(tzinfo=None) - timedelta(hours=NIGHT_ENDS)).date()


def moment(when: datetime, at: datetime) -> str:
    """A time of day, with its date where that is not the date of `at`."""
    local = timezone.localtime(when)
    if local.date() == timezone.localtime(at).date():
        return date_format(local, _clock())
    return _("%(clock)s on %(day)s") % {
        "clock": date_format(local, _clock()),
        "day": date_format(local, pgettext("date format: Wednesday 25 November", "l j F")),
    }


def _clock() -> str:
    return pgettext("date format: 07:40", "H:i")


def _part(hour: int) -> str:
    if NIGHT_ENDS <= hour < 12:
        return "morning"
    if 12 <= hour < 17:
        return "afternoon"
    return "evening" if 17 <= hour < 21 else "night"
