"""The station's tablet, screen by screen without a network: how large everything is in millimetres on each tablet,
narrow, in forced colours, and done from the keyboard alone."""

import pytest

from exposure.people.models import User
from tests.browser.test_gloves import SMALL, TABLETS, least_sizes
from tests.browser.test_phone import UNSEEN
from tests.browser.test_tablet import SEALED, SIZE, UNSENT, Tablet, key, session_of  # noqa: F401
from tests.browser.test_tablet_removal import begin
from tests.browser.test_walk import accessible
from tests.browser.test_widths import TOO_WIDE

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

NARROW = {"width": 320, "height": 568}
REPORT = {"setup", "home", "observe", "who", "groups", "group", "aid", "review", "kept", "waiting"}
REMOVAL = {"step", "wrong", "guided-aid", "question"}


class Measured(Tablet):
    """A tablet that is worked by the keyboard, and whose every screen is measured when it has come."""

    def __init__(self, *given):
        self.seen, self.wrong = set(), []
        super().__init__(*given)

    def at(self, screen):
        super().at(screen)
        if screen in self.seen:
            return
        self.seen.add(screen)
        for kind, (width, height) in TABLETS.items():
            self.page.set_viewport_size({"width": width, "height": height})
            self.wrong += [(screen, kind, *what) for what in self.page.evaluate(SMALL, least_sizes())]
        self.page.set_viewport_size(NARROW)
        self.wrong += [(screen, "narrow", what) for what in self.page.evaluate(TOO_WIDE)]
        self.page.set_viewport_size(SIZE)
        self.page.emulate_media(forced_colors="active")
        self.wrong += [(screen, "forced colours", what) for what in self.page.evaluate(UNSEEN)]
        self.page.emulate_media(forced_colors="none")
        accessible(self.page)

    def tap(self, words, *, exact=True):
        self.page.wait_for_timeout(260)
        self.page.get_by_role("button", name=words, exact=exact).first.focus()
        self.page.keyboard.press("Enter")


def test_each_screen_is_for_a_glove_on_every_tablet_and_goes_by_the_keyboard(
    browser,
    live_server,
    tmp_path,
    key,  # noqa: F811
):
    tablet = Measured(browser, live_server.url, str(tmp_path / "profile"))
    tablet.page.goto("/station/en/")
    tablet.at("setup")
    tablet.enrol(key)
    tablet.context.set_offline(True)
    tablet.page.reload()
    tablet.at("home")
    tablet.usual("Wim Alder")
    tablet.at("review")
    tablet.tap("Keep and send")
    tablet.at("kept")
    tablet.tap("Not sent yet", exact=False)
    tablet.at("waiting")
    tablet.tap("Back")
    removal(tablet)
    stands_on_the_station_s_page(tablet)
    tablet.context.close()
    assert tablet.wrong == [], "\n".join(map(str, tablet.wrong))
    assert tablet.seen >= REPORT | REMOVAL


def removal(tablet):
    """To the question that stands when the worker is out."""
    begin(tablet, "Drill", "Wim Alder")
    tablet.at("step")
    tablet.tap("Pause")
    tablet.at("step")
    tablet.tap("Go on with it")
    tablet.tap("Something went wrong")
    tablet.at("wrong")
    tablet.tap(tablet.page.locator("main .actions button").first.text_content())
    tablet.at("guided-aid")
    tablet.tap("Back to the removal")
    tablet.at("step")
    tablet.tap("End here", exact=False)
    tablet.at("question")


def stands_on_the_station_s_page(tablet):
    """How much waits here is said on the page that needs the network too, by whoever is signed in."""
    waiting = len(tablet.page.evaluate(UNSENT))
    assert waiting
    page = tablet.context.new_page()
    tablet.context.route(SEALED, lambda route: route.abort())
    tablet.context.set_offline(False)
    tablet.context.add_cookies([session_of(User.objects.get(name="observer"), tablet.url)])
    page.goto("/stations/heron/")
    assert page.locator(".facts b:visible").inner_text() == str(waiting)
    accessible(page)
