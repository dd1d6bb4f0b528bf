"""Moments that people give by hand."""

from datetime import datetime

from django.utils.translation import gettext as _

from exposure.refusal import Problem
from exposure.report.submission import YEARS


def slip_in(moment: datetime, pointer: str, *, at: datetime) -> Problem | None:
    """What is wrong with a moment (aware) that something is said to have happened at; None if nothing is."""
    if moment.year not in YEARS:
        return Problem(pointer, _("Correct the year."))
    if moment > at:
        return Problem(pointer, _("This time has not come yet."))
    return None
