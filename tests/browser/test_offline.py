"""From a printed sheet to a reading without a connection, in a real browser on a phone of one's own; what is on the
phone then, and after the sign-out."""

import re
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.followup.models import Fill, FollowUp, Reading
from exposure.people.models import Worker
from tests.browser.test_phone import Thumb
from tests.browser.test_walk import accessible
from tests.cast import MONDAY, doing
from tests.web.wim import EVENING, TUESDAY_MORNING, confirm, report, tell

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

CHOSEN = "492716"
NAME = "Clara Reed"
# All that the browser holds of this service, as text: stored rows byte by byte, caches with their names and addresses.
HELD = """async () => {
  const text = (value) => value instanceof CryptoKey ? `key ${value.extractable}`
    : value instanceof ArrayBuffer || ArrayBuffer.isView(value) ? new TextDecoder().decode(value)
    : value && typeof value === "object" ? Object.entries(value).map(([name, part]) => `${name}=${text(part)}`).join()
    : String(value);
  const found = { rows: {}, caches: [], pages: [], local: { ...localStorage, ...sessionStorage } };
  for (const { name } of await indexedDB.databases()) {
    const base = await new Promise((done) => {
      const asked = indexedDB.open(name);
      asked.onsuccess = () => done(asked.result);
    });
    for (const store of base.objectStoreNames) {
      const rows = await new Promise((done) => {
        const asked = base.transaction(store).objectStore(store).getAll();
        asked.onsuccess = () => done(asked.result);
      });
      found.rows[store] = rows.map(text);
    }
    base.close();
  }
  for (const name of await caches.keys()) {
    const cache = await caches.open(name);
    for (const { url } of await cache.keys()) {
      found.caches.push(`${name} ${new URL(url).pathname}`);
      if (url.endsWith("/offline/")) found.pages.push(await (await cache.match(url)).text());
    }
  }
  return found;
}"""
IS_KEPT = """async (at) => {
  const names = (await caches.keys()).filter((name) => name.startsWith("shell-"));
  const page = names.length && await (await caches.open(names[0])).match("/offline/", { ignoreVary: true });
  const { kept } = await import("/static/js/store.js");
  const held = page && await kept();
  return Boolean(held) && Math.abs(Date.now() + held.ahead - at) < 60000;
}"""
CLINICAL = re.compile(r"exposure|contact|ebola|infect|disease|fever|temperature|symptom|reading|breach", re.I)


@pytest.fixture
def clara(cast, standing_clock):
    """An agency nurse with a number and no account, monitored since this morning."""
    standing_clock(MONDAY)
    with doing(cast.nurse):
        worker = Worker.objects.create(site=cast.site, name=NAME, number="SG-2001", phone="+44 1632 960 417")
    breach = report(cast, worker="SG-2001")
    tell(cast, breach)
    confirm(cast, breach)
    return worker


@pytest.fixture
def phone(browser, live_server):
    context = browser.new_context(
        base_url=live_server.url, viewport={"width": 390, "height": 844}, has_touch=True
    )
    context.set_default_timeout(8000)
    yield context.new_page()
    context.close()


def printed_sheet(cast, worker):
    nurse = Client()
    nurse.force_login(cast.nurse)
    sheet = nurse.post(reverse("invite_worker", args=[worker.uid]), {"by": "paper"}).content.decode()
    return re.search(r"/i/[\w-]+/", sheet)[0]


def come_in(phone, address):
    """From the sheet to Today, on a phone of one's own: taps and characters are counted."""
    thumb = Thumb(phone)
    phone.goto(address)
    for label, words in (("staff number", "SG-2001"), ("six digits", CHOSEN)):
        thumb.tap(phone.get_by_label(label))
        thumb.type(words)
    thumb.tap(phone.get_by_role("button", name="Go on"))
    phone.get_by_role("heading", name="Take your temperature now").wait_for()
    return thumb


def enter(phone, typed):
    phone.get_by_label("Temperature").fill(typed)
    if not phone.get_by_label("Where taken").is_visible():
        phone.locator(".how summary").tap()
    phone.get_by_label("Where taken").select_option("oral")
    phone.get_by_role("button", name="No symptoms, send").tap()


def has_kept(phone, at):
    """Until the phone holds what it needs without a connection, as of that instant."""
    phone.evaluate("navigator.serviceWorker.ready.then(() => 1)")
    for _look in range(100):
        if phone.evaluate(IS_KEPT, at.timestamp() * 1000):
            return
        phone.wait_for_timeout(100)
    pytest.fail("the phone kept nothing")


def portal(route):
    """What a hotel's network answers until somebody has agreed to something."""
    route.fulfill(status=200, content_type="text/html", body="<h1>Welcome</h1>")


