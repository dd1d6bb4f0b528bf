"""The station lead: who is off duty and until when, how many, and nothing of why."""

import pytest

from exposure.clear import letters
from exposure.followup.models import Restriction
from exposure.pipeline import classify, clear, tell
from tests.cast import MONDAY, doing
from tests.web.nora import DAY, HOUR, confirmed, follow_up_of, measure, report, rows_of, words

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


# Whether a restriction runs to its own last day after this end.
OUTLASTS = {
    "fell_ill": True, "declined": True, "lost": True, "handed_over": True,
    "ruled_out": False, "left": False, "died": False,
}  # fmt: skip


@pytest.mark.parametrize("kind", clear.OTHER_ENDS)
def test_a_restriction_outlasts_every_end_but_those_that_lift_it(cast, lead, kind):
    follow_up = follow_up_of(confirmed(cast, report(cast)))
    ended = MONDAY + 3 * DAY
    with doing(cast.physician, at=ended):
        clear.end_follow_up(
            follow_up=follow_up, kind=kind, reason="As told.", basis="agreed",
            accepted_by="Fenwick Quay Clinic" if kind == "handed_over" else "", by=cast.physician, at=ended,
        )  # fmt: skip
    expected = ["Wim Alder SG-1042 until the end of Mon 23 Mar 2026"] if OUTLASTS[kind] else []
    assert rows_of(lead.open("duty", at=ended + HOUR)) == expected
    assert bool(letters.work_dates(cast.worker, at=ended + HOUR)) == OUTLASTS[kind]
    assert rows_of(lead.open("duty", at=MONDAY + 22 * DAY)) == []


def test_a_restriction_without_a_last_day_ends_with_the_follow_up(cast, lead):
    follow_up = follow_up_of(confirmed(cast, report(cast)))
    with doing("command:tests"):
        Restriction.objects.create(
            exposure=follow_up.exposures.get(), code="work", title="No work",
            from_date=MONDAY.date(), to_date=None,
        )  # fmt: skip
    ended = MONDAY + 3 * DAY
    with doing(cast.physician, at=ended):
        clear.end_follow_up(
            follow_up=follow_up, kind="lost", reason="Gone.", basis="agreed", by=cast.physician, at=ended
        )
    assert rows_of(lead.open("duty", at=ended + HOUR)) == [
        "Wim Alder SG-1042 until the end of Mon 23 Mar 2026"
    ]


def test_until_it_is_confirmed_no_last_day_is_said(cast, lead):
    breach = report(cast)
    with doing(cast.nurse):
        tell.tell_worker(breach=breach, how="phone", told_at=MONDAY, by=cast.nurse, at=MONDAY)
    assert rows_of(lead.open("duty")) == ["Wim Alder SG-1042 until occupational health has called"]
    with doing(cast.nurse):
        classify.confirm_breach(breach=breach, by=cast.nurse, at=MONDAY)
    assert rows_of(lead.open("duty")) == ["Wim Alder SG-1042 until the end of Mon 23 Mar 2026"]
    with doing(cast.observer, at=MONDAY + DAY):
        later = report(cast, at=MONDAY + DAY)
    with doing(cast.nurse, at=MONDAY + DAY):
        tell.tell_worker(breach=later, how="phone", told_at=MONDAY + DAY, by=cast.nurse, at=MONDAY + DAY)
    again = rows_of(lead.open("duty", at=MONDAY + DAY))
    assert again == ["Wim Alder SG-1042 until occupational health has called"], "a second one is open"
