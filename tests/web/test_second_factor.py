"""Who needs a second factor, what they can do before they have one, and that the last one stays."""

import re
from io import StringIO

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import TOTP, format_hotp_value, hotp_value, yield_hotp_counters_from_time
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from exposure.people import tokens
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

SECRET = "JBSWY3DPEHPK3PXP"


@pytest.fixture(autouse=True)
def _required(settings, standing_clock):
    settings.SECOND_FACTOR_REQUIRED = True
    standing_clock(MONDAY)
    cache.clear()


def browser_of(user):
    client = Client()
    client.force_login(user)
    return client


def code_now(secret=SECRET):
    """What an app would show (RFC 6238, by the library that judges it; its vectors are below)."""
    return format_hotp_value(hotp_value(secret, next(iter(yield_hotp_counters_from_time()))))


@pytest.mark.parametrize(
    ("counter", "shown"), list(enumerate(["755224", "287082", "359152", "969429", "338314"]))
)
def test_the_codes_are_those_of_rfc_4226(counter, shown):
    """RFC 4226, appendix D: the secret "12345678901234567890", here in base 32."""
    assert format_hotp_value(hotp_value("GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ", counter)) == shown


@pytest.mark.parametrize("who", ["nurse", "physician", "auditor", "administrator"])
def test_whose_role_opens_records_sets_one_up_before_anything_else(cast, who):
    client = browser_of(getattr(cast, who))
    for page in (reverse("home"), reverse("keys"), reverse("needs_action"), "/admin/"):
        answer = client.get(page)
        assert (answer.status_code, answer["Location"]) == (302, reverse("mfa_index")), page
    assert client.get("/api/v1/alerts/").status_code == 403
    assert client.get("/api/v1/alerts/")["Content-Type"] == "application/problem+json"
    assert client.get(reverse("mfa_index")).status_code == 200


@pytest.mark.parametrize("who", ["observer", "lead"])
def test_whose_role_opens_none_goes_on_with_a_password(cast, who):
    assert browser_of(getattr(cast, who)).get(reverse("home"), follow=True).status_code == 200


def test_a_worker_goes_on_with_a_password(cast):
    assert browser_of(cast.worker.user).get(reverse("today")).status_code == 200


def set_up(client):
    client.post("/account/reauthenticate/", {"password": PASSWORD})
    page = client.get(reverse("mfa_activate_totp"))
    secret = page.context["form"].secret
    return client.post(reverse("mfa_activate_totp"), {"code": code_now(secret)}), secret


def test_an_app_is_set_up_and_asked_for_at_the_next_sign_in(cast, django_capture_on_commit_callbacks):
    client = browser_of(cast.nurse)
    with doing(cast.nurse), django_capture_on_commit_callbacks(execute=True):
        answer, secret = set_up(client)
    assert answer.status_code == 302
    assert client.get(reverse("needs_action")).status_code == 200
    assert AccessEntry.objects.filter(user=cast.nurse, kind="factor").exists()
    stored = Authenticator.objects.get(user=cast.nurse, type="totp").data["secret"]
    assert secret not in stored

    fresh = Client()
    answer = fresh.post(reverse("account_login"), {"login": "nurse", "password": PASSWORD})
    assert answer["Location"] == reverse("mfa_authenticate")
    assert fresh.get(reverse("needs_action"))["Location"].startswith("/account/login/")
    assert "code" in fresh.post(reverse("mfa_authenticate"), {"code": "000000"}).context["form"].errors
    assert AccessEntry.objects.filter(user=cast.nurse, kind="refused").exists()


def with_app(user):
    with doing(user):
        TOTP.activate(user, SECRET)
    return browser_of(user)


def test_a_code_opens_once(cast):
    with_app(cast.nurse)
    code = code_now()
    for fresh, opened in ((Client(), True), (Client(), False)):
        fresh.post(reverse("account_login"), {"login": "nurse", "password": PASSWORD})
        fresh.post(reverse("mfa_authenticate"), {"code": code})
        assert (fresh.get(reverse("needs_action")).status_code == 200) is opened


def test_the_last_one_stays_where_the_role_needs_it(cast):
    client = with_app(cast.nurse)
    client.post("/account/reauthenticate/", {"password": PASSWORD})
    answer = client.post(reverse("mfa_deactivate_totp"))
    assert "Add another first" in answer.content.decode()
    assert Authenticator.objects.filter(user=cast.nurse, type="totp").exists()


