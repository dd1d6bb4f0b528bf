"""Signing in with a passkey and with an app's codes, in a real browser with an authenticator of its own (WebAuthn,
virtual authenticators of the browser's automation interface)."""

import re
from datetime import timedelta

import pytest
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value, yield_hotp_counters_from_time
from django.core.cache import cache

from exposure.people.policy import Lasting
from exposure.web.account import sessions
from tests.cast import PASSWORD

pytestmark = pytest.mark.browser


@pytest.fixture(autouse=True)
def _required(settings):
    settings.SECOND_FACTOR_REQUIRED = settings.MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = True
    cache.clear()


def give_authenticator(page):
    """A platform authenticator that says yes for its holder."""
    session = page.context.new_cdp_session(page)
    session.send("WebAuthn.enable")
    options = {
        "protocol": "ctap2",
        "transport": "internal",
        "hasResidentKey": True,
        "hasUserVerification": True,
        "isUserVerified": True,
        "automaticPresenceSimulation": True,
    }
    session.send("WebAuthn.addVirtualAuthenticator", {"options": options})


def say_password(page):
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Go on").click()


def sign_out(page):
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.wait_for_url("**/account/login/**")


def watched(page):
    """What the page's policy refused, and what its scripts threw."""
    wrong = []
    page.on("console", lambda line: wrong.append(line.text) if line.type == "error" else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    return wrong


def test_a_nurse_adds_a_passkey_and_signs_in_with_it_alone(cast, sign_in):
    page = sign_in("nurse")
    wrong = watched(page)
    give_authenticator(page)
    page.wait_for_url("**/account/2fa/")
    page.get_by_role("link", name="Add a passkey or security key").click()
    say_password(page)
    page.get_by_role("button", name="Add it").click()
    page.wait_for_url("**/recovery-codes/**")
    page.goto("/needs-action/")
    page.get_by_role("heading", level=1).wait_for()
    assert "/needs-action/" in page.url
    sign_out(page)
    page.get_by_role("button", name="Use a passkey").click()
    page.wait_for_url("**/needs-action/")
    assert wrong == []


def test_a_physician_sets_up_an_app_by_keyboard_and_is_asked_for_its_code(cast, sign_in):
    page = sign_in("physician", width=390, height=844)
    wrong = watched(page)
    page.wait_for_url("**/account/2fa/")
    page.get_by_role("link", name="Use an app with codes").click()
    say_password(page)
    secret = page.locator("code.key").inner_text()
    box = page.locator(".qr svg").bounding_box()
    assert box["width"] > 150
    assert box["x"] + box["width"] <= 390
    page.get_by_label("code").fill(code_of(secret))
    page.keyboard.press("Enter")
    page.wait_for_url("**/recovery-codes/**")
    codes = re.findall(r"\b\d{8}\b", page.content())
    sign_out(page)
    page.get_by_label("Name or e-mail").fill("physician")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/account/2fa/authenticate/")
    page.get_by_label("code").fill(codes[0])  # the app's own opens once, and was used a moment ago
    page.keyboard.press("Enter")
    page.wait_for_url("**/needs-action/")
    assert wrong == []


def code_of(secret):
    return format_hotp_value(hotp_value(secret, next(iter(yield_hotp_counters_from_time()))))


def test_before_the_end_the_page_warns_and_after_it_covers_itself(cast, sign_in, settings, monkeypatch):
    settings.SECOND_FACTOR_REQUIRED = False
    soon_over = Lasting(timedelta(seconds=4), timedelta(hours=1))
    monkeypatch.setattr(sessions, "lasting", lambda user, **_: soon_over)
    page = sign_in("worker", width=390, height=844)
    soon = page.get_by_text("You will soon be signed out.")
    soon.wait_for()
    page.get_by_role("button", name="Stay signed in").click()
    page.get_by_role("alertdialog").wait_for()
    assert page.get_by_role("heading", level=1).count() == 0  # nothing of the page can be read any more
    page.get_by_role("button", name="Sign in again").click()
    page.wait_for_url("**/account/login/**")
