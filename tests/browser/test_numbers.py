"""Text at 320 px and 200 %: every digit of every number to ring is on the screen (WCAG 2.2, 1.4.4 and 1.4.10)."""

import re
from datetime import timedelta

import pytest
from django.core import mail
from django.test import Client

from exposure.attend.models import Alert
from exposure.pipeline import attend, clear
from exposure.places.models import Site
from tests.cast import MONDAY, doing
from tests.walk import confirm, follow_up_told_and_confirmed, hours, log, pass_time, report, tell

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

EVENING = MONDAY.replace(hour=19)
LONG = "+351 900 000 1000 (44)"
TOGETHER = "+3519000001000"
WORKER_PAGES = ["/today/", "/my-days/", "/what-this-means/", "/settings/", "/settings/times/"]

# Every character of a number, as drawn: outside the screen, or outside a box that cuts off what is beyond it.
CUT_OFF = """() => {
  const found = [];
  for (const link of document.querySelectorAll('a[href^="tel:"]')) {
    const walker = document.createTreeWalker(link, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      const node = walker.currentNode;
      for (let place = 0; place < node.length; place++) {
        if (!node.data[place].trim()) continue;
        const range = document.createRange();
        range.setStart(node, place);
        range.setEnd(node, place + 1);
        const box = range.getBoundingClientRect();
        let seen = box.width > 0 && box.left >= 0 && box.right <= document.documentElement.clientWidth;
        for (let up = link; up && up !== document.body; up = up.parentElement) {
          const frame = up.getBoundingClientRect();
          if (getComputedStyle(up).overflowX !== "visible") seen &&= box.left >= frame.left && box.right <= frame.right;
        }
        const button = link.getBoundingClientRect();
        seen &&= box.left >= button.left - 0.5 && box.right <= button.right + 0.5;
        if (!seen) found.push(`${node.data[place]} of ${link.textContent.trim()}`);
      }
    }
  }
  return found;
}"""

# What makes the page scroll sideways.
TOO_WIDE = """() => {
  const wide = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth <= wide) return [];
  return [...document.body.querySelectorAll("*")]
    .filter((one) => !one.closest(".nav li") && one.getBoundingClientRect().right > wide + 0.5)
    .map((one) => one.outerHTML.slice(0, 80));
}"""


def shows_every_digit(page, address, *, numbers):
    page.goto(address)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert page.locator('a[href^="tel:"]').count() >= numbers, address
    assert page.evaluate(CUT_OFF) == [], address
    assert page.evaluate(TOO_WIDE) == [], address


def test_every_digit_of_every_number_is_seen_on_a_narrow_telephone_with_large_text(
    cast, sign_in, standing_clock, browser, live_server
):
    standing_clock(MONDAY)
    with doing("command:tests"):
        for site, number in ((cast.site, LONG), (cast.other_site, TOGETHER)):
            site.phone = number
            site.save()
    assert Site.objects.filter(live_from__isnull=False).count() == 2
    context = browser.new_context(base_url=live_server.url, viewport={"width": 320, "height": 640})
    for address in ("/account/login/", "/account/password/reset/", "/no-such-page/"):
        shows_every_digit(context.pages[0] if context.pages else context.new_page(), address, numbers=2)
    context.close()

    phone = sign_in("worker", 320, 640)
    reported = report(cast)
    shows_every_digit(phone, "/today/", numbers=2)  # please ring
    tell(cast, reported)
    standing_clock(MONDAY + timedelta(hours=3))
    shows_every_digit(phone, "/today/", numbers=2)  # a call that is late
    confirm(cast, reported)
    standing_clock(EVENING)
    for address in WORKER_PAGES:
        shows_every_digit(phone, address, numbers=2)
    log(cast, at=EVENING, temperature="38.4")
    for address in WORKER_PAGES:
        shows_every_digit(phone, address, numbers=3)
    log(cast, at=EVENING + timedelta(minutes=1), symptoms=["bleeding"])
    shows_every_digit(phone, "/today/", numbers=3)
    with doing(cast.nurse, at=EVENING):
        for alert in Alert.objects.filter(closed_at=None):
            attend.close_alert(alert=alert, outcome="evaluated", note="Looked at.", by=cast.nurse, at=EVENING)


# On how many lines the number stands that breaks most often; one of a usual length is whole at a glance.
MOST_LINES = """() => Math.max(...[...document.querySelectorAll(".ring-number")].map((number) =>
  new Set([...number.querySelectorAll(".group")].map((one) => Math.round(one.getBoundingClientRect().top))).size))"""


def test_the_number_is_on_the_first_screen_of_a_telephone(cast, sign_in, standing_clock):
    standing_clock(MONDAY)
    reported = report(cast)
    phone = sign_in("worker", 390, 844)
    tell(cast, reported)
    confirm(cast, reported)
    standing_clock(EVENING)
    for fever in (False, True):
        if fever:
            log(cast, at=EVENING, temperature="38.4")
        for address in WORKER_PAGES:
            phone.goto(address)
            box = phone.locator('a[href^="tel:"]').first.bounding_box()
            assert box["y"] + box["height"] <= 844, address
            for width in (360, 390, 820, 1000, 1440):
                phone.set_viewport_size({"width": width, "height": 844})
                assert phone.evaluate(MOST_LINES) == 1, (address, width)
            phone.set_viewport_size({"width": 390, "height": 844})


# The number comes before all that can be pressed, and no group of its digits is broken in two.
RINGS_FIRST = """() => {
  const number = document.querySelector('a[href^="tel:"]');
  const all = [...document.querySelectorAll("main a, main button, main summary, .ring-anyway a")];
  const whole = (group) => group.getClientRects().length === 1
    && group.getBoundingClientRect().height < 1.5 * parseFloat(getComputedStyle(group).lineHeight);
  return all[0] === number && [...number.querySelectorAll(".group")].every(whole);
}"""


def test_what_the_link_of_a_reminder_shows_begins_with_the_whole_number(
    cast, standing_clock, browser, live_server
):
    """Before it is answered, after each answer, when the follow-up or the link is over, and where it is not known."""
    with doing("command:tests"):
        cast.site.phone = LONG
        cast.site.save()
    follow_up = follow_up_told_and_confirmed(cast)
    opens = MONDAY.replace(hour=18)
    pass_time(opens)
    standing_clock(opens)
    link = re.search(
        r"/r/[\w-]+/", [one for one in mail.outbox if one.to == ["worker@example.org"]][-1].body
    ).group()
    answers = ("ill", "call_me", "done", "cannot", "stop")
    for answer in answers:
        assert Client().post(link, {"answer": answer}).status_code == 302
    pages = []
    for language in ("en", "fr"):
        context = browser.new_context(
            base_url=live_server.url, viewport={"width": 320, "height": 640}, locale=language
        )
        pages.append((language, context.new_page()))

    def looks_right(address):
        for language, page in pages:
            shows_every_digit(page, address, numbers=1)
            assert page.locator("html").get_attribute("lang") == language
            assert page.evaluate(RINGS_FIRST), (language, address)

    for address in (link, *(f"{link}{answer}/" for answer in answers), "/r/x/"):
        looks_right(address)
    with doing(cast.physician, at=opens):
        said = {"kind": "died", "reason": "On the ward.", "basis": "agreed"}
        clear.end_follow_up(follow_up=follow_up, by=cast.physician, at=opens, **said)
    looks_right(link)
    standing_clock(opens + hours(5))
    looks_right(link)
    for _language, page in pages:
        page.context.close()
