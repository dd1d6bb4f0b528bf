"""A station's tablet in a real browser, on the browser's own profile on disk: reports without a network, killed in the
middle, sent through a bad one; none lost, none twice, and nothing of them left to be read on the tablet."""

import json
import os
import random
import signal
import time
import uuid
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from config.report_key import new_report_key, report_keys
from exposure.attend.models import Alert
from exposure.people import devices, station_pins
from exposure.pipeline.remove import start_removal
from exposure.pipeline.report import must_ring
from exposure.places.models import Protocol
from exposure.report.models import Breach, OtherContent
from exposure.report.sealed import public_key
from exposure.report.submission import reference
from tests.browser.conftest import FLAGS
from tests.browser.test_offline import HELD
from tests.browser.test_walk import accessible
from tests.cast import MONDAY, doing
from tests.servers import chromium

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SIZE = {"width": 820, "height": 1180}
SEALED = "**/api/v1/sealed-reports/"
DIGITS = "482915"
PLANTED = ("Planted Name", "planted note", "Wim Alder", "SG-1042", DIGITS)
LONG_AFTER = (
    "{ const now = Date.now; Date.now = () => now() + 200000; Date.back = () => { Date.now = now; }; 0; }"
)
KEEP = """async ([bodies, key]) => {
  const { keep } = await import("/static/tablet/outbox.js");
  const names = [];
  for (const body of bodies) names.push(await keep(body, { sealFor: key, urgent: true }));
  return names;
}"""
UNSENT = """async () => {
  const { unsent } = await import("/static/tablet/outbox.js");
  return (await unsent()).map(({ id, refused }) => [id, refused]);
}"""
DRAIN = """async (most) => {
  const { drain, unsent } = await import("/static/tablet/outbox.js");
  let left = await unsent();
  for (let turn = 0; left.length && turn < most; turn++) {
    await drain({ all: true });
    const before = left.length;
    left = await unsent();
    // The page sends by itself, and only one sends at a time: while it does, there is nothing to do here.
    if (left.length === before) await new Promise((done) => setTimeout(done, 100));
  }
  return left.length;
}"""
A_YEAR_SLOW = """{
  const right = Date, by = 365 * 86400000;
  globalThis.Date = class extends right {
    constructor(...given) { super(...(given.length ? given : [right.now() - by])); }
    static now() { return right.now() - by; }
  };
}"""


class Tablet:
    """A browser with a profile of its own, which outlives it."""

    def __init__(self, browser, url, profile):
        self.browser, self.url, self.profile = browser, url, profile
        self.taps = 0
        self.open()

    def open(self, script=None):
        self.context = self.browser.browser_type.launch_persistent_context(
            self.profile,
            executable_path=chromium(),
            args=FLAGS,
            viewport=SIZE,
            has_touch=True,
            base_url=self.url,
        )
        self.context.set_default_timeout(30_000)
        if script:
            self.context.add_init_script(script)
        self.page = self.context.pages[0]
        return self.page

    def kill(self):
        """-9, every process that works on this profile."""
        own = f"--user-data-dir={self.profile}".encode()
        for process in Path("/proc").glob("[0-9]*"):
            try:
                if own in (process / "cmdline").read_bytes().split(b"\0"):
                    os.kill(int(process.name), signal.SIGKILL)
            except (OSError, ValueError):
                continue
        for _look in range(50):
            if not self.browser.contexts or not self.page.is_closed():
                break
            time.sleep(0.1)
        (Path(self.profile) / "SingletonLock").unlink(missing_ok=True)

    def enrol(self, key):
        self.page.goto("/station/en/")
        self.page.get_by_label("Key of this tablet").fill(key)
        self.tap("Set up")
        self.at("home")
        self.page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
        for _look in range(100):
            if self.page.evaluate("caches.keys().then((names) => names.length)"):
                return
            self.page.wait_for_timeout(50)

    def at(self, screen):
        self.page.locator(f'body[data-screen="{screen}"]').wait_for()
        self.page.wait_for_timeout(260)  # an earlier tap was meant for the screen before

    def screen(self):
        return self.page.evaluate("document.body.dataset.screen")

    def tap(self, words, *, exact=True):
        button = self.page.get_by_role("button", name=words, exact=exact)
        box = button.bounding_box()
        assert box["height"] >= 70, f"{words} is small for a glove"
        self.taps += 1
        self.page.wait_for_timeout(260)
        button.tap()

    def observed_by(self, badge):
        """On the page that asks, where nothing of what was said before is left."""
        self.at("observe")
        assert [field.input_value() for field in self.page.locator("main input").all()] == ["", ""]
        self.page.get_by_label("Number on your badge").fill(badge)
        self.page.get_by_label("Your six digits").fill(DIGITS)
        self.tap("Go on")
        self.at("review")

    def usual(self, who):
        """The usual report, to its last page: a torn glove, each question with its first answer."""
        self.tap("Report it")
        self.at("observe")
        self.tap("Without")
        self.at("who")
        self.tap(who, exact=False)
        self.at("groups")
        self.tap("Gloves or clothes")
        self.at("group")
        self.tap("Inner glove torn")
        self.at("aid")
        self.tap("Done, or being done")
        for _question in range(12):
            self.page.wait_for_timeout(300)
            if self.screen() == "review":
                return
            self.tap(self.page.locator(".answers button").first.text_content())
        pytest.fail("it goes on asking")


