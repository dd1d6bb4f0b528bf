"""In a real browser: each emergency from every step of one protocol, and every digit of every number on a small screen
with large text."""

import pytest
from playwright.sync_api import expect

from exposure.pipeline.remove import start_removal
from exposure.places.models import Emergency, Protocol
from exposure.report.models import Mark
from tests.browser.test_walk import accessible
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
# Whether any text of the element is cut: a character whose box leaves the page or a clipping ancestor.
CUT = """element => {
  const range = document.createRange();
  const walker = document.createTreeWalker(element, NodeFilter.SHOW_TEXT);
  const cut = [];
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    for (let place = 0; place < node.data.length; place++) {
      if (!/[0-9+]/.test(node.data[place])) continue;
      range.setStart(node, place); range.setEnd(node, place + 1);
      for (const box of range.getClientRects())
        if (box.left < 0 || box.right > document.documentElement.clientWidth || !box.width) cut.push(node.data[place]);
    }
  }
  return cut;
}"""


def start(cast, code):
    with doing(cast.observer):
        protocol = Protocol.objects.get(code=code)
        return start_removal(
            station=cast.station,
            protocol=protocol,
            worker=cast.worker,
            drill=False,
            by=cast.observer,
            at=MONDAY,
        )


def test_each_emergency_is_one_tap_from_every_step_of_a_protocol(cast, sign_in, standing_clock):
    standing_clock(MONDAY)
    removal = start(cast, "contact")
    phone = sign_in("observer", 390, 844, java_script_enabled=False)
    for position in range(1, 7):
        for emergency in Emergency:
            if not phone.url.endswith(f"/removals/{removal.uid}/"):
                phone.goto(f"/removals/{removal.uid}/")
            expect(phone.locator(".where")).to_contain_text(f"Step {position} of 6")
            button = phone.get_by_role("button", name=str(emergency.label))
            box = button.bounding_box()
            assert box["y"] + box["height"] <= 844, "on the first screen of a phone"
            button.click()
            expect(phone.locator(".first-aid")).to_be_visible()
        phone.get_by_role("link", name="Back to the removal").click()
        phone.get_by_role("button", name="Done").click()
    marks = Mark.objects.values_list("step__position", "failure__card__emergency")
    assert set(marks) == {(position, emergency) for position in range(1, 7) for emergency in Emergency.values}
    assert len(marks) == 24


def test_every_digit_is_seen_on_a_small_screen_with_large_text(cast, sign_in, standing_clock):
    """320 CSS px wide (WCAG 2.2, 1.4.10) and text at 200% (1.4.4)."""
    standing_clock(MONDAY)
    removal = start(cast, "coverall-powered")
    phone = sign_in("observer", 320, 640)
    for emergency in Emergency:
        phone.goto(f"/removals/{removal.uid}/")
        phone.get_by_role("button", name=str(emergency.label)).click()
        phone.evaluate("document.documentElement.style.fontSize = '200%'")
        numbers = phone.locator("a[href^='tel:']")
        assert numbers.count() >= 2
        for number in numbers.all():
            assert number.evaluate(CUT) == []
        assert (
            phone.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
        )


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_pages_of_a_removal_are_accessible(cast, sign_in, standing_clock, scheme):
    standing_clock(MONDAY)
    removal = start(cast, "contact")
    tablet = sign_in("observer", 820, 1180, color_scheme=scheme)
    tablet.goto(f"/removals/{removal.uid}/")
    accessible(tablet)
    tablet.get_by_role("button", name="Emergency exit").click()
    tablet.get_by_role("button", name="Pause").click()
    accessible(tablet)
    tablet.get_by_role("button", name="Needle or sharp").click()
    accessible(tablet)
    tablet.get_by_role("link", name="It was something else").click()
    accessible(tablet)
    tablet.goto(f"/removals/{removal.uid}/")
    tablet.get_by_role("button", name="End here: the worker is already out").click()
    accessible(tablet)
    tablet.get_by_role("button", name="No", exact=True).click()
    accessible(tablet)
    tablet.get_by_role("button", name="Certain: it was").click()
    accessible(tablet)
    tablet.get_by_role("button", name="Take it back").click()
    expect(tablet.get_by_role("heading", level=1)).to_contain_text("Could anything contaminated")


def test_the_screen_stays_on_during_a_removal_and_again_when_the_page_comes_back(
    cast, sign_in, standing_clock
):
    standing_clock(MONDAY)
    removal = start(cast, "contact")
    tablet = sign_in("observer", 820, 1180)
    tablet.add_init_script(
        "window.held = []; navigator.wakeLock.request = async (what) => { window.held.push(what); return {}; };"
    )
    tablet.goto("/stations/")
    assert tablet.evaluate("held") == [], "not where nobody is in danger"
    tablet.goto(f"/removals/{removal.uid}/")
    tablet.wait_for_function("held.length === 1")
    tablet.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    assert tablet.evaluate("held") == ["screen", "screen"]
