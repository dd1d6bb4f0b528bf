"""The one thing to do is the heading; what is restricted, and until when, stands on Today once it is confirmed."""

from datetime import date, timedelta
from uuid import uuid4

import pytest

from exposure.followup.models import Restriction
from exposure.pipeline import expose
from exposure.pipeline.tell import tell_of_exposure
from exposure.web.worker.restricted import Restricted, Span, merged, spans
from tests.cast import MONDAY, adopt, doing
from tests.web.wim import EVENING, confirm, h1, monitored, report, tell, words

pytestmark = pytest.mark.database


def untold(cast):
    report(cast)


def told(cast):
    tell(cast, report(cast))


def news(cast):
    monitored(cast)
    report(cast, at=MONDAY, submission_id=str(uuid4()))


def told_and_news(cast):
    told(cast)
    report(cast, at=MONDAY, submission_id=str(uuid4()))


HEADINGS = [
    (untold, MONDAY, "Please ring"),
    (told, MONDAY, "Please start no shift with patients"),
    (told, MONDAY + timedelta(hours=3), "Please ring now"),
    (news, MONDAY, "Please ring"),
    (news, EVENING, "Please ring"),
    (told_and_news, MONDAY, "Please ring"),
    (monitored, MONDAY, "Nothing to do now"),
    (monitored, EVENING, "Take your temperature now"),
    (monitored, MONDAY.replace(hour=23), "A reading is missing"),
]


@pytest.mark.parametrize(("state", "at", "heading"), HEADINGS)
def test_the_one_thing_to_do_is_the_heading(cast, wim, state, at, heading):
    state(cast)
    assert h1(wim.get("today", at)) == heading


@pytest.mark.parametrize("page", ["my_days", "what_this_means", "my_settings", "my_times"])
def test_please_ring_stands_above_every_page(cast, wim, page):
    news(cast)
    assert h1(wim.get(page, MONDAY)) == "Please ring"


def test_once_confirmed_today_says_until_when_what_is_restricted(cast, wim):
    monitored(cast)
    said = words(wim.get("today", MONDAY))
    # High risk of ebola 2023.1 brings three restrictions for 21 days: 2 March and 21 days are 23 March.
    assert "Until 23 March: No work in a health care facility Stay at home" in said


def test_before_it_is_confirmed_the_line_does_not_stand_there(cast, wim):
    told(cast)
    assert "Until 23 March" not in words(wim.get("today", MONDAY))


def test_the_same_restriction_of_two_exposures_is_one_line_with_the_last_date(cast, wim):
    monitored(cast)
    later = MONDAY + timedelta(days=9)
    second = report(cast, at=later, occurred_at=later.isoformat())
    tell(cast, second, at=later)
    confirm(cast, second, at=later)
    assert Restriction.objects.filter(code="duty", lifted_at=None).count() == 2
    said = words(wim.get("today", later))
    assert "Until 1 April:" in said
    assert "23 March" not in said
    assert words(wim.get("what_this_means", later)).count("No work in a health care facility") == 1


def test_a_restriction_of_a_window_runs_from_its_first_day_to_its_last(cast, wim):
    # Measles, health-care personnel without immunity: off duty from the 5th day after the first exposure to the 21st
    # after the last (CDC, infection control in healthcare personnel: measles, 2024; as in the criteria file).
    with doing("command:tests"):
        adopt(cast.site, "measles-2024.1", MONDAY)
    for on in (MONDAY, MONDAY + timedelta(days=2)):
        with doing(cast.nurse, at=on):
            exposure = expose.record_exposure(
                worker=cast.worker,
                pathogen="measles",
                tier="susceptible",
                occurred_at=on,
                by=cast.nurse,
                at=on,
            )
            tell_of_exposure(exposure=exposure, how="phone", by=cast.nurse, at=on)
    rows = Restriction.objects.filter(lifted_at=None, code="duty").order_by("from_date")
    assert [(row.from_date, row.to_date) for row in rows] == [
        (date(2026, 3, 7), date(2026, 3, 23)),
        (date(2026, 3, 9), date(2026, 3, 25)),
    ]
    assert "From 7 March until 25 March:" in words(wim.get("today", MONDAY + timedelta(days=2)))
    assert "Until 25 March:" in words(wim.get("today", MONDAY + timedelta(days=5)))
    assert "from Saturday 7 March 2026 to Wednesday 25 March 2026, both days included" in words(
        wim.get("what_this_means", MONDAY + timedelta(days=2))
    )


def row(code, title, first, last):
    return Restriction(code=code, title=title, from_date=first, to_date=last)


def test_restrictions_merge_by_what_they_say():
    first, middle, last = date(2026, 3, 2), date(2026, 3, 11), date(2026, 4, 1)
    got = merged(
        [
            row("duty", "No patient care", first, middle),
            row("duty", "No patient care", middle, last),
            row("duty", "No work at all", first, middle),
            row("travel", "No flights", first, None),
            row("travel", "No flights", middle, last),
        ]
    )
    assert got == [
        Restricted("No patient care", first, last),
        Restricted("No work at all", first, middle),
        Restricted("No flights", first, None),
    ]
    assert spans(got, today=first) == [
        Span(None, last, ("No patient care",)),
        Span(None, middle, ("No work at all",)),
        Span(None, None, ("No flights",)),
    ]
