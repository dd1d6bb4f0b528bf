"""The pages by which a clinician changes how a follow-up goes on."""

import re
from datetime import timedelta

import pytest

from exposure.followup import cases
from exposure.followup.models import FollowUp, PrivateNote
from exposure.pipeline import classify, clear, follow
from exposure.pipeline.report import ask_withdrawal, report_breach, state_case
from exposure.report.models import WithdrawalDecision
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, log_to_the_end, newest_statement, report
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database


@pytest.fixture
def breach(cast):
    with doing(cast.observer):
        return report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach


@pytest.fixture
def follow_up(breach):
    return FollowUp.objects.get()


@pytest.fixture
def nurse(cast, client, standing_clock):
    standing_clock(MONDAY + timedelta(hours=1))
    client.force_login(cast.nurse)
    return client


def test_a_withdrawal_is_decided_on_the_reports_page(cast, nurse, breach):
    with doing(cast.observer):
        ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
    assert "Decide on the withdrawal" in nurse.get(f"/reports/{breach.uid}/").content.decode()
    nurse.post(f"/reports/{breach.uid}/withdrawal/", {"accepted": "yes", "reason": "Spoken with Wim."})
    assert WithdrawalDecision.objects.get().accepted
    assert "Withdrawal accepted" in nurse.get(f"/reports/{breach.uid}/").content.decode()


def test_a_withdrawal_that_nobody_asked_for_is_not_decided(nurse, breach):
    answer = nurse.post(f"/reports/{breach.uid}/withdrawal/", {"accepted": "yes", "reason": "x"})
    assert answer.status_code == 403


def test_the_time_of_an_exposure_is_corrected_in_the_sites_zone(nurse, follow_up):
    exposure = follow_up.exposures.get()
    nurse.post(
        f"/exposures/{exposure.uid}/correct/", {"occurred_at": "2026-02-27T08:30", "reason": "Ward book."}
    )
    corrected = follow_up.exposures.get(withdrawn_at=None)
    assert corrected.occurred_at.isoformat() == "2026-02-27T08:30:00+00:00"


def test_a_correction_sent_twice_ends_on_the_persons_page_both_times(cast, nurse, follow_up):
    address = f"/exposures/{follow_up.exposures.get().uid}/correct/"
    sent = {"occurred_at": "2026-02-27T08:30", "reason": "Ward book."}
    for _twice in range(2):
        answer = nurse.post(address, sent, follow=True)
        assert answer.redirect_chain == [(f"/people/{cast.worker.uid}/", 302)]
        assert "the days are counted anew" in answer.content.decode()
    assert follow_up.exposures.count() == 2


def test_a_time_to_come_is_refused_at_the_field_and_kept(nurse, follow_up):
    exposure = follow_up.exposures.get()
    page = nurse.post(
        f"/exposures/{exposure.uid}/correct/", {"occurred_at": "2027-01-01T08:30", "reason": "Ward book."}
    ).content.decode()
    assert "This time has not come yet." in page
    assert "Ward book." in page
    assert follow_up.exposures.get() == exposure


def test_only_a_physician_finds_and_opens_the_way_back_from_an_evaluation(cast, nurse, client, follow_up):
    nurse.post(f"/follow-ups/{follow_up.uid}/evaluation/", {"reason": "Fever; sample taken."})
    assert follow_up.states.last().kind == "evaluated"
    person = f"/people/{cast.worker.uid}/"
    assert "Return to readings" not in nurse.get(person).content.decode()
    assert nurse.get(f"/follow-ups/{follow_up.uid}/return/").status_code == 403
    client.force_login(cast.physician)
    assert "Return to readings" in client.get(person).content.decode()
    client.post(f"/follow-ups/{follow_up.uid}/return/", {"diagnosis": "Malaria."})
    newest = follow_up.states.last()
    assert (newest.kind, newest.reason) == ("provisional", "Malaria."), "nobody has confirmed the report"


def test_an_unknown_state_is_not_there(nurse, follow_up):
    assert nurse.get(f"/follow-ups/{follow_up.uid}/asleep/").status_code == 404


def test_a_follow_up_is_ended_otherwise_with_its_basis(nurse, follow_up):
    nurse.post(f"/follow-ups/{follow_up.uid}/end/", {"kind": "left", "basis": "agreed", "reason": "Moved."})
    assert follow_up.states.last().kind == "left"


def ended(nurse, follow_up, **changes):
    nurse.post(
        f"/follow-ups/{follow_up.uid}/end/",
        {"kind": "left", "basis": "agreed", "reason": "Moved away.", **changes},
    )


