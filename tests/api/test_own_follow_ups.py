"""What a worker reads of their own follow-up over the API: as they were told of it, nothing that is a clinician's."""

from datetime import timedelta
from uuid import uuid4

import pytest

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.people.models import Worker
from exposure.pipeline import expose, tell
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database
EVENING = MONDAY.replace(hour=20)


def own(calls, **wanted):
    return calls("worker").get("follow-ups/", **wanted).json()["results"]


def told(calls, reported):
    calls("nurse").post(f"breaches/{reported['id']}/told/", {"by": "phone"})


def test_nobody_finds_a_follow_up_that_no_person_has_told_them_of(calls, reported):
    assert own(calls) == []
    [theirs] = calls("nurse").get("follow-ups/").json()["results"]
    for path in ("", "checks/", "exposures/"):
        assert calls("worker").get(f"follow-ups/{theirs['id']}/{path}").status_code == 404
    assert calls("worker").post(f"follow-ups/{theirs['id']}/clear/").status_code == 404


def test_who_was_told_sees_days_and_readings_and_no_tier_before_it_is_confirmed(calls, reported):
    told(calls, reported)
    [got] = own(calls)
    assert (got["day"], got["days"], got["last_day"]) == (0, 21, "2026-03-23")
    assert (got["tier"], got["tier_label"], got["state"]) == (None, None, "provisional")
    assert {one["code"] for one in got["restrictions"]} == {"duty", "movement", "travel"}
    calls("nurse").post(f"breaches/{reported['id']}/confirm/", {"note": "Spoken with Wim."})
    [got] = own(calls)
    assert (got["tier"], got["tier_label"], got["state"]) == ("high", "High-risk exposure", "monitored")


def test_one_of_ones_own_opens_with_its_readings_and_without_tasks_alerts_and_exposures(calls, followed):
    assert not {"tasks", "alerts"} & set(calls("worker").get(f"follow-ups/{followed}/").json())
    checks = calls("worker").get(f"follow-ups/{followed}/checks/").json()["results"]
    assert len(checks) == 43  # the evening of day 0, and two a day for 21 days
    assert calls("worker").get(f"follow-ups/{followed}/exposures/").status_code == 404
    assert calls("worker").post(f"follow-ups/{followed}/clear/").status_code == 403


def test_ones_own_is_flagged_by_a_stop_and_by_nothing_else(calls, cast, followed, standing_clock):
    standing_clock(EVENING)
    with doing("command:tests", at=EVENING):
        raise_alert(cast.worker, Alert.Cause.SILENCE, "48 h", site=cast.site, at=EVENING)
    assert [one["flagged"] for one in own(calls)] == [False]
    assert own(calls, flagged="true") == []
    calls("worker").post("readings/", cast.reading(temperature="38.4"))
    assert [one["flagged"] for one in own(calls, flagged="true")] == [True]


def test_a_second_exposure_that_nobody_has_told_moves_nothing_that_the_worker_reads(
    calls, cast, followed, standing_clock
):
    later = standing_clock(MONDAY + timedelta(days=9))
    before = own(calls)
    checks = calls("worker").get(f"follow-ups/{followed}/checks/").json()
    body = cast.body(submission_id=str(uuid4()), occurred_at=later.isoformat())
    assert calls("observer").post("breaches/", body).status_code == 201
    [theirs] = calls("nurse").get("follow-ups/").json()["results"]
    assert theirs["last_day"] == "2026-04-01"
    assert own(calls) == before
    assert len(calls("worker").get(f"follow-ups/{followed}/checks/").json()["results"]) == len(
        checks["results"]
    )


def test_an_exposure_outside_is_ones_own_once_somebody_has_told(calls, cast, standing_clock):
    with doing(cast.nurse):
        exposure = expose.record_exposure(
            worker=cast.worker, pathogen="ebola", tier="high", occurred_at=MONDAY, by=cast.nurse, at=MONDAY
        )
    assert own(calls) == []
    with doing(cast.nurse):
        tell.tell_of_exposure(exposure=exposure, how="phone", by=cast.nurse, at=MONDAY)
    assert [one["tier"] for one in own(calls)] == ["high"]


def test_a_nurse_finds_her_own_among_the_others_as_a_worker_does(calls, cast, followed):
    with doing("command:tests"):
        nora = Worker.objects.create(site=cast.site, user=cast.nurse, number="SG-7", name="Nora Teal")
    sent = calls("observer").post("breaches/", cast.body(worker=nora.number)).json()
    assert [one["worker"] for one in calls("nurse").get("follow-ups/").json()["results"]] == ["SG-1042"]
    calls("nurse2").post(f"breaches/{sent['id']}/told/", {"by": "phone"})
    found = {one["worker"]: one["tier"] for one in calls("nurse").get("follow-ups/").json()["results"]}
    assert found == {"SG-1042": "high", "SG-7": None}
