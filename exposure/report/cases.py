"""Codes of cases, and what stands about them."""

import re
import secrets
from datetime import timedelta

from django.utils.translation import gettext as _

from exposure.report.models import Case, CaseStatement

EARLY_TEST = timedelta(hours=72)  # a negative test taken within 72 hours of onset is repeated; from memory
CONSONANTS = "BCDFGHJKMNPQRSTVWXZ"  # without vowels no code spells a name; L and Y are taken for others
DIGITS = "23456789"
CODE = re.compile(r"(?=.*[0-9])[A-Z0-9]+(-[A-Z0-9]+)*")
LONGEST_CODE = 20


def propose_code() -> str:
    """A random code that no case has, as K7M-V3J: a digit stands only between letters, so B is never taken for 8."""
    while True:
        code = "-".join(
            secrets.choice(CONSONANTS) + secrets.choice(DIGITS) + secrets.choice(CONSONANTS)
            for _group in "ab"
        )
        if not Case.objects.filter(code=code).exists():
            return code


def tested_early(statement: CaseStatement) -> bool:
    """Whether it was ruled out by a test so soon after the onset that it is usually repeated."""
    ruled_out = statement.status == CaseStatement.Status.RULED_OUT
    return ruled_out and bool(early_test(statement.hours_since_onset))


def early_test(hours: int | None) -> str:
    """The caution about a test taken so many hours after the onset; empty where there is none to give."""
    if hours is None or timedelta(hours=hours) >= EARLY_TEST:
        return ""
    words = _("The test was taken %(hours)s hours after onset, before 72 hours: it is usually repeated.")
    return words % {"hours": hours}


def case_changed(case: Case, statement: CaseStatement) -> str:
    words = _("Case %(case)s, %(pathogen)s: now %(status)s.") % {
        "case": case.code,
        "pathogen": statement.pathogen,
        "status": statement.get_status_display(),
    }
    if tested_early(statement):
        words += " " + early_test(statement.hours_since_onset)
    return words


def pathogens_of(case: Case) -> list[str]:
    """The case's pathogens that are not ruled out."""
    newest = {one.pathogen: one.status for one in case.statements.all()}
    return [pathogen for pathogen, said in newest.items() if said != CaseStatement.Status.RULED_OUT]
