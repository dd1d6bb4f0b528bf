"""The pages on which people say how they are reached, and their devices."""

import re

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from django.conf import settings as configured
from django.contrib.staticfiles import finders
from django.core.exceptions import PermissionDenied
from django.test import Client
from django.urls import reverse

from config import reach as reach_settings
from config.reach import TextGateway
from exposure.people.models import PushSubscription, User, Worker
from exposure.pipeline import reach
from exposure.remind import texts
from exposure.remind.channels import push
from tests.cast import MONDAY, doing
from tests.remind.channels.test_push import Device, b64
from tests.web.wim import errors, words

pytestmark = pytest.mark.database

NUMBER = "+351 900 000 042"
ENDPOINT = "https://eu.push.example/abc"
CLINICAL = re.compile(
    r"exposure|contact|ebola|virus|infect|disease|fever|temperature|symptom|reading|hospital|health|breach|report|ward",
    re.IGNORECASE,
)


@pytest.fixture(autouse=True)
def _set_up(settings, standing_clock):
    standing_clock(MONDAY)
    settings.SMS_GATEWAY = TextGateway("https://sms.example.org/", {})
    settings.PUSH_HOSTS, settings.VAPID_PRIVATE_KEY = (".push.example",), reach_settings.new_vapid_key()


def settings_of(wim, **changes):
    wim.clock(MONDAY)
    usual = {
        "unit": "C",
        "phone_only": "False",
        "quiet_from": "",
        "quiet_until": "",
        "own_zone": "",
        "language": "",
    }
    return wim.client.post(reverse("my_settings"), {**usual, **changes}, follow=True)


def browser_of(user):
    client = Client()
    client.force_login(user)
    return client


def describe(endpoint=ENDPOINT, **changes):
    device = Device()
    return {"endpoint": endpoint, "p256dh": device.p256dh, "auth": device.auth, **changes}


def standing(user):
    return set(PushSubscription.objects.filter(user=user, ended_at=None).values_list("endpoint", flat=True))


def has_answered(holder):
    """The number is theirs already; how another one becomes so: test_mobiles.py."""
    with doing("command:tests"):
        holder.mobile = NUMBER
        holder.save()


# A worker's settings


def test_a_worker_says_by_which_way_first_and_in_which_language_and_it_is_in_the_history(cast, wim):
    has_answered(cast.worker)
    before = cast.worker.history.count()
    page = settings_of(wim, mobile=NUMBER, reach_by="text", language="fr")
    assert "Enregistré." in words(page)
    worker = Worker.objects.get(pk=cast.worker.pk)
    assert (worker.mobile, worker.reach_by, worker.language) == (NUMBER, "text", "fr")
    assert worker.history.count() == before + 1
    assert worker.history.first().history_user_id == cast.worker.user.actor


def test_only_what_is_set_up_is_offered_and_what_is_not_stays_as_it_was(cast, wim, settings):
    has_answered(cast.worker)
    settings_of(wim, mobile=NUMBER, reach_by="text")
    settings.SMS_GATEWAY, settings.PUSH_HOSTS = None, ()
    page = wim.get("my_settings", MONDAY)
    assert {"mobile", "reach_by"}.isdisjoint(page.context["form"].fields)
    assert "device" not in words(page)
    settings_of(wim, unit="F", mobile="+44 7700 900123", reach_by="push")
    worker = Worker.objects.get(pk=cast.worker.pk)
    assert (worker.unit, worker.mobile, worker.reach_by) == ("F", NUMBER, "text")


@pytest.mark.parametrize(
    ("gateway", "hosts", "offered"),
    [
        (None, (".push.example",), ["email", "push"]),
        (TextGateway("https://sms.example.org/", {}), (), ["email", "text"]),
        (TextGateway("https://sms.example.org/", {}), (".push.example",), ["email", "text", "push"]),
    ],
)
def test_the_channels_offered_are_those_that_are_available(wim, settings, gateway, hosts, offered):
    settings.SMS_GATEWAY, settings.PUSH_HOSTS = gateway, hosts
    form = wim.get("my_settings", MONDAY).context["form"]
    assert [name for name, _label in form.fields["reach_by"].choices] == offered
    assert form["reach_by"].value() == "email"


def test_the_languages_offered_are_those_in_which_there_are_messages(wim):
    offered = dict(wim.get("my_settings", MONDAY).context["form"].fields["language"].choices)
    assert set(offered) == {"", *texts.languages()}
    assert offered["fr"] == "Français"


