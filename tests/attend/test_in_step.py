"""Promises are in step with what stands after every deed: bringing them in line again writes nothing."""

import pytest
from django.core.exceptions import ObjectDoesNotExist
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from exposure.attend import duties
from exposure.classify.models import Assessment
from exposure.people.models import Worker
from exposure.refusal import BadSubmission, NotYet
from exposure.report.models import Breach
from tests.attend.deeds import complete, countersign, end, override, reopen
from tests.cast import MONDAY, doing
from tests.walk import (
    LOW,
    confirm,
    hours,
    log,
    report,
    sweep_at,
    tell,
)

pytestmark = pytest.mark.database


def _late_override(cast, at):
    override(cast, Breach.objects.first(), "none", at=at)


def _second_signature(cast, at):
    waiting = Assessment.objects.filter(second_signature_needed=True).last()
    if waiting is not None:
        countersign(cast, waiting, at=at)


DEEDS = {
    "report": lambda cast, at: report(cast, at=at),
    "a mild one": lambda cast, at: report(cast, at=at, facts=LOW),
    "somebody typed in": lambda cast, at: report(cast, at=at, worker=None, person={"name": "W. Alder"}),
    "tell": lambda cast, at: tell(cast, _Reported(), at=at),
    "confirm": lambda cast, at: confirm(cast, _Reported(), at=at),
    "override": _late_override,
    "sign": _second_signature,
    "reading": lambda cast, at: log(cast, at=at),
    "fever": lambda cast, at: log(cast, at=at, temperature="39.1"),
    "task": lambda cast, at: complete(cast, "first_call", at=at, exposure__breach=Breach.objects.first()),
    "sweep": lambda cast, at: sweep_at(at),
    "end": lambda cast, at: end(cast, Breach.objects.first().exposures.get().follow_up, "left", at=at),
    "reopen": lambda cast, at: reopen(cast, Breach.objects.first().exposures.get().follow_up, at=at),
}


class _Reported:
    """The first report."""

    def __init__(self):
        self.breach = Breach.objects.first()


@settings(max_examples=12)
@given(deeds=st.lists(st.tuples(st.sampled_from(sorted(DEEDS)), st.sampled_from([0, 3, 30])), max_size=5))
def test_bringing_promises_in_line_twice_changes_nothing(cast, deeds):
    with transaction.atomic():
        at = MONDAY
        report(cast)
        for name, later in deeds:
            at += hours(later)
            try:
                DEEDS[name](cast, at)
            except (NotYet, BadSubmission, ObjectDoesNotExist):
                continue
            for worker in Worker.objects.all():
                with doing("command:tests", at=at), CaptureQueriesContext(connection) as statements:
                    duties.settle(worker, at=at)
                written = [one["sql"] for one in statements if not one["sql"].startswith("SELECT")]
                assert written == [], name
        transaction.set_rollback(True)
