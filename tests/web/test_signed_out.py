"""Before the sign-in nobody knows whose page it is: every live site's 24-hour number stands on it."""

import re

import pytest
from allauth.account import urls as account_urls
from django.test import Client
from django.urls import reverse

from exposure.places.models import Site
from exposure.web.templatetags.look import grouped
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database

# Every page of the account that opens without arguments, and what is not there at all.
PAGES = [f"/account/{one.pattern}" for one in account_urls.urlpatterns if "<" not in str(one.pattern)]
PAGES = [address for address in PAGES if "(?P" not in address] + ["/no-such-page/"]


@pytest.fixture
def numbers(cast, standing_clock):
    """Each live site has a number of its own; a third is not live yet."""
    standing_clock(MONDAY)
    with doing("command:tests"):
        cast.other_site.phone = "+1 902 555 0100"
        cast.other_site.save()
        Site.objects.create(
            code="later", name="Later House", short_name="Later", zone="UTC", phone="+44 20 7946 0999",
            emergency_phone="999",
        )  # fmt: skip
    return {"Saltmarsh": cast.site.phone, "Fenwick Quay": cast.other_site.phone}


@pytest.mark.parametrize("address", PAGES)
def test_every_page_before_the_sign_in_carries_the_number_of_every_live_site(numbers, address):
    page = Client().get(address, follow=True)
    html = page.content.decode()
    for name, number in numbers.items():
        assert name in html
        assert f'href="tel:{re.sub(r"[^0-9+]", "", number)}"' in html
    assert "Later" not in html


def test_the_page_of_a_form_that_was_open_too_long_does_too(numbers):
    page = Client(enforce_csrf_checks=True).post(reverse("account_login"), {"login": "worker"})
    assert page.status_code == 403
    assert all(f">{number.split()[-1]}</span>" in page.content.decode() for number in numbers.values())


def test_who_is_signed_in_gets_the_number_of_their_own_site_alone(cast, numbers, client):
    client.force_login(cast.worker.user)
    html = client.get(reverse("today")).content.decode()
    assert "tel:+351900000100" in html
    assert "tel:+19025550100" not in html


@pytest.mark.parametrize(
    ("number", "groups"),
    [
        ("+351 900 000 100", ["+351", "900", "000", "100"]),
        ("112", ["112"]),
        ("+351900000100", ["+351", "900", "000", "100"]),
        ("02079460321", ["02", "079", "460", "321"]),
        ("+44 (0)20 7946-0321", ["+44", "(0)20", "7946-", "0321"]),
        ("00 351/900.000", ["00", "351/", "900.", "000"]),
        ("#31# <b>", ["#31#", "&lt;b&gt;"]),
    ],
)
def test_a_number_is_shown_whole_in_groups_that_do_not_break(number, groups):
    html = grouped(number)
    assert re.findall(r'<span class="group">(.*?)</span>', html) == groups
    text = re.sub(r"<[^>]+>", "", html)
    assert text.replace("&lt;b&gt;", "<b>") == number
