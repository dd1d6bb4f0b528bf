"""A text that moves people: what shipped, one that is milder, and reports to move."""

from exposure.pipeline import classify
from exposure.pipeline.report import report_breach
from tests.cast import FIXTURES, MONDAY, doing

EBOLA = (FIXTURES / "criteria" / "ebola-2023.1.yaml").read_text()
# Whole skin no longer counts: the same contact was high, then none. Invented.
MILDER = (
    EBOLA.replace('"2023.1"', '"2026.1"')
    .replace("[intact, broken, mucosa, pierced]}\n    be", "[broken, mucosa, pierced]}\n    be")
    .replace("when: {skin: [possible]}", "when: {skin: [pierced]}")
)


def report(cast, **changes):
    """A report about Wim, as assessed on arrival."""
    with doing(cast.observer):
        return report_breach(body=cast.body(**changes), reporter=cast.observer, at=MONDAY).breach


def confirm(cast, breach, **facts):
    """A nurse has spoken with the worker."""
    with doing(cast.nurse):
        classify.confirm_breach(breach=breach, by=cast.nurse, facts=facts, at=MONDAY)
