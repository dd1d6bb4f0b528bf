"""The station lead: who is off duty and until when, how many, and nothing of why."""

import pytest

from exposure.followup.models import Restriction
from tests.cast import MONDAY, doing
from tests.web.nora import DAY, confirmed, measure, report, rows_of, words

pytestmark = pytest.mark.database


@pytest.fixture
def lead(cast, nurse):
    return nurse.sign_in(cast.lead)


def test_a_lead_reads_who_is_off_duty_and_until_when_once_the_worker_was_told(cast, lead):
    breach = report(cast)
    assert "Nobody is off duty." in words(lead.open("duty"))
    confirmed(cast, breach)
    measure(cast, MONDAY, "38.9")
    page = lead.open("duty")
    assert rows_of(page) == ["Wim Alder SG-1042 until the end of Mon 23 Mar 2026"]
    assert "1 person is off duty today." in words(page)
    for secret in ("ebola", "38.9", "high", "fever", breach.reference):
        assert secret.lower() not in words(page).lower()
    assert "of them" not in words(page)
    assert "1 of them is expected back within a week." in words(lead.open("duty", at=MONDAY + 15 * DAY))
    assert rows_of(lead.open("duty", at=MONDAY + 22 * DAY)) == []


def test_of_two_restrictions_from_one_day_the_one_without_an_end_holds(cast, lead):
    confirmed(cast, report(cast))
    first = Restriction.objects.get(code="duty")
    with doing("command:tests"):
        Restriction.objects.create(
            exposure=first.exposure, code="work", title="No work", from_date=first.from_date, to_date=None
        )
    assert rows_of(lead.open("duty")) == ["Wim Alder SG-1042 until further notice"]