def test_whose_role_needs_none_may_take_it_away(cast):
    client = with_app(cast.observer)
    client.post("/account/reauthenticate/", {"password": PASSWORD})
    client.post(reverse("mfa_deactivate_totp"))
    assert not Authenticator.objects.filter(user=cast.observer, type="totp").exists()


def test_nothing_of_it_changes_without_saying_who_one_is_again(cast):
    client = with_app(cast.observer)
    for page in (
        "mfa_deactivate_totp",
        "mfa_add_webauthn",
        "mfa_generate_recovery_codes",
    ):
        assert client.post(reverse(page)).status_code == 302, page
        assert Authenticator.objects.filter(user=cast.observer, type="totp").exists()
    assert client.post(reverse("account_email"), {"action_add": "", "email": "new@saltmarsh.example"})[
        "Location"
    ].startswith("/account/reauthenticate/")


def test_a_shorter_password_goes_with_a_second_factor_only(cast):
    change = {"oldpassword": PASSWORD, "password1": "heron-tide", "password2": "heron-tide"}
    alone = browser_of(cast.observer)
    answer = alone.post(reverse("account_change_password"), change)
    assert "at least 15 characters" in answer.content.decode()
    client = with_app(cast.nurse)
    assert client.post(reverse("account_change_password"), change).status_code == 302
    cast.nurse.refresh_from_db()
    assert cast.nurse.check_password("heron-tide")
    assert not cast.nurse.password_alone
    too_short = {"oldpassword": "heron-tide", "password1": "heron-t", "password2": "heron-t"}
    assert (
        "at least 8 characters" in client.post(reverse("account_change_password"), too_short).content.decode()
    )


def test_with_a_short_password_the_last_factor_stays_whatever_the_role(cast):
    client = with_app(cast.observer)
    with doing("command:tests"):
        cast.observer.password_alone = False
        cast.observer.save()
    client.post("/account/reauthenticate/", {"password": PASSWORD})
    client.post(reverse("mfa_deactivate_totp"))
    assert Authenticator.objects.filter(user=cast.observer, type="totp").exists()


def test_whose_factor_is_gone_and_password_short_chooses_a_longer_one_first(cast):
    with doing("command:tests"):
        cast.observer.password_alone = False
        cast.observer.save()
    client = browser_of(cast.observer)
    assert client.get(reverse("home"))["Location"] == reverse("account_change_password")
    longer = "four words and a gull"
    change = {"oldpassword": PASSWORD, "password1": longer, "password2": longer}
    client.post(reverse("account_change_password"), change)
    assert client.get(reverse("stations")).status_code == 200


def test_a_key_made_at_the_door_needs_no_second_factor_each_time(cast):
    with doing(cast.nurse):
        key, _row = tokens.issue(cast.nurse, label="Ward screen", days=30, at=MONDAY)
    assert Client(headers={"authorization": f"Bearer {key}"}).get("/api/v1/alerts/").status_code == 200


def test_every_page_says_that_none_is_asked_for(cast, settings):
    settings.SECOND_FACTOR_REQUIRED = False
    words = "no second factor is asked for"
    assert words in browser_of(cast.nurse).get(reverse("needs_action")).content.decode()
    assert words not in browser_of(cast.worker.user).get(reverse("today")).content.decode()
    settings.SECOND_FACTOR_REQUIRED = True
    assert words not in with_app(cast.nurse).get(reverse("needs_action")).content.decode()


def test_recovery_codes_open_once_each(cast):
    client = browser_of(cast.nurse)
    set_up(client)
    codes = re.findall(r"\b\d{8}\b", client.get(reverse("mfa_view_recovery_codes")).content.decode())
    assert len(set(codes)) == 10
    for opened in (True, False):
        fresh = Client()
        fresh.post(reverse("account_login"), {"login": "nurse", "password": PASSWORD})
        fresh.post(reverse("mfa_authenticate"), {"code": codes[0]})
        assert (fresh.get(reverse("needs_action")).status_code == 200) is opened


def test_who_has_lost_all_of_it_starts_anew_and_is_out_everywhere(cast):
    client = with_app(cast.nurse)
    call_command("forget_factors", "NURSE", stdout=StringIO())
    assert not Authenticator.objects.filter(user=cast.nurse).exists()
    assert client.get(reverse("needs_action")).status_code == 302
    entry = AccessEntry.objects.filter(user=cast.nurse, kind="factor").get()
    assert entry.recorded_by == "command:forget_factors"
    with pytest.raises(CommandError, match="no account nobody"):
        call_command("forget_factors", "nobody")