@pytest.fixture
def key(cast, settings, standing_clock):
    standing_clock(MONDAY)
    settings.REPORT_KEYS = report_keys(new_report_key())
    with doing(cast.observer):
        start_removal(
            station=cast.station, protocol=Protocol.objects.get(code="contact"), worker=cast.worker, drill=False,
            by=cast.observer, at=MONDAY,
        )  # fmt: skip
    with doing("command:tests"):
        station_pins.set_pin(cast.observer, DIGITS, at=MONDAY)
        return devices.enrol(station=cast.station, label="Heron tablet 1", at=MONDAY)[0]


@pytest.fixture
def tablet(browser, live_server, tmp_path):
    tablet = Tablet(browser, live_server.url, str(tmp_path / "profile"))
    yield tablet
    tablet.context.close()


def held_on_disk(tablet):
    """Which of the planted words stand in any file of the profile, as bytes of either width."""
    found = set()
    for path in Path(tablet.profile).rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            found |= {
                (word, path.name)
                for word in PLANTED
                if word.encode() in content or word.encode("utf-16-le") in content
            }
    return found


def test_the_usual_report_by_taps_without_a_network_and_killed_before_it_was_kept(cast, key, tablet):
    tablet.enrol(key)
    tablet.context.set_offline(True)
    tablet.page.reload()
    tablet.at("home")
    accessible(tablet.page)
    tablet.taps = 0
    tablet.usual("Wim Alder")
    taps = tablet.taps + 1
    assert taps <= 8
    tablet.page.get_by_label("Anything else worth knowing").fill("A planted note.")
    # The page is killed right before the last tap: it goes on where it was.
    tablet.page.get_by_role("heading", name="A last look").tap()
    tablet.page.wait_for_timeout(500)
    tablet.kill()
    tablet.open().goto("/station/en/")
    tablet.context.set_offline(True)
    # Who observes is asked again, now and whenever the screen was covered.
    tablet.at("observe")
    accessible(tablet.page)
    tablet.observed_by("observer")
    tablet.page.evaluate(LONG_AFTER)
    tablet.at("cover")
    tablet.page.evaluate("Date.back()")
    tablet.tap("Go on with it")
    tablet.observed_by("observer")
    assert tablet.page.get_by_label("Anything else worth knowing").input_value() == "A planted note."
    accessible(tablet.page)
    tablet.tap("Keep and send")
    tablet.at("kept")
    print(f"\nthe usual report: {taps} taps, no typing, with the network down")
    shown = tablet.page.locator(".reference").text_content()
    rings = tablet.page.get_by_text("Ring occupational health now").is_visible()
    assert tablet.page.locator("#unsent b").text_content() == "1"
    body = tablet.page.locator("body").inner_text()
    assert not [word for word in PLANTED if word in body]
    tablet.tap("Done")
    tablet.at("home")
    # Killed again, and it is still there; then there is a network.
    tablet.kill()
    assert held_on_disk(tablet) == set()
    page = tablet.open()
    page.goto("/station/en/")
    for _look in range(300):
        if not page.evaluate(UNSENT):
            break
        page.wait_for_timeout(100)
    breach = Breach.objects.get()
    assert breach.reference == shown
    assert (breach.worker, breach.station, breach.what_happened) == (cast.worker, cast.station, "glove_tear")
    assert breach.narrative == "A planted note."
    assert rings == must_ring(breach)
    assert (breach.observed_by, breach.observed_how) == (cast.observer, Breach.Observed.PROVED)
    assert breach.flags == []
    assert abs(breach.happened_at - MONDAY) < timedelta(minutes=3)


