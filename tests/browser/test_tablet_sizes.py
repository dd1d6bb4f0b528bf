"""The station's tablet, screen by screen without a network: how large everything is in millimetres on each tablet,
narrow, in forced colours, and done from the keyboard alone."""

import pytest

from tests.browser.test_gloves import SMALL, TABLETS, least_sizes
from tests.browser.test_phone import UNSEEN
from tests.browser.test_tablet import SIZE, Tablet, key  # noqa: F401
from tests.browser.test_walk import accessible
from tests.browser.test_widths import TOO_WIDE

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

NARROW = {"width": 320, "height": 568}


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
    tablet.context.close()
    assert tablet.wrong == [], "\n".join(map(str, tablet.wrong))
    assert tablet.seen >= {
        "setup",
        "home",
        "observe",
        "who",
        "groups",
        "group",
        "aid",
        "review",
        "kept",
        "waiting",
    }
