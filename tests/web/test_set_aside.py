"""What a round has set aside is shown where somebody can see to it, without saying whom it is about."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.remind.models import SetAside
from tests.cast import MONDAY
from tests.web.test_deed_pages import words

pytestmark = pytest.mark.database


@pytest.fixture
def aside(cast, standing_clock):
    standing_clock(MONDAY)
    since = MONDAY - timedelta(minutes=90)
    for row, tries in (("17", 2), ("18", 6)):
        SetAside.objects.create(
            part="missed",
            row=row,
            first_at=since,
            last_at=MONDAY,
            retry_at=MONDAY,
            tries=tries,
            error="KeyError",
        )
    return cast


SAYS = (
    "Readings that were missed: 2 entries, since Mon 2 Mar 2026, 07:30",
    "1 h 30 min ago ), tried 6 times",
    "Everything else goes on, and these are tried again.",
    "Tell whoever runs the service now",
)


@pytest.mark.parametrize(("who", "page"), [("nurse", "needs_action"), ("administrator", "home")])
def test_a_part_set_aside_is_shown_with_since_when_and_how_often_it_was_tried(aside, client, who, page):
    client.force_login(getattr(aside, who))
    shown = words(client.get(reverse(page)))
    assert [sentence for sentence in SAYS if sentence not in shown] == []
    SetAside.objects.update(settled_at=MONDAY)
    assert "set aside" not in words(client.get(reverse(page)))


@pytest.mark.parametrize(
    ("who", "says"),
    [("administrator", "Set up sites and accounts"), ("lead", "Who is not to be planned for duty")],
)
def test_whoever_has_a_role_is_not_told_that_nothing_is_there(cast, client, standing_clock, who, says):
    standing_clock(MONDAY)
    client.force_login(getattr(cast, who))
    shown = words(client.get(reverse("home"), follow=True))
    assert says in shown
    assert "Nothing here for you yet" not in shown


def test_a_lead_is_shown_nothing_that_was_set_aside(aside, client):
    client.force_login(aside.lead)
    assert "set aside" not in words(client.get(reverse("home"), follow=True))
