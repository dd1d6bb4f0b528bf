"""The nurse's page on which a reading that was entered wrongly is corrected."""

import pytest
from django.urls import reverse

from exposure.attend.overview import overview
from exposure.followup.models import Reading
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = pytest.mark.database

EVENING = MONDAY + hours(10)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


@pytest.fixture
def wrong(cast, follow_up):
    """A slip of the thumb, given with a headache."""
    return log(cast, at=EVENING, temperature="39.8", symptoms=["headache"], observed_by="Tilda Reed").row


@pytest.fixture
def nurse(cast, client, standing_clock, wrong):
    standing_clock(EVENING + hours(1))
    client.force_login(cast.nurse)
    return client


def send(client, wrong, **changes):
    """The form as it comes, with what is changed."""
    address = reverse("reading_amend", args=[wrong.uid])
    form = client.get(address).context["form"]
    came = {name: form[name].value() for name in form.fields}
    came["taken_at"] = came["taken_at"].strftime("%Y-%m-%dT%H:%M:%S")
    sent = {name: value for name, value in {**came, **changes}.items() if value not in (None, False)}
    return client.post(address, sent, follow=True)


def test_the_form_comes_with_what_was_entered_and_the_right_value_replaces_it(cast, nurse, wrong, follow_up):
    send(nurse, wrong, temperature="36.8", reason="Typed 39 for 36.")
    right = Reading.objects.get(replaces=wrong)
    assert (str(right.value), right.taken_at, right.method) == ("36.80", wrong.taken_at, "oral")
    assert (right.symptoms, right.observed_by, right.reason) == (
        ["headache"],
        "Tilda Reed",
        "Typed 39 for 36.",
    )
    assert right.entered_by == cast.nurse
    assert overview(follow_up, at=EVENING + hours(1)).last_reading == right
    assert cast.worker.alerts.filter(cause="fever", closed_at=None).exists()  # what was raised stays


def test_without_a_reason_nothing_is_replaced(nurse, wrong):
    page = send(nurse, wrong, temperature="36.8", reason="")
    assert page.context["form"].errors["reason"]
    assert Reading.objects.count() == 1


def test_what_was_replaced_already_is_not_replaced_again(nurse, wrong):
    send(nurse, wrong, temperature="36.8", reason="Typed 39 for 36.")
    page = send(nurse, wrong, temperature="36.9", reason="Again.")
    assert "This reading has been replaced already" in page.content.decode()
    assert Reading.objects.count() == 2


def test_the_story_leads_to_it_until_it_is_replaced(cast, nurse, wrong):
    person = reverse("person", args=[cast.worker.uid])
    address = reverse("reading_amend", args=[wrong.uid])
    assert address in nurse.get(person).content.decode()
    send(nurse, wrong, temperature="36.8", reason="Typed 39 for 36.")
    assert address not in nurse.get(person).content.decode()


@pytest.mark.parametrize("who", ["outsider", "observer", "lead", "worker"])
def test_nobody_else_finds_the_page(cast, client, standing_clock, wrong, who):
    standing_clock(EVENING)
    client.force_login(cast.worker.user if who == "worker" else getattr(cast, who))
    assert client.get(reverse("reading_amend", args=[wrong.uid])).status_code == 404


def test_a_nurse_does_not_correct_her_own(cast, client, standing_clock, wrong):
    with doing("command:tests"):
        cast.worker.user = cast.nurse2
        cast.worker.save()
    standing_clock(EVENING)
    client.force_login(cast.nurse2)
    assert client.get(reverse("reading_amend", args=[wrong.uid])).status_code == 404