def test_from_a_printed_sheet_to_an_evening_without_a_connection(cast, clara, phone, standing_clock):
    standing_clock(EVENING)
    thumb = come_in(phone, printed_sheet(cast, clara))
    thumb.tap(phone.get_by_label("Temperature"))
    thumb.type("36.8")
    phone.get_by_label("Where taken").select_option("oral")
    thumb.press(phone.get_by_role("button", name="No symptoms, send"))
    phone.get_by_role("heading", name="Recorded").wait_for()
    print(f"\nfrom the sheet to the first reading: {thumb.taps} taps, {thumb.characters} characters")
    assert Reading.objects.get().taken_at == EVENING

    # The next morning there is no connection: the page opens all the same.
    standing_clock(TUESDAY_MORNING)
    phone.goto("/today/")
    has_kept(phone, TUESDAY_MORNING)
    phone.context.set_offline(True)
    phone.goto("/today/")
    phone.get_by_role("heading", name="No connection: enter it here").wait_for()
    assert "Due now, until 10:00." in phone.locator("main").inner_text()
    assert NAME not in phone.content()
    accessible(phone)
    phone.get_by_label("Temperature").fill("98.6")
    phone.get_by_role("button", name="No symptoms, send").tap()
    phone.get_by_text("That number fits the other unit.").wait_for()
    taps = Thumb(phone)
    phone.get_by_label("Temperature").fill("")
    taps.tap(phone.get_by_label("Temperature"))
    taps.type("36.9")
    taps.press(phone.get_by_role("button", name="No symptoms, send"))
    phone.get_by_role("heading", name="Kept on this phone").wait_for()
    print(f"without a connection: {taps.taps} taps, {taps.characters} characters")
    phone.get_by_text("Kept here, not sent yet: 1").wait_for()
    held = phone.evaluate(HELD)
    assert "key false" in held["rows"]["key"][0]  # it cannot be read out
    assert "36.9" not in str(held)
    assert Reading.objects.count() == 1

    # A portal that answers everything with its own page takes nothing.
    answered = []
    phone.context.route("**/today/kept/", lambda route: answered.append(portal(route)))
    standing_clock(TUESDAY_MORNING + timedelta(hours=5))
    phone.context.set_offline(False)
    while not answered:
        phone.wait_for_timeout(50)
    phone.get_by_role("button", name="Send it now").tap()
    phone.wait_for_timeout(200)
    phone.get_by_text("Kept here, not sent yet: 1").wait_for()
    assert Reading.objects.count() == 1
    phone.context.unroute("**/today/kept/")
    phone.get_by_role("button", name="Send it now").tap()
    phone.get_by_role("heading", name="Recorded").wait_for()
    late = Reading.objects.latest("pk")
    assert (str(late.value), Reading.objects.count()) == ("36.90", 2)
    assert timedelta(0) <= late.taken_at - TUESDAY_MORNING < timedelta(minutes=2)
    assert late.recorded_at == TUESDAY_MORNING + timedelta(hours=5)


def test_three_weeks_of_readings_cost_two_taps_and_four_characters_each_and_no_other_sign_in(
    cast, clara, phone, standing_clock
):
    standing_clock(EVENING)
    come_in(phone, printed_sheet(cast, clara))
    checks = list(FollowUp.objects.get(worker=clara).checks.order_by("opens_at"))
    assert len(checks) >= 42
    thumb = Thumb(phone)
    for number, check in enumerate(checks):
        standing_clock(check.due_at)
        phone.goto("/today/")
        thumb.tap(phone.get_by_label("Temperature"))
        thumb.type(f"36.{number % 8}")
        send = phone.get_by_role("button", name="No symptoms, send")
        if number:
            thumb.tap(send)
        else:  # where it is taken is asked once, and remembered
            phone.get_by_label("Where taken").select_option("oral")
            thumb.press(send)
        phone.get_by_role("heading", name="Recorded").wait_for()
    print(f"\n{len(checks)} readings: {thumb.taps} taps, {thumb.characters} characters")
    assert (thumb.taps, thumb.characters) == (2 * len(checks), 4 * len(checks))
    assert {fill.state for fill in Fill.objects.filter(check_row__in=checks)} == {"recorded"}
    assert Fill.objects.filter(check_row__in=checks).count() == len(checks)


def test_what_stops_somebody_without_a_connection_and_what_is_left_after_the_sign_out(
    cast, clara, phone, standing_clock
):
    standing_clock(EVENING)
    come_in(phone, printed_sheet(cast, clara))
    has_kept(phone, EVENING)
    phone.context.set_offline(True)
    phone.goto("/")
    enter(phone, "38.4")
    phone.get_by_role("heading", name="Stop. Not sent: telephone now").wait_for()
    phone.reload()  # it stands, also where the page is opened anew
    phone.get_by_role("heading", name="Stop. Not sent: telephone now").wait_for()
    phone.context.set_offline(False)
    phone.get_by_text("has been alerted at").wait_for(timeout=20_000)
    assert Alert.objects.get(cause="fever").closed_at is None
    assert Reading.objects.count() == 1

    # Something unsent is said before the sign-out; afterwards nothing that is left can be read.
    phone.goto("/today/")
    phone.context.set_offline(True)
    phone.get_by_text("Enter another reading").tap()
    enter(phone, "36.6")
    phone.get_by_role("heading", name="Kept on this phone").wait_for()
    phone.get_by_role("button", name="Sign out", exact=True).tap()
    phone.get_by_text("Press Sign out once more to do that.").wait_for()
    assert phone.evaluate(HELD)["rows"]["key"] != []
    phone.get_by_role("button", name="Sign out", exact=True).tap()
    phone.get_by_role("heading", name="No connection", exact=True).wait_for()
    assert phone.get_by_label("Temperature").count() == 0
    held = phone.evaluate(HELD)
    assert (held["rows"]["key"], held["rows"]["page"], len(held["rows"]["entries"])) == ([], [], 1)
    assert held["local"] == {}
    assert held["caches"]
    for text in held["caches"]:
        assert not CLINICAL.search(text)
    for text in (*held["rows"]["entries"], *held["pages"]):
        assert not any(word in text for word in ("36.6", NAME, "clara", "ebola", "Ebola"))
