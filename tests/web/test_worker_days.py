"""Strips and days of somebody exposed more than once: by calendar date, each exposure with its own count."""

from datetime import date, timedelta
from uuid import uuid4

import pytest

from exposure.classify.assess import propose_text
from exposure.classify.models import Adoption
from exposure.followup.models import Reading
from exposure.followup.readings import celsius
from exposure.web.marks import highest_in_windows
from tests.cast import FIXTURES, MONDAY, doing
from tests.web.wim import EVENING, confirm, enter, monitored, report, tell, words

pytestmark = pytest.mark.database

LATER = MONDAY + timedelta(days=9)


def exposed_again(cast, at=LATER, **changes):
    second = report(cast, at=at, occurred_at=at.isoformat(), submission_id=str(uuid4()), **changes)
    tell(cast, second, at=at)
    confirm(cast, second, at=at)


def strips(wim, at):
    return wim.get("my_days", at).context["strips"]


def test_a_day_has_as_many_marks_as_it_had_windows(cast, wim):
    monitored(cast)
    exposed_again(cast)
    [strip] = strips(wim, LATER)
    by_date = {}
    for mark in strip.marks:
        by_date.setdefault(mark.on, []).append(mark)
    assert {len(marks) for on, marks in by_date.items() if on != date(2026, 3, 2)} == {2}
    assert all(mark.day == (mark.on - date(2026, 3, 2)).days for mark in strip.marks)
    assert max(by_date) == date(2026, 4, 1)  # 21 days after the second


def test_each_exposure_has_its_own_count(cast, wim):
    monitored(cast)
    exposed_again(cast)
    at = LATER + timedelta(days=3)
    [strip] = strips(wim, at)
    assert [(one.exposure.day_zero, one.day, one.days) for one in strip.exposures] == [
        (date(2026, 3, 2), 12, 21),
        (date(2026, 3, 11), 3, 21),
    ]
    said = words(wim.get("my_days", at))
    assert "Exposure of Monday 2 March 2026: Day 12 of 21; the last one is Monday 23 March 2026." in said
    assert "Exposure of Wednesday 11 March 2026: Day 3 of 21; the last one is Wednesday 1 April 2026." in said
    assert "Today, morning day 12 after 2 March; day 3 after 11 March" in said
    assert "days 7 to 13 after 2 March; days 0 to 4 after 11 March" in said
    assert "days 12 to 18 after 11 March" in said  # also where only one of them still counts


def test_one_exposure_needs_no_date_beside_its_count(cast, wim):
    monitored(cast)
    said = words(wim.get("my_days", MONDAY + timedelta(days=3)))
    assert "Day 3 of 21; the last one is Monday 23 March 2026." in said
    assert "after 2 March" not in said


def test_each_pathogens_own_limit_is_on_its_own_strip(cast, wim):
    # 38.0 C is the limit of ebola 2023.1; 37.5 C was the UK's for contacts (UKHSA contact sheets, 2024-25).
    monitored(cast)
    text = (FIXTURES / "criteria" / "ebola-2023.1.yaml").read_text()
    other = text.replace("pathogen: ebola", "pathogen: marburg").replace('"38.0"', '"37.5"')
    with doing("command:tests"):
        changed = propose_text(other, by="command:tests", at=MONDAY, proposed=True)
        changed.approved_at = MONDAY
        changed.save()
        Adoption.objects.create(site=cast.site, pathogen="marburg", version=changed, from_at=MONDAY)
    exposed_again(cast, at=MONDAY, case=None, pathogen="marburg")
    assert sorted(strip.limit for strip in strips(wim, EVENING)) == [37.5, 38.0]


def test_the_highest_reading_of_a_window_is_drawn_also_when_another_filled_it(cast, wim):
    follow_up = monitored(cast)
    enter(cast, EVENING, temperature="36.8")
    enter(cast, EVENING + timedelta(hours=1), temperature="100.6", unit="F")  # 38.1 degrees Celsius
    [strip] = strips(wim, EVENING + timedelta(hours=2))
    mark = next(one for one in strip.marks if one.on == date(2026, 3, 2))
    check = follow_up.checks.first()
    assert str(check.fills.get().reading.value) == "36.80"
    assert mark.value_celsius == pytest.approx(float(celsius(Reading.objects.get(unit="F").value, "F")))
    assert (mark.state, mark.alert) == ("recorded", True)


def test_a_reading_that_was_replaced_is_not_the_highest(cast, wim):
    monitored(cast)
    wrong = enter(cast, EVENING, temperature="38.6").row
    enter(cast, EVENING + timedelta(hours=1), replaces=str(wrong.uid), reason="Read wrongly.")
    assert set(highest_in_windows(Reading.objects.all()).values()) == {36.8}


def test_what_nobody_has_told_adds_no_mark_to_the_strip(cast, wim):
    monitored(cast)
    before = [mark.on for mark in strips(wim, LATER)[0].marks]
    report(cast, at=LATER, occurred_at=LATER.isoformat())
    assert [mark.on for mark in strips(wim, LATER)[0].marks] == before
