"""What ends with a day is told by that day: never by the next one at 00:00, which is taken for one day more."""

import pytest

from exposure.attend import promises
from exposure.attend.models import Promise
from exposure.people.models import Role
from tests.attend.deeds import LAST_DAY_IS_OVER
from tests.cast import MONDAY, doing
from tests.walk import sweep_at
from tests.web.nora import DAY, HOUR, cleared, confirmed, report, waiting, words

pytestmark = pytest.mark.database
NEXT_DAY = ("24 Mar, 00:00", "24 Mar 2026, 00:00", "Tuesday 24 March", "25 Mar, 00:00", "25 Mar 2026, 00:00")

# The page, what is asked of it, and how it tells the end of Monday 23 March, two hours later.
PLACES = [
    ("monitoring", {"cause": "ended"}, ["Mon 23 Mar, midnight"]),
    ("search", {"find": "Wim"}, ["cleared Monday 23 March 2026"]),
    ("person", {}, ["Ended Mon 23 Mar 2026, midnight", "(Ebola, Monday 23 March 2026 )"]),
    (
        "handover",
        {},
        ["Mon 23 Mar 2026, midnight : Wim Alder: ended, cleared", "as of Mon 23 Mar, midnight"],
    ),
]


def test_an_end_at_midnight_is_told_by_the_day_that_ends(cast, nurse):
    follow_up = cleared(cast)
    assert follow_up.ended_at == LAST_DAY_IS_OVER  # in Lisbon, in winter
    about = {"person": [cast.worker.uid], "handover": [cast.site.uid]}
    for name, asked, said in PLACES:
        page = words(nurse.open(name, *about.get(name, []), at=follow_up.ended_at + 2 * HOUR, **asked))
        for one in said:
            assert one in page, (name, page)
        assert [day for day in NEXT_DAY if day in page] == [], name


def test_what_waits_since_a_midnight_and_until_one(cast, nurse):
    confirmed(cast, report(cast))
    at = LAST_DAY_IS_OVER + 5 * HOUR
    sweep_at(at)
    assert Promise.objects.open().filter(kind="sign", due_at=LAST_DAY_IS_OVER + DAY).exists()
    [line] = [one for one in waiting(nurse, at=at) if "Ebola, over" in one]
    assert "Tue 24 Mar, midnight" in line
    assert "since Mon 23 Mar, midnight" in line
    page = words(nurse.open("person", cast.worker.uid, at=at))
    assert "by Tue 24 Mar 2026, midnight" in page
    assert [day for day in NEXT_DAY if day in page] == []


def test_messages_are_in_the_time_of_the_readers_first_site(cast, nurse):
    for reader in (cast.nurse, cast.administrator):
        nurse.sign_in(reader)
        assert f"Times of {cast.site.zone}." in words(nurse.open("outgoing"))


def test_a_line_of_another_site_than_the_persons_first_names_its_zone(cast, nurse):
    report(cast)
    other = f"{cast.other_site.short_name} ({cast.other_site.zone})"
    assert other not in words(nurse.open("needs_action", at=MONDAY + HOUR))
    with doing(cast.nurse):
        Role.objects.create(user=cast.nurse, site=cast.other_site, kind=Role.Kind.NURSE, from_at=MONDAY - DAY)
        ring = Promise(
            site=cast.other_site,
            worker=cast.worker,
            kind=Promise.Kind.CALL,
            key="try",
            title="Ring again.",
            due_at=MONDAY + DAY,
        )
        promises.ask(ring, at=MONDAY)
    lines = waiting(nurse, at=MONDAY + HOUR)
    assert [other in line for line in lines] == ["Ring again." in line for line in lines]
    assert any(other in line for line in lines)
