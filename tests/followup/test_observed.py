"""Readings that somebody saw. The plan that asks for one a day is that of the published four-tier scheme of 2014-16 for
Ebola (direct active monitoring: once a day in person), in fixtures/criteria/ebola-2014.1.yaml."""

from datetime import UTC, date, datetime, time

import pytest
from django.urls import reverse

from exposure.attend.overview import overview
from exposure.classify.assess import propose_text
from exposure.classify.models import Adoption
from exposure.followup.models import Reading
from exposure.followup.schedule import Window
from exposure.pipeline import classify, follow
from exposure.web.nurse.rows import rows
from exposure.web.worker.forms import NONE_OF_THESE
from tests.cast import FIXTURES, MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 19, tzinfo=UTC)
TUESDAY = datetime(2026, 3, 3, 7, tzinfo=UTC)
WEDNESDAY = datetime(2026, 3, 4, 7, tzinfo=UTC)
BY = {"observed_by": "Tilda Reed"}


@pytest.fixture
def follow_up(cast):
    """Under the highest tier of the scheme, whatever is unknown."""
    with doing("command:tests"):
        text = (FIXTURES / "criteria" / "ebola-2014.1.yaml").read_text()
        adoption = Adoption.objects.get(site=cast.site, pathogen="ebola")
        adoption.version = propose_text(text, by="command:tests", at=MONDAY, proposed=True)
        adoption.save()
    return follow_up_told_and_confirmed(cast, facts={"contact": "body"})


def days(follow_up, at):
    return {day.on: (day.by, day.over) for day in overview(follow_up, at=at).seen_days}


def flags(follow_up, at):
    [row] = rows([follow_up], at=at)
    return [flag.words for flag in row.flags if flag.cause == "unseen"]


def test_a_day_is_seen_when_one_of_its_readings_names_who_saw_it(cast, follow_up):
    log(cast, at=EVENING)
    log(cast, at=TUESDAY, **BY)
    assert days(follow_up, WEDNESDAY) == {
        date(2026, 3, 2): ((), True),
        date(2026, 3, 3): (("Tilda Reed",), True),
        date(2026, 3, 4): ((), False),
    }


def test_yesterday_unseen_is_a_flag_until_the_day_after(cast, follow_up):
    log(cast, at=EVENING)
    assert flags(follow_up, EVENING + hours(4)) == []  # still the same day
    assert flags(follow_up, TUESDAY) == ["seen by nobody yesterday"]
    log(cast, at=TUESDAY, **BY)
    assert flags(follow_up, TUESDAY + hours(1)) == ["seen by nobody yesterday"]
    assert flags(follow_up, WEDNESDAY) == []


def test_a_reading_entered_late_for_yesterday_and_seen_takes_the_flag_away(cast, follow_up):
    assert flags(follow_up, TUESDAY) == ["seen by nobody yesterday"]
    log(cast, at=TUESDAY, taken_at=EVENING.isoformat(), **BY)
    assert flags(follow_up, TUESDAY) == []


def test_the_one_who_is_named_in_a_reading_replaced_since_does_not_count(cast, follow_up):
    first = log(cast, at=EVENING, **BY).row
    log(
        cast,
        at=EVENING + hours(1),
        taken_at=EVENING.isoformat(),
        replaces=str(first.uid),
        reason="Nobody was there.",
    )
    assert flags(follow_up, TUESDAY) == ["seen by nobody yesterday"]


def test_not_being_able_to_measure_is_seen_by_nobody(cast, follow_up):
    log(cast, at=EVENING, temperature=None, unit=None, method=None, could_not="Broken.", **BY)
    assert flags(follow_up, TUESDAY) == ["seen by nobody yesterday"]


def test_a_plan_that_does_not_ask_flags_nobody(cast):
    other = follow_up_told_and_confirmed(cast)
    assert overview(other, at=WEDNESDAY).seen_days == ()
    assert flags(other, WEDNESDAY) == []


