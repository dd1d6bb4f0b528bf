"""What several tests of pages share."""

import pytest

from tests.web.wim import Browser


@pytest.fixture
def wim(cast, client, standing_clock):
    """Wim's browser; `at` puts the clock."""
    return Browser(cast.worker.user, client, standing_clock)