def test_a_hand_over_names_who_has_accepted_it(cast, nurse, follow_up):
    ended(nurse, follow_up, kind="handed_over")
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None
    answer = nurse.post(
        f"/follow-ups/{follow_up.uid}/end/", {"kind": "handed_over", "basis": "order", "reason": "Moved."}
    )
    assert "Name who has accepted it" in answer.context["form"].errors["accepted_by"][0]
    ended(nurse, follow_up, kind="handed_over", accepted_by="Dr Alba Reed, +351 900 000 300")
    page = without_isolation(nurse.get(f"/people/{cast.worker.uid}/").content.decode())
    assert "Handed over and accepted: Dr Alba Reed, +351 900 000 300" in page


def test_every_state_of_a_follow_up_stands_with_its_reason(cast, nurse, follow_up):
    nurse.post(f"/follow-ups/{follow_up.uid}/evaluation/", {"reason": "Fever; sample taken."})
    nurse.post(f"/follow-ups/{follow_up.uid}/admission/", {"reason": "Ward 4."})
    page = nurse.get(f"/people/{cast.worker.uid}/").content.decode()
    states = page[page.index("All its states") :].partition("</details>")[0]
    for words in ("Provisional", "Being evaluated", "Fever; sample taken.", "Admitted", "Ward 4."):
        assert words in states


def test_an_ended_follow_up_is_reopened_with_a_reason(cast, nurse, follow_up):
    ended(nurse, follow_up)
    address = f"/follow-ups/{follow_up.uid}/reopen/"
    assert address in nurse.get(f"/people/{cast.worker.uid}/").content.decode()
    assert "Not answered yet: Reason" in nurse.post(address, {"reason": ""}).content.decode()
    for _time in range(2):
        nurse.post(address, {"reason": "Came back."})
    follow_up.refresh_from_db()
    assert (follow_up.ended_at, follow_up.states.last().reason) == (None, "Came back.")
    assert address not in nurse.get(f"/people/{cast.worker.uid}/").content.decode()


def test_a_signed_off_follow_up_can_be_reopened_before_and_after_its_last_day(cast, client, standing_clock):
    follow_up = follow_up_told_and_confirmed(cast)
    at = log_to_the_end(cast, follow_up)
    for by in (cast.physician, cast.physician2):
        with doing(by, at=at):
            clearance = clear.sign_clearance(follow_up=follow_up, by=by, at=at)
    client.force_login(cast.nurse)
    for then in (at, clearance.effective_at + timedelta(hours=1)):
        standing_clock(then)
        address = f"/follow-ups/{follow_up.uid}/reopen/"
        assert address in client.get(f"/people/{cast.worker.uid}/").content.decode()
    client.post(address, {"reason": "A second contact came to light."})
    clearance.refresh_from_db()
    follow_up.refresh_from_db()
    assert (clearance.void_at, follow_up.ended_at) == (then, None)


def test_what_has_ended_stands_one_heading_below_the_others_and_what_is_reopened_late_has_no_day(
    cast, nurse, standing_clock, follow_up
):
    ended(nurse, follow_up)
    assert "<h3>Ebola</h3>" in nurse.get(f"/people/{cast.worker.uid}/").content.decode()
    standing_clock(MONDAY + timedelta(days=30))
    nurse.post(f"/follow-ups/{follow_up.uid}/reopen/", {"reason": "Came back."})
    again = " ".join(nurse.get(f"/people/{cast.worker.uid}/").content.decode().split())
    assert re.search(r"<h2>\s*Ebola: last day over\s*</h2>", again)
    shown = nurse.get("/monitoring/").content.decode()
    assert "Last day over" in shown
    assert "of 21" not in shown


def test_where_another_runs_by_then_the_exposures_join_it_and_the_page_says_so(cast, nurse, follow_up):
    ended(nurse, follow_up)
    at = MONDAY + timedelta(minutes=30)
    running = report(cast, at=at, occurred_at=at.isoformat()).follow_ups[0]
    address = f"/follow-ups/{follow_up.uid}/reopen/"
    assert "the exposures will join that one" in nurse.get(address).content.decode()
    said = nurse.post(address, {"reason": "Came back."}, follow=True).content.decode()
    assert "have joined the follow-up that runs" in said
    assert running.exposures.count() == 2
    assert address not in said


