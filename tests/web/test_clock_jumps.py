"""A clock that was wrong is told to whoever acts on what it raised: how far, until when, for 24 hours."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.remind.models import ClockJump
from tests.cast import MONDAY, doing
from tests.web.test_deed_pages import words

pytestmark = pytest.mark.database

DAY = timedelta(days=1)
SECOND = timedelta(seconds=1)


def jumped(*, said_at, right_at, asked_anew=0):
    with doing("command:clock", at=right_at):
        ClockJump.objects.create(said_at=said_at, right_at=right_at, asked_anew=asked_anew)


def page(cast, client, who="nurse"):
    client.force_login(getattr(cast, who))
    return words(client.get(reverse("needs_action")))


AHEAD = (  # nobody's words but ours; Lisbon keeps UTC in winter
    "The clock of this service was wrong",
    "It was 1 h 5 min ahead until Mon 2 Mar 2026, 08:00 .",
    "3 reminders and due times had been used up too early, and are asked again.",
    "Compare the time on this page with another clock",
)


@pytest.mark.parametrize("who", ["nurse", "physician"])
def test_the_list_says_how_far_and_until_when_the_clock_was_ahead(cast, client, standing_clock, who):
    standing_clock(MONDAY)
    hour_ago = MONDAY - timedelta(hours=1)
    jumped(said_at=hour_ago + timedelta(minutes=65), right_at=hour_ago, asked_anew=3)
    shown = page(cast, client, who)
    assert [sentence for sentence in AHEAD if sentence not in shown] == []


def test_of_a_clock_that_went_forward_nobody_knows_whether_it_is_right_now(cast, client, standing_clock):
    standing_clock(MONDAY)
    jumped(said_at=MONDAY - DAY / 2, right_at=MONDAY)
    shown = page(cast, client)
    assert "It went 12 h 0 min forward at Mon 2 Mar 2026, 09:00 : it had been behind until then" in shown
    assert "used up" not in shown


def test_times_are_those_of_the_site(cast, client, standing_clock):
    standing_clock(MONDAY)
    jumped(said_at=MONDAY + DAY, right_at=MONDAY)
    assert "ahead until Mon 2 Mar 2026, 05:00 ." in page(cast, client, "outsider")  # Halifax: UTC-4 in winter


@pytest.mark.parametrize(("since", "told"), [(timedelta(0), True), (DAY - SECOND, True), (DAY, False)])
def test_it_is_told_for_a_day(cast, client, standing_clock, since, told):
    standing_clock(MONDAY)
    jumped(said_at=MONDAY + DAY, right_at=MONDAY - since)
    assert ("The clock of this service was wrong" in page(cast, client)) is told
