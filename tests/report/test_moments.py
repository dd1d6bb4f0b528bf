"""Instants that cannot be meant. The years are a local choice: another may leave the calendar in another time zone."""

from datetime import UTC, datetime, timedelta

import pytest

from exposure.report.moments import slip_in
from tests.cast import MONDAY


@pytest.mark.parametrize(
    ("year", "is_slip"), [(1899, True), (1900, False), (2026, False), (9998, False), (9999, True)]
)
def test_a_year_beyond_the_calendars_edge_is_a_slip(year, is_slip):
    at = datetime(9999, 1, 1, tzinfo=UTC) + timedelta(days=300)
    found = slip_in(datetime(year, 6, 1, tzinfo=UTC), "/occurred_at", at=at)
    assert (found is not None and "year" in found.message.lower()) is is_slip


def test_a_moment_that_has_not_come_is_a_slip():
    assert slip_in(MONDAY + timedelta(days=1), "/occurred_at", at=MONDAY) is not None
    assert slip_in(MONDAY, "/occurred_at", at=MONDAY) is None
