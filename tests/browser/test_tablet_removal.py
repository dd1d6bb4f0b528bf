"""A removal on a station's tablet without a network, in a real browser: killed in the middle, left alone, sent when
there is one; nothing of it left to be read on the tablet."""

import json
from datetime import timedelta

import pytest

from exposure.report.models import Breach, Mark, Removal
from tests.browser import test_tablet
from tests.browser.test_gloves import SMALL, least_sizes
from tests.browser.test_offline import HELD
from tests.browser.test_tablet import DIGITS, DRAIN, PLANTED, UNSENT, held_on_disk
from tests.browser.test_walk import accessible
from tests.cast import MONDAY

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
key, tablet = test_tablet.key, test_tablet.tablet

LATER = "(minutes) => { const now = Date.now; Date.now = () => now() + minutes * 60000; }"


def on(tablet, screen):
    """The screen is there, and nothing on it is too small for a glove."""
    tablet.page.locator(f'body[data-screen="{screen}"]').wait_for()
    small = [what for what in tablet.page.evaluate(SMALL, least_sizes()) if what[0] == "small"]
    assert small == [], screen


def usual(tablet, screen):
    """Nor is anything hidden from a screen reader."""
    on(tablet, screen)
    accessible(tablet.page)


def begin(tablet, kind, who):
    tablet.tap("Start a removal")
    on(tablet, "choose")
    tablet.tap("Gown", exact=False)
    on(tablet, "choose")
    tablet.tap(kind)
    on(tablet, "who")
    tablet.tap(who, exact=False)
    on(tablet, "choose")
    tablet.tap("I do, as a trained observer")
    on(tablet, "observe")
    tablet.tap("Without")


def where(tablet):
    return tablet.page.locator(".where").inner_text()


def test_a_removal_without_a_network_killed_in_the_middle_and_one_that_nobody_came_back_to(
    cast, key, tablet, standing_clock
):
    page = tablet.page
    tablet.enrol(key)
    tablet.context.set_offline(True)
    tablet.tap("Sound and vibration: off")
    page.get_by_role("button", name="Sound and vibration: on").wait_for()
    page.reload()
    page.get_by_role("button", name="Sound and vibration: on").wait_for()
    begin(tablet, "Real", "Wim Alder")
    usual(tablet, "step")
    assert page.locator("main .emergencies button").count() == 4
    heading, kicker = page.locator("main h1"), page.locator("main .kicker")
    assert "Step 1 of" in where(tablet)
    first = cast.station.protocols.get(code="gown-particulate").steps.get(position=1)
    assert (heading.inner_text(), kicker.inner_text()) == (first.action, first.item)
    # A second tap of the same finger was meant for the step before.
    page.get_by_role("button", name="Done", exact=True).dblclick()
    page.wait_for_timeout(300)
    assert "Step 2 of" in where(tablet)
    tablet.tap("Something went wrong")
    on(tablet, "wrong")
    tablet.tap(page.locator("main .actions button").first.text_content())
    page.wait_for_timeout(200)
    # Killed: it goes on at the step, before anything is asked.
    tablet.kill()
    page = tablet.open()
    page.goto("/station/en/")
    tablet.context.set_offline(True)
    page.reload()
    page.locator("body.guided").wait_for()
    if tablet.screen() == "guided-aid":
        tablet.tap("Back to the removal")
    on(tablet, "step")
    assert "Wim Alder" in where(tablet)
    assert "Step 2 of" in where(tablet)
    page.locator("#unsent").evaluate("one => { one.hidden = false; one.click(); }")
    assert tablet.screen() == "step", "nothing leads away from a removal"
    tablet.tap("Pause")
    assert heading_of(page).startswith("Paused since")
    tablet.tap("Eyes or mouth")
    usual(tablet, "guided-aid")
    tablet.tap("Rinsing or washing has begun", exact=False)
    page.locator(".timer .left").wait_for()
    tablet.tap("Back to the removal")
    on(tablet, "step")
    tablet.tap("Go on with it")
    tablet.tap("Back one step")
    page.wait_for_timeout(300)
    assert "Step 1 of" in where(tablet)
    tablet.tap("End here", exact=False)
    usual(tablet, "question")
    tablet.tap("Undo: the worker is not out yet")
    on(tablet, "step")
    tablet.tap("End here", exact=False)
    on(tablet, "question")
    tablet.tap("No")
    page.wait_for_timeout(300)
    assert "Splash" in page.locator("main .lede").inner_text()
    tablet.tap("No")
    on(tablet, "sure")
    tablet.tap("Not certain: report it")
    on(tablet, "observe")
    tablet.tap("Without")
    for _question in range(12):
        page.wait_for_timeout(60)
        if tablet.screen() == "review":
            break
        tablet.tap(page.locator(".answers button").first.text_content())
    tablet.tap("Keep and send")
    on(tablet, "kept")
    reference = page.locator(".reference").text_content()
    tablet.tap("Done")
    on(tablet, "finished")
    assert reference in page.locator("main").inner_text()
    page.reload()
    on(tablet, "finished")
    tablet.tap("Keep and send")
    on(tablet, "observe")
    page.get_by_label("Number on your badge").fill("observer")
    page.get_by_label("Your six digits").fill(DIGITS)
    tablet.tap("Go on")
    on(tablet, "home")
    assert "The removal is noted" in page.locator("main").inner_text()
    # Another one, left alone: what went wrong is sent as it stands, then the removal, and nothing of it stays.
    begin(tablet, "Drill", "Wim Alder")
    on(tablet, "step")
    tablet.tap("Something went wrong")
    on(tablet, "wrong")
    page.evaluate(LATER, 31)
    page.evaluate("dispatchEvent(new Event('online'))")
    page.locator("#unsent b", has_text="3").wait_for()
    page.evaluate(LATER, 300)
    on(tablet, "home")
    assert len(page.evaluate(UNSENT)) == 4
    held = json.dumps(page.evaluate(HELD)) + page.locator("body").inner_text()
    assert [word for word in PLANTED if word in held] == []
    tablet.kill()
    assert held_on_disk(tablet) == set()
    standing_clock(MONDAY + timedelta(minutes=5))
    page = tablet.open()
    page.goto("/station/en/")
    assert page.evaluate(DRAIN, 300) == 0
    stand(cast, reference)


def heading_of(page):
    return page.locator("main h1").inner_text()


def stand(cast, reference):
    """What the service has of it."""
    drill, real = Removal.objects.filter(protocol__code="gown-particulate").order_by("-drill")
    assert (real.worker, real.station, real.observer) == (cast.worker, cast.station, cast.observer)
    assert real.started_at < real.finished_at
    assert MONDAY < real.finished_at < MONDAY + timedelta(minutes=3)
    assert (drill.finished_at, drill.observer.device_of) == (None, cast.station)
    first, splash = Mark.objects.filter(removal=real).order_by("marked_at")
    assert (first.step.position, first.breach) == (2, None)
    assert first.deviation_at > first.marked_at
    assert splash.breach.reference == reference
    assert (splash.breach.removal, splash.breach.happened_at) == (real, splash.marked_at)
    assert (splash.breach.protocol_step, splash.breach.first_aid) == (
        splash.step.code,
        [splash.failure.card.code],
    )
    assert splash.aid_begun_at is not None
    left = Mark.objects.get(removal=drill)
    assert (left.breach.facts, left.breach.drill, left.breach.removal) == ({}, True, drill)
    assert Breach.objects.count() == 2
    assert [flag for breach in Breach.objects.all() for flag in breach.flags if "removal" in flag] == []
