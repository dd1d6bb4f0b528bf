"""Exposures without a breach report on the pages of nurse and physician: recorded, told of, and what they show."""

import re
from datetime import timedelta
from html import unescape

import pytest

from exposure.attend.models import Alert
from exposure.followup.models import Exposure, FollowUp
from exposure.pipeline import expose
from tests.cast import MONDAY, adopt, doing
from tests.walk import report, sweep_at, tell
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database


@pytest.fixture
def nurse(cast, client, standing_clock):
    standing_clock(MONDAY + timedelta(hours=1))
    client.force_login(cast.nurse)
    return client


def address(cast):
    return f"/people/{cast.worker.uid}/exposure/"


def given(**changes):
    return {
        "tier": "ebola:high",
        "occurred_at": "2026-03-01T18:00",
        "note": "Visited a patient at home.",
        "told": "not_yet",
        **changes,
    }


def outside(cast, **said):
    said = {"occurred_at": MONDAY - timedelta(days=1), "tier": "high", "pathogen": "ebola", **said}
    with doing(cast.nurse):
        return expose.record_exposure(worker=cast.worker, by=cast.nurse, at=MONDAY, **said)


def person(client, cast):
    return " ".join(client.get(f"/people/{cast.worker.uid}/").content.decode().split())


def test_somebody_whom_nobody_follows_up_gets_a_follow_up(cast, nurse):
    assert address(cast) in person(nurse, cast)
    assert nurse.post(address(cast), given()).status_code == 302
    exposure = Exposure.objects.get()
    assert exposure.occurred_at.isoformat() == "2026-03-01T18:00:00+00:00"
    assert (exposure.source, exposure.note, exposure.told_at) == (
        "outside", "Visited a patient at home.", None,
    )  # fmt: skip
    shown = person(nurse, cast)
    assert "Day 0:" in shown
    assert "Exposure outside: Visited a patient at home." in shown
    assert "The worker was not told yet." in shown


def test_a_worker_told_before_it_is_recorded_is_told_in_the_same_step(cast, nurse):
    nurse.post(address(cast), given(told="phone"))
    exposure = Exposure.objects.get()
    assert (exposure.told_by, exposure.told_at) == ("phone", MONDAY + timedelta(hours=1))
    assert "not told yet" not in person(nurse, cast)


def test_only_tiers_that_ask_for_follow_up_are_offered_each_under_its_pathogen(cast, nurse):
    with doing("command:tests"):
        adopt(cast.site, "measles-2024.1", MONDAY - timedelta(days=1))
    form = nurse.get(address(cast)).content.decode()
    assert 'value="ebola:high"' in form
    assert 'value="measles:susceptible"' in form
    for no_choice in ("ebola:none", "measles:none", "ebola:susceptible"):
        assert no_choice not in form


@pytest.mark.parametrize(
    ("field", "typed", "message"),
    [
        ("tier", "", "Not answered yet: Of what, and in which tier?"),
        ("tier", "ebola:none", "Select a valid choice"),
        ("occurred_at", "2026-03-02T11:00", "This time has not come yet."),
        ("occurred_at", "2026-01-02T11:00", "nothing left to follow"),
        ("note", "", "Not answered yet: What happened, and where?"),
        ("told", "", "Not answered yet: Was the worker told?"),
    ],
)
def test_what_is_wrong_is_said_at_its_field_and_nothing_is_stored(cast, nurse, field, typed, message):
    answer = nurse.post(address(cast), given(**{field: typed}))
    assert answer.status_code == 200
    assert list(answer.context["form"].errors) == [field]
    assert message in unescape(without_isolation(answer.content.decode()))
    assert not Exposure.objects.exists()


def test_sent_twice_it_is_one_exposure(cast, nurse):
    for _time in range(2):
        nurse.post(address(cast), given(told="person"))
    assert Exposure.objects.count() == 1


def test_what_was_corrected_meanwhile_is_not_added_again_and_said_so(cast, nurse):
    nurse.post(address(cast), given())
    with doing(cast.nurse):
        expose.correct_exposure(
            exposure=Exposure.objects.get(),
            occurred_at=MONDAY - timedelta(days=2),
            reason="Looked it up.",
            by=cast.nurse,
            at=MONDAY,
        )
    said = nurse.post(address(cast), given(), follow=True).content.decode()
    assert "corrected or withdrawn since: nothing is added" in said
    assert Exposure.objects.count() == 2