@pytest.mark.parametrize(
    ("changes", "field", "remedy"),
    [
        ({"mobile": "07700 900123"}, "mobile", "country code"),
        ({"mobile": "+44 7700 900123 x"}, "mobile", "country code"),
        ({"reach_by": "text"}, "mobile", "Give the number"),
        ({"reach_by": "pigeon"}, "reach_by", "valid choice"),
        ({"language": "xx"}, "language", "valid choice"),
    ],
)
def test_what_cannot_be_is_said_at_its_field_and_nothing_is_saved(cast, wim, changes, field, remedy):
    page = settings_of(wim, unit="F", **changes)
    assert page.status_code == 422
    assert remedy in errors(page, field)
    assert Worker.objects.get(pk=cast.worker.pk).unit == "C"


# A clinician's page


@pytest.mark.parametrize("who", ["nurse", "physician"])
def test_a_clinician_finds_the_page_in_the_navigation_and_changes_their_own(cast, who):
    user = getattr(cast, who)
    has_answered(user)
    client = browser_of(user)
    assert reverse("how_told") in client.get(reverse("needs_action")).content.decode()
    page = client.post(reverse("how_told"), {"mobile": NUMBER, "reach_by": "text"}, follow=True)
    assert "Saved." in words(page)
    stored = User.objects.get(pk=user.pk)
    assert (stored.mobile, stored.reach_by, stored.password) == (NUMBER, "text", user.password)
    version = stored.history.first()
    assert (version.mobile, version.history_user_id) == (NUMBER, user.actor)


def test_the_same_again_is_no_version(cast):
    has_answered(cast.nurse)
    client = browser_of(cast.nurse)
    for _again in range(2):
        client.post(reverse("how_told"), {"mobile": NUMBER, "reach_by": "text"})
    assert User.objects.get(pk=cast.nurse.pk).history.filter(reach_by="text").count() == 1


def test_a_number_that_is_none_is_said_at_its_field(cast):
    page = browser_of(cast.nurse).post(reverse("how_told"), {"mobile": "12", "reach_by": "email"})
    assert page.status_code == 422
    assert "country code" in errors(page, "mobile")


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator"])
def test_whoever_is_not_paged_has_no_such_page(cast, who):
    assert browser_of(getattr(cast, who)).get(reverse("how_told")).status_code == 403


def test_nobody_changes_how_somebody_else_is_told(cast):
    with doing(cast.nurse), pytest.raises(PermissionDenied):
        reach.change_reach(user=cast.nurse2, mobile=NUMBER, reach_by="text", by=cast.nurse, at=MONDAY)


@pytest.mark.parametrize("name", ["how_told", "devices"])
def test_whoever_is_not_signed_in_is_led_there(client, db, name):
    for answer in (client.get(reverse(name)), client.post(reverse(name), describe())):
        assert answer.status_code == 302
        assert answer.url.startswith(reverse("account_login"))
    assert not PushSubscription.objects.exists()


# Devices


def test_a_device_is_added_shown_and_ended(cast, wim):
    page = wim.client.post(reverse("devices"), {**describe(), "back": "my_settings"}, follow=True)
    assert page.redirect_chain == [(reverse("my_settings"), 302)]
    assert "from now on" in words(page)
    assert ENDPOINT not in page.content.decode()
    device = PushSubscription.objects.get()
    assert (device.user, device.endpoint, device.created_at) == (cast.worker.user, ENDPOINT, MONDAY)
    page = wim.client.post(reverse("device_end", args=[device.uid]), {"back": "my_settings"}, follow=True)
    assert "No device shows them yet." in words(page)
    device.refresh_from_db()
    assert device.ended_at == MONDAY
    assert device.history.count() == 2
    assert not hasattr(device.history.first(), "endpoint")


def test_the_page_hands_the_browser_our_public_key(wim):
    html = wim.get("my_settings", MONDAY).content.decode()
    assert f'data-key="{push.public_key()}"' in html
    assert "<form" in html.partition("data-module")[2]
    assert "data-add hidden" in html  # offered by the script alone


def test_the_same_device_again_is_no_news(cast, wim):
    described = describe()
    for _again in range(2):
        wim.client.post(reverse("devices"), described)
    assert PushSubscription.objects.get().history.count() == 1


def test_a_device_that_had_ended_shows_them_again_with_its_new_keys(cast, wim):
    wim.client.post(reverse("devices"), describe())
    device = PushSubscription.objects.get()
    wim.client.post(reverse("device_end", args=[device.uid]))
    renewed = describe()
    wim.client.post(reverse("devices"), renewed)
    device.refresh_from_db()
    assert (device.ended_at, device.p256dh) == (None, renewed["p256dh"])