def test_days_before_the_plan_asked_are_not_held_against_anybody(cast):
    """From a scheme that does not ask to one that does, on Tuesday noon: the evening is the first to be seen."""
    follow_up = follow_up_told_and_confirmed(cast)
    exposure = follow_up.exposures.get()
    noon = TUESDAY + hours(5)
    with doing(cast.nurse, at=noon):
        exposure.plan = {**exposure.plan, "observed_per_day": 1, "observed_since": noon.isoformat()}
        exposure.save()
    assert list(days(follow_up, WEDNESDAY)) == [date(2026, 3, 3), date(2026, 3, 4)]


def test_the_plan_asks_since_the_first_assessment_that_asked(cast, follow_up):
    since = follow_up.exposures.get().plan["observed_since"]
    assert datetime.fromisoformat(since) == MONDAY
    with doing(cast.nurse, at=WEDNESDAY):
        breach = follow_up.exposures.get().breach
        classify.answer_facts(breach=breach, facts={"illness": "later"}, by=cast.nurse, at=WEDNESDAY)
    assert follow_up.exposures.get(withdrawn_at=None).plan["observed_since"] == since


def test_a_night_that_goes_over_midnight_is_one_day(cast, follow_up):
    """The reading of 22:00 to 02:00 belongs to the date on which it opened, also when it is taken at 01:00."""
    nights = (Window("first", time(14), time(15), time(18)), Window("second", time(22), time(23), time(2)))
    with doing(cast.nurse):
        follow.set_windows(worker=cast.worker, windows=nights, by=cast.nurse, at=MONDAY)
    one_in_the_morning = datetime(2026, 3, 3, 1, tzinfo=UTC)
    assert flags(follow_up, one_in_the_morning) == []  # Monday's last reading is still open
    log(cast, at=one_in_the_morning, **BY)
    assert Reading.objects.get().local_date == date(2026, 3, 2)
    assert flags(follow_up, one_in_the_morning + hours(2)) == []
    assert days(follow_up, one_in_the_morning + hours(2)) == {date(2026, 3, 2): (("Tilda Reed",), True)}


def test_the_list_and_the_persons_page_say_it(cast, client, standing_clock, follow_up):
    client.force_login(cast.nurse)
    standing_clock(TUESDAY)
    assert (
        "Seen by nobody yesterday" in client.get(reverse("monitoring"), {"cause": "unseen"}).content.decode()
    )
    person = reverse("person", args=[cast.worker.uid])
    assert "One reading a day is seen by somebody: today not yet" in client.get(person).content.decode()
    log(cast, at=TUESDAY, **BY)
    assert "One reading a day is seen by somebody: today by Tilda Reed" in client.get(person).content.decode()


def test_the_worker_is_asked_who_saw_it_only_where_the_plan_wants_it(cast, client, standing_clock, follow_up):
    client.force_login(cast.worker.user)
    standing_clock(TUESDAY)
    assert "Seen by (name)" in client.get(reverse("today")).content.decode()
    normal = {"temperature": "36.8", "unit": "C", "method": "oral", "observed_by": "Tilda Reed"}
    normal["symptoms"] = NONE_OF_THESE
    client.post(reverse("today"), normal)
    assert Reading.objects.get().observed_by == "Tilda Reed"


def test_where_the_plan_does_not_ask_the_worker_is_not_asked_either(cast, client, standing_clock):
    follow_up_told_and_confirmed(cast)
    client.force_login(cast.worker.user)
    standing_clock(TUESDAY)
    assert "Seen by" not in client.get(reverse("today")).content.decode()


def test_nobody_who_saw_it_never_blocks_a_reading(cast, follow_up):
    assert log(cast, at=TUESDAY).state == "recorded"


def test_the_nurse_reads_in_her_form_that_the_plan_asks_for_it(cast, client, standing_clock, follow_up):
    client.force_login(cast.nurse)
    standing_clock(TUESDAY)
    page = client.get(reverse("person_reading", args=[cast.worker.uid])).content.decode()
    assert "The plan asks that somebody sees one reading a day." in page