@pytest.mark.parametrize("language", ["fr"])
def test_a_tablet_a_year_slow_gives_the_right_moment_and_an_emergency_is_one_tap(cast, key, tablet, language):
    tablet.context.close()
    tablet.open(A_YEAR_SLOW)
    tablet.enrol(key)
    tablet.page.goto(f"/station/{language}/")
    tablet.at("home")
    tablet.context.set_offline(True)
    tablet.tap("Yeux ou bouche")
    tablet.at("aid")
    tablet.tap("Pas fait")
    tablet.at("observe")
    tablet.tap("Sans")
    tablet.at("who")
    tablet.tap("Par le nom, sans numéro")
    tablet.at("typed")
    tablet.page.get_by_label("Nom").fill("Planted Name")
    tablet.tap("Continuer")
    for _question in range(12):
        tablet.page.wait_for_timeout(300)
        if tablet.screen() == "review":
            break
        tablet.tap("Je ne sais pas")
    tablet.tap("Garder et envoyer")
    tablet.at("kept")
    assert tablet.page.get_by_text("Appelez maintenant la santé au travail").is_visible()
    tablet.context.set_offline(False)
    tablet.page.evaluate(DRAIN, 3)
    breach = Breach.objects.get()
    assert abs(breach.happened_at - MONDAY) < timedelta(minutes=3)
    clock = breach.body["device_clock"]
    assert abs(clock["offset_ms"] - (MONDAY.timestamp() - time.time() + 365 * 86400) * 1000) < 60_000
    right = datetime.fromisoformat(clock["at"]) + timedelta(milliseconds=clock["offset_ms"])
    assert right == breach.happened_at
    assert breach.worker.name == "Planted Name"
    because = [entry.because for alert in Alert.objects.all() for entry in alert.entries.all()]
    assert not any("clock" in words for words in because)


def bodies(count):
    chance = random.Random(11)
    return [
        {
            "submission_id": str(uuid.UUID(int=chance.getrandbits(128), version=4)),
            "station": "heron",
            "person": {"name": f"Planted Name {at}"},
            "occurred_at": (MONDAY - timedelta(minutes=at)).isoformat(),
            "what_happened": chance.choice(("glove_tear", "bare_hand")),
            "facts": {"contact": "splash"},
            "drill": at % 4 != 1,  # what a drill brings is soon done: here it is the way that counts
            "narrative": f"The planted note {at}.",
            "device_clock": {"at": MONDAY.isoformat(), "offset_ms": 0},
        }
        for at in range(count)
    ]


class BadNetwork:
    """What happens to each sending, in a fixed order of chance."""

    def __init__(self):
        self.chance, self.counts, self.sent_on = random.Random(7), {}, 0

    def __call__(self, route):
        kind = self.chance.choices(
            ("none", "slow", "lost answer", "portal", "500", "503", "well"), (1, 1, 2, 1, 1, 1, 14)
        )[0]
        self.counts[kind] = self.counts.get(kind, 0) + 1
        if kind == "none":
            route.abort("internetdisconnected")
        elif kind == "lost answer":
            route.fetch()  # it has arrived, and the tablet does not learn of it
            route.abort("connectionreset")
        elif kind == "portal":
            route.fulfill(status=200, content_type="text/html", body="<h1>Welcome to the guest network</h1>")
        elif kind == "500":
            route.fulfill(status=500, content_type="application/problem+json", body='{"status": 500}')
        elif kind == "503":
            route.fulfill(status=503, content_type="text/html", body="away")
        else:
            if kind == "slow":
                time.sleep(0.15)
            route.continue_()


def kept_or_sent(tablet):
    kept = {one for one, _refused in tablet.page.evaluate(UNSENT)}
    return kept | {str(uid) for uid in Breach.objects.values_list("uid", flat=True)}