def test_a_browser_that_somebody_else_signs_in_on_shows_theirs(cast, wim):
    wim.client.post(reverse("devices"), describe())
    browser_of(cast.nurse).post(reverse("devices"), describe())
    assert standing(cast.worker.user) == set()
    assert standing(cast.nurse) == {ENDPOINT}


def test_the_eleventh_device_takes_the_place_of_the_oldest(cast, standing_clock):
    client = browser_of(cast.nurse)
    for number in range(reach.MOST_DEVICES + 1):
        standing_clock(MONDAY.replace(minute=number))
        client.post(reverse("devices"), describe(f"{ENDPOINT}{number}"))
    assert len(standing(cast.nurse)) == reach.MOST_DEVICES
    assert f"{ENDPOINT}0" not in standing(cast.nurse)


@pytest.mark.parametrize(
    "changes",
    [
        {"endpoint": "https://evil.example/abc"},
        {"endpoint": "http://eu.push.example/abc"},
        {"endpoint": "https://127.0.0.1/abc"},
        {"endpoint": "https://eu.push.example/a b"},
        {"endpoint": "https://eu.push.example/é"},
        {"endpoint": ENDPOINT + "x" * 1000},
        {"endpoint": ""},
        {"p256dh": "AAAA"},
        {"auth": ""},
    ],
)
def test_what_is_no_device_of_a_push_service_that_is_named_is_not_kept(cast, wim, changes):
    page = wim.client.post(reverse("devices"), describe(**changes), follow=True)
    assert "notifications" in words(page)
    assert not PushSubscription.objects.exists()


def test_a_key_that_is_no_point_of_the_curve_is_not_kept(cast, wim):
    other = ec.generate_private_key(ec.SECP384R1()).public_key()
    raw = other.public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)
    wim.client.post(reverse("devices"), describe(p256dh=b64(raw[:65])))
    assert not PushSubscription.objects.exists()


def test_a_device_of_somebody_else_is_not_there(cast, wim):
    browser_of(cast.nurse).post(reverse("devices"), describe())
    device = PushSubscription.objects.get()
    assert wim.client.post(reverse("device_end", args=[device.uid])).status_code == 404
    with doing(cast.worker.user), pytest.raises(PermissionDenied):
        reach.end_device(device=device, by=cast.worker.user, at=MONDAY)
    assert standing(cast.nurse) == {ENDPOINT}


def test_without_push_services_there_is_no_such_thing(cast, wim, settings):
    settings.PUSH_HOSTS = ()
    assert wim.client.post(reverse("devices"), describe()).status_code == 404


@pytest.mark.parametrize("name", ["devices"])
def test_whoever_signs_in_again_in_the_middle_of_it_lands_on_their_page(cast, wim, name):
    assert wim.client.get(reverse(name)).url == reverse("my_settings")
    assert browser_of(cast.nurse).get(reverse(name)).url == reverse("home")


def test_a_way_back_that_is_none_of_ours_is_not_taken(wim):
    answer = wim.client.post(reverse("devices"), {**describe(), "back": "https://evil.example/"})
    assert answer.url == reverse("my_settings")


# The script that shows a notification


def test_it_is_served_at_the_root_to_anybody_and_holds_no_clinical_word(client, db):
    served = client.get("/reminders.js")
    assert (served.status_code, served["Content-Type"], served["Cache-Control"]) == (
        200,
        "text/javascript",
        "no-cache",
    )
    assert "showNotification" in served.content.decode()
    assert not CLINICAL.search(served.content.decode())
    assert not served.cookies


def test_what_the_page_says_of_devices_is_not_clinical(wim):
    page = wim.get("my_settings", MONDAY).content.decode()
    section = page[page.index("<section data-module") : page.index("</section>")]
    assert not CLINICAL.search(re.sub(r"<[^>]+>", " ", section))


# What lets the page stand on a home screen


def test_every_page_names_a_manifest_that_opens_the_service_alone_and_holds_no_clinical_word(client, db):
    page = client.get(reverse("account_login")).content.decode()
    [address] = re.findall(r'<link rel="manifest" href="([^"]+)">', page)
    served = client.get(address)
    assert (served.status_code, served["Content-Type"]) == (200, "application/manifest+json")
    assert not CLINICAL.search(served.content.decode())
    assert not served.cookies
    told = served.json()
    # Web Application Manifest (W3C), sections 1.1 to 1.11: what a browser asks before it offers to keep the page.
    assert (told["display"], told["start_url"], told["scope"]) == ("standalone", "/", "/")
    assert told["name"]
    assert finders.find(told["icons"][0]["src"].removeprefix(configured.STATIC_URL))
