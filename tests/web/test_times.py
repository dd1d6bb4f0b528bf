"""The pages on which reading times are chosen, by the worker and by the nurse who plans night shifts."""

import re
from datetime import UTC, datetime, timedelta
from html import unescape

import pytest
from django.urls import reverse

from exposure.followup.expected import windows_of
from exposure.people.models import WorkerWindow
from tests.cast import MONDAY, PASSWORD
from tests.walk import follow_up_told_and_confirmed
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database

OWN = {
    "choice": "own",
    "opens_0": "14:00",
    "due_0": "15:00",
    "closes_0": "18:00",
    "opens_1": "22:00",
    "due_1": "23:00",
    "closes_1": "02:00",
}


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


@pytest.fixture(params=["worker", "nurse"])
def page(request, cast, client, standing_clock, follow_up):
    """The address of the form, signed in as one of the two who may use it."""
    standing_clock(MONDAY + timedelta(hours=1))
    client.force_login(cast.worker.user if request.param == "worker" else cast.nurse)
    return (
        reverse("my_times") if request.param == "worker" else reverse("person_times", args=[cast.worker.uid])
    )


def words(response):
    main = response.content.decode().partition("<main")[2].partition("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(main))).split())


def errors(response, field):
    return " ".join(response.context["form"].errors.get(field, []))


def test_the_page_begins_with_the_times_in_force(client, page):
    said = words(client.get(page))
    assert "Now: 06:00–10:00 and 18:00–22:00." in said
    form = client.get(page).context["form"]
    assert (form["choice"].value(), form["due_1"].value().hour) == ("site", 20)


def test_the_sites_times_some_hours_later_are_offered_with_the_times_they_give(client, cast, page, follow_up):
    offered = words(client.get(page))
    assert "8 h later: 14:00–18:00 and 02:00–06:00" in offered
    assert "12 h later" not in offered  # the site's own times, the other way round
    said = words(client.post(page, {"choice": "later", "hours": "9"}, follow=True))
    assert "Readings are taken 03:00–07:00 and 15:00–19:00." in said
    # At 10:00 the one of 15:00 to 19:00 is the next; its due time is 17:00.
    assert follow_up.checks.filter(withdrawn_at=None).first().due_at == datetime(2026, 3, 2, 17, tzinfo=UTC)
    assert client.get(page).context["form"]["hours"].value() == 9


def test_times_of_ones_own_are_entered_in_any_order_and_may_cross_midnight(client, cast, page):
    swapped = {
        name[:-1] + ("1" if name[-1] == "0" else "0"): value for name, value in OWN.items() if "_" in name
    }
    client.post(page, {"choice": "own", **swapped})
    assert [(one.name, one.opens.hour, one.closes.hour) for one in windows_of(cast.worker)] == [
        ("first", 14, 18),
        ("second", 22, 2),
    ]
    assert client.get(page).context["form"]["choice"].value() == "own"


def test_back_to_the_sites_times(client, cast, page):
    client.post(page, OWN)
    assert WorkerWindow.objects.count() == 2
    client.post(page, {**OWN, "choice": "site"})
    assert not WorkerWindow.objects.exists()


@pytest.mark.parametrize(
    ("changes", "field", "said"),
    [
        ({"due_1": "21:00"}, "due_1", "Choose a time from 22:00 to 02:00"),
        ({"closes_0": "23:00"}, "closes_0", "Let it close by 22:00."),
        ({"due_0": "18:00"}, "due_0", "less than 6 hours later"),
        ({"opens_1": ""}, "opens_1", "Reading 2 has no time yet: Opens"),
        ({"opens_1": "late"}, "opens_1", "valid time"),
        ({"choice": "later"}, "hours", "required"),
        ({"choice": ""}, "choice", "required"),
    ],
)
def test_what_cannot_be_is_said_at_its_field_and_what_was_typed_stays(client, page, changes, field, said):
    answer = client.post(page, {**OWN, **changes})
    assert said in errors(answer, field)
    assert answer.context["form"]["closes_1"].value() == "02:00"
    assert not WorkerWindow.objects.exists()


def test_nothing_is_stored_twice_when_the_form_is_sent_twice(client, cast, page, follow_up):
    client.post(page, OWN)
    checks = list(follow_up.checks.values_list("pk", flat=True))
    client.post(page, OWN)
    assert list(follow_up.checks.values_list("pk", flat=True)) == checks
    assert WorkerWindow.history.count() == 2


def test_the_times_in_force_stand_on_the_persons_page_and_in_the_settings(
    cast, client, standing_clock, follow_up
):
    standing_clock(MONDAY)
    client.force_login(cast.worker.user)
    assert "Readings are taken 06:00–10:00 and 18:00–22:00." in words(client.get(reverse("my_settings")))
    client.post(reverse("my_times"), OWN)
    assert "Readings are taken 14:00–18:00 and 22:00–02:00." in words(client.get(reverse("my_settings")))
    client.force_login(cast.nurse)
    said = words(client.get(reverse("person", args=[cast.worker.uid])))
    assert "Reading times 14:00–18:00 and 22:00–02:00 times of their own" in said


def test_a_reading_of_the_night_has_a_name_and_a_day_on_the_pages(cast, client, standing_clock, follow_up):
    standing_clock(MONDAY)
    client.force_login(cast.worker.user)
    client.post(reverse("my_times"), OWN)
    standing_clock(datetime(2026, 3, 3, 1, 0, tzinfo=UTC))  # 01:00, the night reading of Monday is open
    assert "Due tonight, 22:00 to 02:00." in words(client.get(reverse("today")))
    assert "Yesterday , second reading day 0" in words(client.get(reverse("my_days")))


@pytest.mark.parametrize("who", ["outsider", "observer", "lead", "worker"])
def test_nobody_else_finds_the_nurses_page(cast, client, standing_clock, follow_up, who):
    standing_clock(MONDAY)
    client.force_login(cast.worker.user if who == "worker" else getattr(cast, who))
    assert client.get(reverse("person_times", args=[cast.worker.uid])).status_code == 404


def test_what_was_typed_when_the_session_ended_comes_back_not_yet_sent(
    cast, client, standing_clock, follow_up
):
    standing_clock(MONDAY)
    client.force_login(cast.worker.user)
    token = re.search(r'name="form_owner" value="([^"]+)"', client.get(reverse("my_times")).content.decode())[
        1
    ]
    client.logout()
    client.post(reverse("my_times"), {**OWN, "form_owner": token})
    client.post(reverse("account_login"), {"login": "worker", "password": PASSWORD})
    back = client.get(reverse("my_times"))
    assert "Not sent yet" in words(back)
    assert back.context["form"]["opens_0"].value() == "14:00"
    assert not WorkerWindow.objects.exists()
