"""What clinicians do through the API, step by step, and that doing it again is answered in the same way."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.models import Alert, Breach, Call, CriteriaVersion, FollowUp, Promise, Protocol
from exposure.pipeline import expose, link, tell
from exposure.pipeline.remove import mark_step, start_removal
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database
EVENING = MONDAY.replace(hour=20)


LISTS = ["breaches/", "follow-ups/", "alerts/", "tasks/", "calls/", "removals/", "cases/"]


def _statements(caller, path):
    with CaptureQueriesContext(connection) as captured:
        assert caller.get(path).json()["results"], path
    return len(captured)


def _twice(caller, path, body=None):
    first, again = caller.post(path, body), caller.post(path, body)
    assert (first.status_code, again.status_code) == (200, 200)
    return first.json(), again.json()


def test_confirming_ends_the_provisional_state_and_again_changes_nothing(calls, reported):
    first, again = _twice(calls("nurse"), f"breaches/{reported['id']}/confirm/", {"note": "Spoken with Wim."})
    assert first == again
    assert first["confirmation_note"] == "Spoken with Wim."
    (follow_up,) = calls("nurse").get("follow-ups/").json()["results"]
    assert (follow_up["id"], follow_up["state"]) == (first["follow_ups"][0], "monitored")


def test_telling_the_worker_is_kept_with_its_moment(calls, reported):
    told = (MONDAY - timedelta(minutes=3)).isoformat()
    first, again = _twice(calls("nurse"), f"breaches/{reported['id']}/told/", {"by": "person", "at": told})
    assert first["told_at"] == again["told_at"] == "2026-03-02T08:57:00Z"


def test_the_reporter_may_add_answers(calls, cast):
    sent = calls("observer").post("breaches/", cast.body(facts={"contact": "splash"})).json()
    assert (
        calls("observer").post(f"breaches/{sent['id']}/facts/", {"facts": {"skin": "intact"}}).status_code
        == 200
    )
    seen = calls("nurse").get(f"breaches/{sent['id']}/").json()
    assert [one["kind"] for one in seen["assessments"]] == ["report", "facts"]
    assert seen["assessments"][-1]["facts"] == {"contact": "splash", "skin": "intact"}


def test_an_override_stands_beside_the_assessment_that_it_departs_from(calls, reported):
    path = f"breaches/{reported['id']}/override/"
    got = calls("physician").post(path, {"tier": "high", "reason": "Seen the glove."}).json()
    assert [one["kind"] for one in got["assessments"]] == ["report", "override"]
    assert (got["assessments"][-1]["tier"], got["assessments"][-1]["reason"]) == ("high", "Seen the glove.")


def test_withdrawal_is_asked_for_by_the_reporter_and_withdraws_nothing(calls, reported):
    answer = calls("observer").post(f"breaches/{reported['id']}/withdraw/", {"reason": "The wrong glove."})
    assert (answer.status_code, answer.json()["withdrawn_at"]) == (200, None)
    assert Breach.objects.get().withdrawal_requests.get().reason == "The wrong glove."


def test_an_alert_is_taken_over_and_closed_with_an_outcome(calls, cast, followed, standing_clock):
    standing_clock(EVENING)
    calls("worker").post("readings/", cast.reading(temperature="38.4"))
    (alert,) = calls("nurse").get("alerts/", open="true").json()["results"]
    assert (alert["cause"], alert["worker"], alert["urgent"]) == ("fever", cast.worker.number, True)
    seen, again = _twice(calls("nurse"), f"alerts/{alert['id']}/acknowledge/")
    assert seen == again
    assert (seen["held_by"], seen["closed_at"]) == ("nurse", None)
    closing = {"outcome": "other_diagnosis", "note": "Influenza."}
    closed, again = _twice(calls("nurse"), f"alerts/{alert['id']}/close/", closing)
    assert closed == again
    assert (closed["outcome"], closed["closed_by"]) == ("other_diagnosis", "nurse")
    assert calls("nurse").get("alerts/", open="true").json()["results"] == []
    assert Alert.objects.get(uid=alert["id"]).note == "Influenza."


def test_a_task_is_completed_with_a_note(calls, cast, followed):
    task = calls("nurse").get("tasks/", open="true").json()["results"][0]
    assert task["follow_up"] == followed
    done, again = _twice(calls("nurse"), f"tasks/{task['id']}/complete/", {"note": "Called."})
    assert done == again
    assert Promise.objects.get(uid=task["id"]).kept_by == cast.nurse
    assert task["id"] not in [
        one["id"] for one in calls("nurse").get("tasks/", open="true").json()["results"]
    ]


def test_a_call_is_noted(calls, cast, followed):
    answer = calls("nurse").post(
        "calls/", {"worker": cast.worker.number, "answered": True, "note": "All is well."}
    )
    assert answer.status_code == 201
    assert calls("nurse").get("calls/").json()["results"] == [answer.json()]
    assert Call.objects.get().by_user == cast.nurse


def test_a_follow_up_shows_its_days_readings_and_exposures(calls, cast, followed, reported, standing_clock):
    standing_clock(EVENING)
    sent = calls("worker").post("readings/", cast.reading(temperature="36.80")).json()
    got = calls("nurse").get(f"follow-ups/{followed}/").json()
    assert (got["worker"], got["day"], got["days"], got["last_day"]) == ("SG-1042", 0, 21, "2026-03-23")
    assert got["last_reading"]["temperature"] == "36.80"
    checks = calls("nurse").get(f"follow-ups/{followed}/checks/").json()
    assert (checks["next"], checks["previous"]) == (None, None)
    assert [one["id"] for one in checks["results"] if one["state"] == "recorded"] == sent["fills"]
    (exposure,) = calls("nurse").get(f"follow-ups/{followed}/exposures/").json()["results"]
    assert (exposure["breach"], exposure["day_zero"], exposure["zone"]) == (
        reported["id"], "2026-03-02", "Europe/Lisbon",
    )  # fmt: skip
    assert (exposure["source"], exposure["case"], exposure["told_at"]) == ("report", None, None)


def test_an_exposure_of_a_contact_list_names_its_case_and_is_found_by_the_cases_station(calls, cast):
    with doing(cast.nurse):
        exposure = expose.record_exposure(
            worker=cast.worker,
            pathogen="ebola",
            occurred_at=MONDAY,
            tier="high",
            source="contact_list",
            case=cast.case,
            note="Night shift.",
            by=cast.nurse,
            at=MONDAY,
        )
        tell.tell_of_exposure(exposure=exposure, how="phone", by=cast.nurse, at=MONDAY)
    [found] = calls("nurse").get("follow-ups/", station="heron").json()["results"]
    [got] = calls("nurse").get(f"follow-ups/{found['id']}/exposures/").json()["results"]
    assert {name: got[name] for name in ("breach", "source", "case", "note", "told_at")} == {
        "breach": None,
        "source": "contact_list",
        "case": cast.case.code,
        "note": "Night shift.",
        "told_at": "2026-03-02T09:00:00Z",
    }


def test_follow_ups_that_went_on_in_another_are_found_by_their_state(calls, cast, followed):
    person = {"name": "W. Alder"}
    sent = calls("observer").post("breaches/", cast.body(worker=None, person=person)).json()
    typed = Breach.objects.get(uid=sent["id"]).worker
    with doing(cast.nurse):
        link.link_worker(worker=typed, same_as=cast.worker, by=cast.nurse, at=MONDAY)
    [joined] = calls("nurse").get("follow-ups/", state="joined").json()["results"]
    assert joined["id"] != followed


def test_follow_ups_are_found_by_site_station_state_pathogen_due_time_and_flag(calls, followed):
    for wanted, found in (
        ({"site": "saltmarsh"}, True),
        ({"site": "fenwick"}, False),
        ({"station": "heron"}, True),
        ({"station": "lapwing"}, False),
        ({"state": "monitored"}, True),
        ({"state": "provisional"}, False),
        ({"pathogen": "ebola"}, True),
        ({"pathogen": "marburg"}, False),
        ({"due_before": "2026-03-02T20:00:00Z"}, False),  # the first reading is due at 20:00: not before it
        ({"due_before": "2026-03-02T20:00:01Z"}, True),
        ({"flagged": "false"}, True),
        ({"flagged": "true"}, False),
    ):
        results = calls("nurse").get("follow-ups/", **wanted).json()["results"]
        assert [one["id"] for one in results] == [followed] * found, wanted


def test_pages_follow_each_other_without_repeating_what_is_added_meanwhile(calls, cast):
    sent = [calls("observer").post("breaches/", cast.body()).json()["id"] for _ in range(5)]
    page = calls("nurse").get("breaches/", page_size=2).json()
    assert list(page) == ["results", "next", "previous"]
    assert page["previous"] is None
    seen = [one["id"] for one in page["results"]]
    calls("observer").post("breaches/", cast.body())
    while page["next"]:
        page = calls("nurse").get(page["next"]).json()
        seen += [one["id"] for one in page["results"]]
    assert seen == sent[::-1]
    assert [one["id"] for one in calls("nurse").get(page["previous"]).json()["results"]] == sent[1:3][::-1]


def test_a_list_takes_as_many_statements_for_many_rows_as_for_one(calls, cast):
    def statements():
        return {path: _statements(calls("nurse"), path) for path in LISTS}

    def report(number):
        body = cast.body(worker=None, person={"name": f"Person {number}"})
        got = calls("nurse").post("breaches/", body).json()
        worker = Breach.objects.get(uid=got["id"]).worker
        calls("nurse").post("calls/", {"worker": str(worker.uid), "answered": True})
        with doing(cast.observer):
            protocol = Protocol.objects.first()
            removal = start_removal(
                station=cast.station,
                protocol=protocol,
                worker=worker,
                drill=False,
                by=cast.observer,
                at=MONDAY,
            )
            step = protocol.steps.first()
            mark_step(removal=removal, step=step, uid=uuid4(), by=cast.observer, at=MONDAY)

    report(0)
    few = statements()
    for number in range(1, 4):
        report(number)
    assert statements() == few


def test_the_adopted_criteria_give_a_verdict_and_nothing_is_stored(calls, cast):
    got = calls("nurse").post("criteria/ebola/classify/", {"facts": {"contact": "splash", "skin": None}})
    assert got.status_code == 200
    criteria = CriteriaVersion.objects.get(pathogen="ebola")
    verdict = got.json()
    assert (verdict["pathogen"], verdict["criteria_version"]) == (criteria.pathogen, criteria.version)
    assert (verdict["tier"], verdict["covered"]) == (None, True)
    assert "skin" in verdict["open_questions"]
    assert not Breach.objects.exists()
    assert not FollowUp.objects.exists()


@pytest.mark.parametrize("who", ["observer", "worker", "lead"])
def test_who_may_not_read_criteria_is_told_what_is_still_to_be_asked_and_no_tier(calls, cast, who):
    facts = {"facts": {"contact": "splash", "skin": None}}
    seen = calls("nurse").post("criteria/ebola/classify/", facts).json()
    told = calls(who).post("criteria/ebola/classify/", facts).json()
    shown = ("pathogen", "criteria_version", "open_questions")
    assert told == {name: seen[name] for name in shown}
    version = f"criteria/ebola/{seen['criteria_version']}/"
    assert calls(who).get("criteria/").json()["results"] == []
    assert calls(who).get(version).status_code == 404
    assert calls(who).get(f"{version}findings/").status_code == 404


def test_a_draft_is_for_physicians(calls, cast):
    with doing("command:tests"):
        version = CriteriaVersion.objects.get()
        draft = CriteriaVersion.objects.create(
            pathogen="ebola", version="draft-1", title="Draft", text=version.text, sha256=version.sha256
        )
    address = f"criteria/ebola/{draft.version}/"
    assert {who: calls(who).get(address).status_code for who in ("physician", "nurse", "auditor")} == {
        "physician": 200, "nurse": 404, "auditor": 404,
    }  # fmt: skip


def test_another_sites_criteria_are_not_asked_for(calls, cast):
    there, nowhere = (
        calls("observer").post("criteria/ebola/classify/", {"facts": {}, "site": site})
        for site in (cast.other_site.code, "nowhere")
    )
    assert (there.status_code, nowhere.status_code) == (400, 400)
    assert there.content == nowhere.content


def test_facts_that_the_criteria_do_not_know_are_named(calls):
    for body, pointer in (
        ({"facts": {"contact": "hug"}}, "#/facts/contact"),
        ({"facts": {"colour": "red"}}, "#/facts/colour"),
        ({"facts": {}, "site": "nowhere"}, "#/site"),
        ({"facts": {"contact": False}}, "#/facts/contact"),
    ):
        answer = calls("observer").post("criteria/ebola/classify/", body)
        assert answer.status_code == 400
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]


def test_a_pathogen_without_adopted_criteria_is_not_there(calls, cast):
    facts = {"facts": {}, "site": "fenwick"}
    assert calls("outsider").post("criteria/ebola/classify/", facts).status_code == 404


def test_a_version_is_shown_with_its_exact_text_and_its_findings(calls, cast):
    version = CriteriaVersion.objects.get()
    listed = calls("nurse").get("criteria/").json()["results"]
    got = calls("nurse").get(f"criteria/{version.pathogen}/{version.version}/").json()
    assert [(one["pathogen"], one["version"]) for one in listed] == [("ebola", version.version)]
    assert (got["text"], got["sha256"], got["sites"]) == (version.text, version.sha256, ["saltmarsh"])
    findings = (
        calls("nurse").get(f"criteria/{version.pathogen}/{version.version}/findings/").json()["results"]
    )
    assert all(set(one) == {"kind", "about", "message", "witness", "accepted"} for one in findings)