def test_where_no_criteria_are_adopted_there_is_no_tier_to_choose(cast, nurse):
    with doing("command:tests"):
        for adoption in cast.site.adoptions.all():
            adoption.until_at = MONDAY
            adoption.save()
    assert "No criteria are adopted at Saltmarsh General Hospital" in without_isolation(
        nurse.get(address(cast)).content.decode()
    )


def test_telling_the_worker_takes_the_line_from_the_queue_and_closes_its_alert(cast, nurse, standing_clock):
    exposure = outside(cast)
    late = standing_clock(exposure.promises.get(kind="tell").due_at + timedelta(minutes=1))
    sweep_at(late)
    assert Alert.objects.get(cause="untold").closed_at is None
    nurse.post(f"/exposures/{exposure.uid}/told/", {"how": "person"})
    exposure.refresh_from_db()
    assert (exposure.told_at, exposure.told_by) == (late, "person")
    assert exposure.promises.get(kind="tell").kept_at == late
    assert Alert.objects.get(cause="untold").closed_at == late


def test_the_queue_leads_to_it(cast, nurse):
    exposure = outside(cast, note="Home visit.")
    told = f"/exposures/{exposure.uid}/told/"
    assert told in nurse.get("/needs-action/").content.decode()
    assert "Home visit." in nurse.get(told).content.decode()
    nurse.post(told, {"how": "phone"})
    assert told not in nurse.get("/needs-action/").content.decode()


def test_how_the_worker_was_told_must_be_said(cast, nurse):
    exposure = outside(cast)
    answer = nurse.post(f"/exposures/{exposure.uid}/told/", {})
    assert "Not answered yet: How was the worker told?" in answer.content.decode()
    exposure.refresh_from_db()
    assert exposure.told_at is None


def test_of_a_report_the_worker_is_told_on_the_reports_page(cast, nurse):
    exposure = report(cast).breach.exposures.get()
    assert nurse.get(f"/exposures/{exposure.uid}/told/").status_code == 404


@pytest.mark.parametrize("who", ["outsider", "worker", "observer", "lead"])
def test_none_of_it_is_there_for_whoever_may_not_see_it(cast, client, standing_clock, who):
    standing_clock(MONDAY)
    exposure = outside(cast)
    client.force_login(cast.worker.user if who == "worker" else getattr(cast, who))
    for one in (address(cast), f"/exposures/{exposure.uid}/told/"):
        assert client.get(one).status_code == 404
        assert client.post(one, given(how="phone")).status_code == 404
    assert Exposure.objects.count() == 1


def test_an_exposure_shows_its_time_what_it_came_from_and_what_was_corrected(cast, nurse):
    reported = report(cast)
    outside(cast, source="contact_list", case=cast.case)
    corrected = corrected_by_hand(cast, reported.breach.exposures.get())
    shown = person(nurse, cast)
    assert f'href="/reports/{reported.breach.uid}/"' in shown
    link = rf'Contact list, <a\s+class="target"\s+href="/cases/{cast.case.uid}/">\s*case K7M2Q\s*</a>'
    assert re.search(link, shown)
    assert corrected.occurred_at.strftime("%H:%M") in shown
    assert "Corrected from" in shown
    assert "Ward book." in shown


def test_of_a_report_that_the_worker_was_not_told_of_the_page_says_so(cast, nurse):
    reported = report(cast)
    assert "The worker was not told yet." in person(nurse, cast)
    tell(cast, reported)
    assert "not told yet" not in person(nurse, cast)


def corrected_by_hand(cast, exposure):
    with doing(cast.nurse):
        return expose.correct_exposure(
            exposure=exposure,
            occurred_at=MONDAY - timedelta(hours=26, minutes=7),
            reason="Ward book.",
            by=cast.nurse,
            at=MONDAY,
        )


def test_the_page_takes_as_many_statements_for_many_exposures_as_for_one(
    cast, nurse, django_assert_max_num_queries
):
    def statements(most):
        with django_assert_max_num_queries(most) as captured:
            person(nurse, cast)
        return len(captured)

    outside(cast, source="contact_list", case=cast.case)
    one = statements(200)
    for days in (2, 3, 4):
        outside(cast, source="contact_list", case=cast.case, occurred_at=MONDAY - timedelta(days=days))
    assert FollowUp.objects.get().exposures.count() == 4
    assert statements(one) <= one
