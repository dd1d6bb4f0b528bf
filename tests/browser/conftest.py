"""A real browser on the real pages."""

import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Locator, Page, sync_playwright

from tests.cast import PASSWORD
from tests.servers import chromium

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def refused() -> list[str]:
    """What pages tried in this test that their policy forbids; whoever tries on purpose empties it."""
    return []


@pytest.fixture(scope="session")
def browser(refused: list[str]) -> Iterator[Browser]:
    # The driver runs an event loop in this thread until the end, which makes Django refuse the ORM without this.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
        unwatched = browser.new_context

        def watched(**options: Any) -> BrowserContext:
            context = unwatched(**options)
            context.on("console", lambda message: refused.extend(_violations(message)))
            return context

        browser.new_context = watched
        yield browser
        browser.close()


def _violations(message: ConsoleMessage) -> list[str]:
    return [message.text] if "Content Security Policy" in message.text else []


@pytest.fixture(scope="session", autouse=True)
def _whole_pages() -> Iterator[None]:
    """A click that opens a page ends when the page stands: what a story reads next is never half of it.

    Playwright's own ends as soon as the first bytes of the new page have come, and its tap before the page has
    even been asked for: a tap becomes a click later, in the page.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Locator, "tap", _and_the_page_it_opens(Locator.tap))
        for name in ("click", "tap", "dblclick"):
            patch.setattr(Locator, name, _and_then_the_page(getattr(Locator, name)))
        yield


def _and_then_the_page(touch: Callable[..., None]) -> Callable[..., None]:
    def touched(self: Locator, **options: Any) -> None:
        touch(self, **options)
        self.page.wait_for_load_state("domcontentloaded")

    return touched


WATCH_THE_TAP = """() => {
  window.tapped = undefined;
  let sends = false;
  addEventListener("submit", sent => { sends = !sent.defaultPrevented; });
  addEventListener("click", click => {
    const link = click.target.closest("a[href]:not([target]):not([download])");
    setTimeout(() => {
      const leaves = link && !click.defaultPrevented && link.href.split("#")[0] !== location.href.split("#")[0];
      window.tapped = sends || leaves ? "leaves" : "stays";
    });
  }, {capture: true, once: true});
}"""


def _and_the_page_it_opens(tap: Callable[..., None]) -> Callable[..., None]:
    def tapped(self: Locator, **options: Any) -> None:
        self.page.evaluate(WATCH_THE_TAP)
        tap(self, **options)
        self.page.wait_for_function("() => window.tapped === 'stays' || !('tapped' in window)")

    return tapped


@pytest.fixture(autouse=True)
def _no_page_tries_what_its_policy_forbids(refused: list[str]) -> Iterator[None]:
    refused.clear()
    yield
    assert refused == []


@pytest.fixture
def sign_in(browser: Browser, live_server) -> Iterator[Callable[..., Page]]:
    """Returns a function that signs somebody in by the sign-in page, in a browser of their own."""
    contexts = []

    def sign(name: str, width: int = 1440, height: int = 900, **options) -> Page:
        context = browser.new_context(
            base_url=live_server.url, viewport={"width": width, "height": height}, **options
        )
        contexts.append(context)
        context.set_default_timeout(8000)
        page = context.new_page()
        page.goto("/account/login/")
        page.get_by_label("Name or e-mail").fill(name)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda url: "/account/login" not in url)
        return page

    yield sign
    for context in contexts:
        context.close()
