"""A worker's record as it stood: what was known then, and not what was learned later."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.audit.as_of import stood
from exposure.followup.models import Reading
from exposure.record import mark_withdrawn
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = pytest.mark.database

SECOND = timedelta(seconds=1)


def held(cast, at, model):
    """What the rows of one model held then: a list of field -> value."""
    rows = stood(cast.worker.uid, at=at, sites=None)
    return [
        {change.field.name: change.after for change in row.entry.changes}
        for row in rows
        if row.entry.thing.model == model
    ]


def test_a_value_is_the_one_that_stood_then(cast):
    before = cast.worker.phone
    cast.worker.phone = "+351 900 000 043"
    with doing(cast.nurse, at=MONDAY + hours(2)):
        cast.worker.save()
    assert [row.get("phone", "") for row in held(cast, MONDAY + hours(2) - SECOND, "Worker")] == [before]
    assert [row["phone"] for row in held(cast, MONDAY + hours(2), "Worker")] == ["+351 900 000 043"]


def test_what_was_entered_later_was_not_there_and_what_was_withdrawn_later_was(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    assert held(cast, MONDAY - hours(1), "FollowUp") == []
    log(cast, at=MONDAY + hours(10))
    entered = Reading.objects.get().recorded_at
    assert held(cast, entered - SECOND, "Reading") == []
    assert len(held(cast, entered, "Reading")) == 1

    planned = follow_up.checks.filter(withdrawn_at=None).count()
    with doing(cast.nurse, at=MONDAY + hours(12)):
        from_then = follow_up.checks.filter(withdrawn_at=None, opens_at__gt=MONDAY + hours(12))
        withdrawn = mark_withdrawn(from_then, at=MONDAY + hours(12))
    assert withdrawn > 5
    assert len(held(cast, MONDAY + hours(11), "Check")) == planned
    assert len(held(cast, MONDAY + hours(12), "Check")) == planned - withdrawn


def test_the_page_shows_it_to_the_auditor_and_names_who_left_it_so(cast, client, standing_clock):
    standing_clock(MONDAY + hours(3))
    cast.worker.phone = "+351 900 000 043"
    with doing(cast.nurse, at=MONDAY + hours(2)):
        cast.worker.save()
    client.force_login(cast.auditor)
    address = reverse("worker_history", args=[cast.worker.uid])
    now = client.get(address, {"at": "2026-03-02T13:00"}).content.decode()
    assert "+351 900 000 043" in now
    assert "Nora Teal" in now
    before = client.get(address, {"at": "2026-03-02T09:30"}).content.decode()
    assert "+351 900 000 043" not in before
    assert client.get(address, {"at": "yesterday"}).status_code == 422
    client.force_login(cast.outsider)
    assert client.get(address, {"at": "2026-03-02T13:00"}).status_code == 404
