"""A worker's own reading times: stored, judged, moved."""

from collections.abc import Sequence
from datetime import time

from django.utils.formats import time_format
from django.utils.translation import gettext as _

from exposure.followup import plans, schedule
from exposure.followup.schedule import Window
from exposure.people.models import Worker, WorkerWindow
from exposure.record import remove
from exposure.refusal import Problem

CLOCK = "H:i"


def store(worker: Worker, wanted: dict[str, Window]) -> bool:
    """Whether anything had to be written."""
    standing = {row.name: row for row in worker.windows.all()}
    changed = False
    for name, row in standing.items():
        if name not in wanted:
            remove(row)
            changed = True
    for name, window in wanted.items():
        row = standing.get(name) or WorkerWindow(worker=worker, name=name)
        times = (window.opens, window.due, window.closes)
        if (row.opens, row.due, row.closes) != times:
            row.opens, row.due, row.closes = times
            row.save()
            changed = True
    return changed


def problem_with(windows: Sequence[Window], min_hours: int = plans.USUAL_MIN_HOURS) -> Problem | None:
    """What keeps readings from being planned at these times, in words with the remedy, at /windows/INDEX/FIELD."""
    try:
        schedule.validate(windows, min_hours)
    except schedule.ImpossibleWindows as refusal:
        field, words = _in_words(refusal, windows, min_hours)
        return Problem(f"/windows/{windows.index(refusal.window)}/{field}", words)
    return None


def _in_words(
    refusal: schedule.ImpossibleWindows, windows: Sequence[Window], min_hours: int
) -> tuple[str, str]:
    """(field, message) of a refusal."""
    window = refusal.window
    ahead = sorted(windows, key=lambda one: one.opens)
    following = ahead[(ahead.index(window) + 1) % len(ahead)]
    said = {
        "opens": time_format(window.opens, CLOCK),
        "closes": time_format(window.closes, CLOCK),
        "next": time_format(following.opens, CLOCK),
        "hours": min_hours,
    }
    match refusal.code:
        case "no_length":
            return "closes", _("It opens and closes at %(opens)s. Let it close later.") % said
        case "due_outside":
            return "due", _("Choose a time from %(opens)s to %(closes)s, while it is open.") % said
        case "overlap":
            return "closes", _("It is still open when the next one opens. Let it close by %(next)s.") % said
        case "too_close":
            return "due", _(
                "The next reading is due less than %(hours)s hours later. Move one of the two times."
            ) % said
        case _:
            return "opens", _("Give times of day without a time zone.")


def moved(windows: Sequence[Window], hours: int) -> tuple[Window, ...]:
    """The same windows so many hours later on the clock."""

    def later(wall: time) -> time:
        return wall.replace(hour=(wall.hour + hours) % 24)

    return tuple(Window(one.name, later(one.opens), later(one.due), later(one.closes)) for one in windows)
