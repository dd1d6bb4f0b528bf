"""On call over the API: who is rung now and next, who may say so, and what is refused."""

from datetime import timedelta

import pytest

from exposure.audit.models import AccessEntry
from exposure.people.models import OnCall
from tests.cast import MONDAY

pytestmark = pytest.mark.database

HOUR = timedelta(hours=1)
HOURS = {
    "site": "saltmarsh", "user": "nurse2", "place": 1,
    "from_at": MONDAY.isoformat(), "until_at": (MONDAY + 12 * HOUR).isoformat(),
}  # fmt: skip


def listed(calls, who="nurse", **asked):
    return [(row["user"], row["place"]) for row in calls(who).get("on-call/", **asked).json()["results"]]


def test_a_roster_is_entered_once_and_read_by_instant(calls, cast):
    answers = [calls("nurse").post("on-call/", HOURS) for _once in range(2)]
    assert [answer.status_code for answer in answers] == [201, 200]
    assert answers[0].json() == answers[1].json()
    row = answers[0].json()
    assert (row["name"], row["climb_minutes"]) == (cast.nurse2.full_name, 15)
    assert row["switchboard"] == cast.site.phone, "no switchboard is named: the 24-hour number"
    night = {"place": 1, "from_at": HOURS["until_at"], "until_at": (MONDAY + 24 * HOUR).isoformat()}
    assert calls("nurse").post("on-call/", {**HOURS, "user": "nurse", **night}).status_code == 201
    assert listed(calls) == [("nurse", 1), ("nurse2", 1)]
    assert listed(calls, at=(MONDAY + 12 * HOUR).isoformat()) == [("nurse", 1)], "from the hand-over on"
    assert listed(calls, at=(MONDAY + 24 * HOUR).isoformat()) == []
    assert listed(calls, site="fenwick") == []


def test_whoever_is_taken_off_is_not_on_call_from_then_on(calls, cast, standing_clock):
    row = calls("nurse").post("on-call/", HOURS).json()
    at = standing_clock(MONDAY + HOUR)
    for _twice in range(2):
        ended = calls("nurse").post(f"on-call/{row['id']}/end/", {})
        assert (ended.status_code, ended.json()["until_at"][:16]) == (200, f"{at:%Y-%m-%dT%H:%M}")
    assert listed(calls) == []
    assert calls("outsider").post(f"on-call/{row['id']}/end/", {}).status_code == 404


@pytest.mark.parametrize(
    ("changed", "pointers"),
    [
        ({"user": "worker"}, {"/user"}),
        ({"user": "nobody at all"}, {"/user"}),
        ({"place": 6}, {"/place"}),
        ({"until_at": MONDAY.isoformat(), "place": 0}, {"/place", "/until_at"}),
        ({"until_at": (MONDAY + 40 * 24 * HOUR).isoformat()}, {"/until_at"}),
        ({"from_at": "yesterday"}, {"/from_at"}),
    ],
)
def test_what_is_wrong_is_named_and_nothing_is_stored(calls, cast, changed, pointers):
    answer = calls("nurse").post("on-call/", {**HOURS, **changed})
    assert answer.status_code in (400, 422)
    assert {error["pointer"].removeprefix("#") for error in answer.json()["errors"]} == pointers
    assert not OnCall.objects.exists()


def test_nobody_reads_or_writes_that_of_another_site_and_reading_is_a_look(calls, cast):
    assert calls("outsider").post("on-call/", HOURS).status_code == 404
    assert calls("worker").post("on-call/", HOURS).status_code == 403
    calls("nurse").post("on-call/", HOURS)
    assert listed(calls, "outsider") == listed(calls, "worker") == []
    assert listed(calls, "nurse") == [("nurse2", 1)]
    assert AccessEntry.objects.filter(user=cast.nurse, subject__startswith="API /api/v1/on-call/").exists()