def test_200_reports_through_a_bad_network_none_lost_none_twice_and_nothing_to_read_on_the_tablet(
    cast, key, tablet
):
    began, used, all_of_them = time.monotonic(), time.process_time(), bodies(200)
    tablet.enrol(key)
    tablet.context.set_offline(True)
    names = tablet.page.evaluate(KEEP, [all_of_them[:60], public_key()])
    tablet.page.reload()
    tablet.at("home")
    # Killed in the middle of keeping: what was not kept is still with whoever wrote it, and is kept again.
    tablet.page.evaluate(f"(given) => {{ ({KEEP})(given); }}", [all_of_them[60:100], public_key()])
    tablet.kill()
    tablet.open().goto("/station/en/")
    tablet.context.set_offline(True)
    tablet.at("home")
    # As it was opened there was a network for a moment: what it sent then is with the service.
    kept_before = kept_or_sent(tablet)
    assert {one["submission_id"] for one in all_of_them[:60]} <= kept_before
    missing = [one for one in all_of_them[:100] if one["submission_id"] not in kept_before]
    tablet.page.evaluate(KEEP, [missing, public_key()])
    assert names == [reference(uuid.UUID(one["submission_id"])) for one in all_of_them[:60]]
    held = json.dumps(tablet.page.evaluate(HELD))
    assert kept_or_sent(tablet) == {one["submission_id"] for one in all_of_them[:100]}
    assert not [word for word in PLANTED if word in held]
    assert key not in held
    tablet.kill()
    assert held_on_disk(tablet) == set()

    print(
        f"\nkept and killed: {time.monotonic() - began:.0f} s, {time.process_time() - used:.0f} s of this process"
    )
    network = BadNetwork()
    page = tablet.open()
    tablet.context.route(SEALED, network)
    page.goto("/station/en/")
    tablet.at("home")
    page.evaluate(KEEP, [all_of_them[100:], public_key()])
    for _reload in range(2):
        page.evaluate(DRAIN, 5)
        page.reload()
        tablet.at("home")
    assert page.evaluate(DRAIN, 600) == 0
    page.reload()
    tablet.at("home")
    page.locator("#unsent").wait_for(state="hidden")
    print(f"\n{time.process_time() - used:.0f} s of this process")
    print(f"\n200 reports in {time.monotonic() - began:.0f} s, sent through {network.counts}")
    assert set(network.counts) >= {"none", "slow", "lost answer", "portal", "500", "503", "well"}
    stored = {str(breach.uid): breach for breach in Breach.objects.all()}
    assert set(stored) == {one["submission_id"] for one in all_of_them}
    assert Breach.objects.count() == 200
    assert not OtherContent.objects.exists()
    for one in all_of_them:
        assert stored[one["submission_id"]].body == one


def test_what_the_service_refuses_stays_with_its_reason_and_what_is_late_is_read_out(cast, key, tablet):
    tablet.enrol(key)
    first, second = bodies(2)
    tablet.context.set_offline(True)
    tablet.page.evaluate(KEEP, [[first, second], public_key()])
    answers = {
        first["submission_id"]: {"status": 409, "detail": "Another one stands."},
        second["submission_id"]: {"status": 403, "detail": "The portal says no."},
    }

    def answer(route):
        said = answers[json.loads(route.request.post_data)["submission_id"]]
        kind = "application/problem+json" if said["status"] == 409 else "text/html"
        route.fulfill(status=said["status"], content_type=kind, body=json.dumps(said))

    tablet.context.route(SEALED, answer)
    tablet.context.set_offline(False)
    tablet.page.evaluate(DRAIN, 2)
    kept = dict(tablet.page.evaluate(UNSENT))
    assert kept == {
        first["submission_id"]: {"status": 409, "words": "Another one stands."},
        second["submission_id"]: None,
    }
    # A quarter of an hour later, urgent and not sent: by telephone.
    tablet.page.evaluate(
        """async (id) => {
          const { run } = await import("/static/tablet/base.js");
          const item = await run(["outbox"], (outbox) => outbox.get(id), "readonly");
          item.since = new Date(Date.parse(item.since) - 16 * 60000).toISOString();
          await run(["outbox"], (outbox) => outbox.put(item));
        }""",
        second["submission_id"],
    )
    tablet.page.reload()
    tablet.at("home")
    tablet.page.locator("#late").wait_for()
    tablet.page.locator("#unsent").tap()
    tablet.at("waiting")
    assert tablet.page.get_by_text("Another one stands.").is_visible()
    name = reference(uuid.UUID(second["submission_id"]))
    row = tablet.page.locator("section.card", has_text=name)
    row.get_by_role("button", name="Read it out or print it").tap()
    tablet.at("paper")
    lines = tablet.page.locator(".spoken li").all_inner_texts()
    accessible(tablet.page)
    nora = tablet.browser.new_context(base_url=tablet.url)
    nora.add_cookies([session_of(cast.nurse, tablet.url)])
    desk = nora.new_page()
    desk.goto("/reports/by-telephone/")
    desk.get_by_label("The lines").fill("\n".join(lines))
    desk.get_by_label("Who it is").fill("Planted Name 1")
    desk.get_by_role("button", name="Take the report").click()
    desk.wait_for_url("**/reports/*/")
    nora.close()
    breach = Breach.objects.get()
    assert (str(breach.uid), breach.reference) == (second["submission_id"], name)
    assert breach.facts == {"contact": "splash"}


def session_of(user, url):
    from django.test import Client

    client = Client()
    client.force_login(user)
    return {"name": "session", "value": client.cookies["session"].value, "url": url}
