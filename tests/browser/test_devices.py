"""A real browser shows a reminder, and the page that has it do so."""

import json
from urllib.parse import urlsplit

import pytest

from config import reach
from exposure.people.models import PushSubscription
from tests.remind.channels.test_push import Device

pytestmark = pytest.mark.browser

LINK = "/r/abc"
ENDPOINT = "https://eu.push.example/abc"
# No push service is there to subscribe at: what it would hand out is put in its place.
SUBSCRIBED = """
let made = null;
const subscription = {
  endpoint: %(endpoint)s, options: {}, unsubscribe: async () => { made = null; return true; },
  toJSON: () => ({endpoint: %(endpoint)s, keys: {p256dh: %(p256dh)s, auth: %(auth)s}}),
};
PushManager.prototype.subscribe = async (options) => {
  if (options.applicationServerKey.length !== 65) throw new Error("no key");
  localStorage.setItem("made", "yes");
  return subscription;
};
PushManager.prototype.getSubscription = async () => localStorage.getItem("made") ? subscription : null;
"""


@pytest.fixture(autouse=True)
def _set_up(settings):
    settings.PUSH_HOSTS, settings.VAPID_PRIVATE_KEY = (".push.example",), reach.new_vapid_key()


def notifications(page):
    return page.evaluate(
        "navigator.serviceWorker.ready.then(one => one.getNotifications())"
        ".then(all => all.map(one => [one.title, one.body, new URL(one.data.link).pathname]))"
    )


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        ('{"title": "Saltmarsh: please open your page", "link": "ORIGIN/r/abc"}',
         ["Saltmarsh: please open your page", "", LINK]),
        ('{"title": "Saltmarsh", "link": "https://evil.example/r/abc"}', ["Saltmarsh", "", "/"]),
        ("nothing that can be read", ["…", "", "/"]),
    ],
)  # fmt: skip
def test_a_reminder_is_shown_with_its_neutral_words_and_a_link_to_us_alone(
    cast, sign_in, live_server, sent, shown
):
    page = sign_in("worker", permissions=["notifications"])
    page.goto("/settings/")
    registrations = []
    protocol = page.context.new_cdp_session(page)
    protocol.on(
        "ServiceWorker.workerRegistrationUpdated", lambda told: registrations.extend(told["registrations"])
    )
    protocol.send("ServiceWorker.enable")
    page.evaluate(
        "navigator.serviceWorker.register('/reminders.js', {scope: '/'})"
        ".then(() => navigator.serviceWorker.ready).then(() => 1)"
    )
    registration = registrations[0]["registrationId"]
    parts = urlsplit(live_server.url)
    told = {
        "origin": f"{parts.scheme}://{parts.netloc}",
        "registrationId": registration,
        "data": sent.replace("ORIGIN", live_server.url),
    }
    for look in range(200):
        if look % 50 == 0:  # a browser that is busy may have dropped it
            protocol.send("ServiceWorker.deliverPushMessage", told)
        if found := notifications(page):
            break
        page.wait_for_timeout(100)
    assert found == [shown]


def test_a_worker_has_this_device_show_reminders_and_ends_it(cast, sign_in):
    device = Device()
    described = {"endpoint": ENDPOINT, "p256dh": device.p256dh, "auth": device.auth}
    page = sign_in("worker", permissions=["notifications"])
    page.add_init_script(SUBSCRIBED % {name: json.dumps(value) for name, value in described.items()})
    page.goto("/settings/")
    page.get_by_role("button", name="Show reminders on this device").click()
    page.get_by_text("This device shows your reminders from now on.").wait_for()
    stored = PushSubscription.objects.get()
    assert (stored.user, stored.endpoint, stored.auth) == (cast.worker.user, ENDPOINT, device.auth)
    page.get_by_text("this one").wait_for()
    assert not page.get_by_role("button", name="Show reminders on this device").is_visible()
    page.get_by_role("button", name="Show none there any more").click()
    page.get_by_text("No device shows them yet.").wait_for()
    stored.refresh_from_db()
    assert stored.ended_at is not None
