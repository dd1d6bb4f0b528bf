"""What changes on the worker's phone in three weeks, in a real browser: a reading put right, a journey across zones,
the same evening in French."""

from zoneinfo import ZoneInfo

import pytest
from django.utils import translation
from django.utils.translation import gettext

from exposure.followup.models import Reading
from exposure.people.models import Worker
from tests.browser.test_phone import HIDDEN_PAGES, Thumb, heading, phone  # noqa: F401  (a fixture)
from tests.browser.test_walk import accessible
from tests.web.wim import EVENING

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def send(page, typed, button="No symptoms, send", label="Temperature"):
    page.get_by_label(label).first.fill(typed)
    page.get_by_role("button", name=button).tap()


def test_a_reading_is_put_right_and_the_earlier_one_stays_beside_it(cast, phone):  # noqa: F811
    send(phone, "37.9")
    phone.get_by_role("link", name="Put it right").first.tap()
    phone.get_by_role("heading", name="Put a reading right").wait_for()
    accessible(phone)
    phone.get_by_label("Temperature").first.fill("36.9")
    phone.get_by_role("button", name="Send the right one").tap()
    phone.get_by_text("Say why").first.wait_for()
    assert phone.get_by_label("Temperature").first.input_value() == "36.9", "what was typed stays"
    phone.get_by_label("What was wrong with it?").first.fill("Misread the display.")
    phone.get_by_role("button", name="Send the right one").tap()
    phone.get_by_role("heading", name="Put a reading right").wait_for(state="detached")
    right = Reading.objects.latest("pk")
    assert (str(right.value), str(right.replaces.value), right.reason) == (
        "36.90",
        "37.90",
        "Misread the display.",
    )
    phone.goto("/my-days/")
    shown = phone.locator("main").inner_text()
    assert "36.9" in shown
    assert "37.9" in shown
    accessible(phone)


def test_a_story_reads_the_page_that_a_tap_opened_also_on_a_slow_network(phone):  # noqa: F811
    network = phone.context.new_cdp_session(phone)
    network.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": 700, "downloadThroughput": -1, "uploadThroughput": -1},
    )
    for language in ("Français", "English"):
        phone.get_by_role("button", name=language).tap()
        assert phone.locator("html").get_attribute("lang") == language[:2].lower()


def test_on_a_journey_the_next_reading_moves_to_the_clock_there_once_that_is_confirmed(cast, phone):  # noqa: F811
    send(phone, "36.8")
    phone.goto("/settings/")
    phone.get_by_label("Where you are now").select_option("Asia/Tokyo")
    phone.get_by_role("button", name="Save", exact=True).tap()
    phone.get_by_role("heading", name="Not saved yet: is this right?").wait_for()
    accessible(phone)
    assert Worker.objects.get(pk=cast.worker.pk).own_zone == ""
    phone.get_by_role("button", name="Yes, save it").tap()
    there = EVENING.astimezone(ZoneInfo("Asia/Tokyo"))
    phone.get_by_text(f"It is {there:%H:%M} in Tokyo.").wait_for()
    assert Worker.objects.get(pk=cast.worker.pk).own_zone == "Asia/Tokyo"
    phone.goto("/today/")
    assert "this evening, 18:00 to 22:00" in phone.locator("main").inner_text()
    phone.goto("/settings/")
    phone.get_by_label("Where you are now").select_option("")
    phone.get_by_role("button", name="Save", exact=True).tap()
    phone.get_by_role("button", name="Yes, save it").tap()
    phone.get_by_text("in Lisbon.").first.wait_for()
    assert Worker.objects.get(pk=cast.worker.pk).own_zone == "", "and back home again"


def test_the_evening_in_french_from_the_switch_to_the_days(cast, phone):  # noqa: F811
    phone.get_by_role("button", name="Français").tap()
    with translation.override("fr"):
        words = {
            name: gettext(name)
            for name in (
                "Temperature",
                "No symptoms, send",
                "Recorded",
                "My days",
                "What this means",
                "Settings",
            )
        }
    assert all(french != english for english, french in words.items())
    assert phone.locator("html").get_attribute("lang") == "fr"
    accessible(phone)
    thumb = Thumb(phone)
    thumb.tap(phone.get_by_label(words["Temperature"]).first)
    thumb.type("36,8")
    thumb.tap(phone.get_by_role("button", name=words["No symptoms, send"]))
    phone.get_by_role("heading", name=words["Recorded"]).wait_for()
    assert (thumb.taps, thumb.characters) == (2, 4)
    assert str(Reading.objects.latest("pk").value) == "36.80"
    for address, name in (
        ("/my-days/", "My days"), ("/what-this-means/", "What this means"), ("/settings/", "Settings"),
    ):  # fmt: skip
        phone.goto(address)
        assert heading(phone) == words[name]
        assert phone.evaluate(HIDDEN_PAGES) == 0, f"the navigation of {address} is whole"
        accessible(phone)