def test_what_has_no_exposure_left_is_not_reopened_and_says_why(cast, nurse, breach, follow_up):
    with doing(cast.observer):
        asked = ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
    with doing(cast.nurse):
        classify.decide_withdrawal(request=asked, accepted=True, reason="So.", by=cast.nurse, at=MONDAY)
    address = f"/follow-ups/{follow_up.uid}/reopen/"
    assert address not in nurse.get(f"/people/{cast.worker.uid}/").content.decode()
    assert "No exposure is left that counts." in nurse.post(address, {"reason": "x"}).content.decode()


def test_a_vaccine_stands_on_the_persons_page_and_beside_every_later_alert(cast, nurse, follow_up):
    given = {"kind": "vaccine", "what": "Example vaccine", "given_at": "2026-03-02T08:00", "batch": "EX-1"}
    nurse.post(f"/people/{cast.worker.uid}/protection/", given)
    with doing(cast.worker.user):
        body = cast.reading(temperature="39")
        follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=MONDAY)
    alert = cast.worker.alerts.get()
    for address in (f"/people/{cast.worker.uid}/", f"/alerts/{alert.uid}/"):
        assert "Example vaccine, EX-1" in nurse.get(address).content.decode()


def test_a_private_note_is_kept_for_clinicians(cast, nurse, client, follow_up):
    nurse.post(f"/people/{cast.worker.uid}/private-note/", {"fever_unreliable": "on", "text": "Steroids."})
    assert PrivateNote.objects.get().fever_unreliable
    assert "Steroids." in nurse.get(f"/people/{cast.worker.uid}/").content.decode()
    client.force_login(cast.worker.user)
    for page in ("/today/", "/my-days/", "/what-this-means/"):
        assert "Steroids" not in client.get(page).content.decode()


def test_a_case_is_stated_anew_and_shows_who_is_linked(cast, nurse, follow_up):
    assert cast.case.code in nurse.get("/cases/").content.decode()
    assert "Wim Alder" in nurse.get(f"/cases/{cast.case.uid}/").content.decode()
    sent = {"status": "ruled_out", "hours_since_onset": "20", "seen": newest_statement(cast.case, "ebola")}
    nurse.post(f"/cases/{cast.case.uid}/ebola/", sent)
    assert "20 hours after the onset" in nurse.get(f"/cases/{cast.case.uid}/").content.decode()
    assert "usually repeated" in follow_up.alerts.get(cause="case_changed").because


@pytest.mark.parametrize("who", ["outsider", "worker", "observer", "lead"])
def test_none_of_it_is_there_for_whoever_may_not_see_it(cast, client, standing_clock, follow_up, who):
    standing_clock(MONDAY)
    account = cast.worker.user if who == "worker" else getattr(cast, who)
    client.force_login(account)
    exposure = follow_up.exposures.get()
    for address in (
        f"/exposures/{exposure.uid}/correct/",
        f"/follow-ups/{follow_up.uid}/evaluation/",
        f"/follow-ups/{follow_up.uid}/end/",
        f"/follow-ups/{follow_up.uid}/return/",
        f"/follow-ups/{follow_up.uid}/reopen/",
        f"/people/{cast.worker.uid}/protection/",
        f"/people/{cast.worker.uid}/private-note/",
        f"/cases/{cast.case.uid}/",
    ):
        assert client.get(address).status_code == 404, address


def test_nobody_linked_is_said_so(cast, nurse):
    assert list(cases.linked_follow_ups(cast.case, at=MONDAY)) == []
    assert "No follow-up that runs" in nurse.get(f"/cases/{cast.case.uid}/").content.decode()


def test_what_is_known_of_the_onset_stands_in_the_form_when_a_case_is_stated_anew(cast, nurse):
    with doing(cast.physician):
        onset = MONDAY.date()
        said = {"status": "suspected", "onset_on": onset, "by": cast.physician, "at": MONDAY}
        seen = newest_statement(cast.case, "ebola")
        state_case(case=cast.case, pathogen="ebola", seen=seen, **said)
    assert f'value="{onset.isoformat()}"' in nurse.get(f"/cases/{cast.case.uid}/ebola/").content.decode()


def test_the_list_shows_the_newest_statement_of_every_pathogen(cast, nurse):
    with doing(cast.physician):
        for pathogen, status in (("lassa", "suspected"), ("ebola", "ruled_out")):
            said = {"seen": newest_statement(cast.case, pathogen), "by": cast.physician, "at": MONDAY}
            state_case(case=cast.case, pathogen=pathogen, status=status, **said)
    page = nurse.get("/cases/").content.decode()
    assert "Lassa: suspected" in page
    assert "Ebola: ruled out" in page
    assert "Ebola: suspected" not in page
