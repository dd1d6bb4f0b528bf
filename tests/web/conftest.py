"""What several tests of pages share."""

import pytest
from django.urls import reverse

from tests.cast import MONDAY
from tests.web import nora
from tests.web.olga import Page
from tests.web.wim import Browser


@pytest.fixture
def wim(cast, client, standing_clock):
    """Wim's browser; `at` puts the clock."""
    return Browser(cast.worker.user, client, standing_clock)


@pytest.fixture
def olga(client, cast, standing_clock):
    """Opens pages as the observer, on Monday at nine."""
    standing_clock(MONDAY)
    client.force_login(cast.observer)

    def open_page(name, *args, query=""):
        return Page(client, client.get(reverse(name, args=args) + query, follow=True))

    return open_page


@pytest.fixture
def nurse(cast, client, standing_clock):
    """Nora's browser."""
    return nora.Browser(client, standing_clock).sign_in(cast.nurse)
