"""The pages of cases: opened, stated with what their criteria ask, linked, closed."""

from datetime import date, timedelta
from html import unescape

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.classify.assess import propose_text
from exposure.classify.models import Adoption
from exposure.people.models import Role
from exposure.pipeline import classify, clear
from exposure.pipeline.report import ask_withdrawal, close_case, open_case, state_case
from exposure.places.models import Station
from exposure.record import acting
from exposure.refusal import BadSubmission
from exposure.report import cases
from exposure.report.models import Case
from tests.cast import MONDAY, adopt, doing
from tests.walk import follow_up_told_and_confirmed, log, newest_statement, report
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database
START = MONDAY - timedelta(days=3)
MEASURED = """
pathogen: marsh-fever
version: "1"
title: An invented table that measures something of the case
tiers:
  - {code: none, label: None, plan: {monitoring: none}}
  - {code: high, label: High, plan: {monitoring: self, days: 7}}
facts:
  - {name: load, ask: "How many copies in the blood?", about: case, unit: thousand, cuts: [10, 100]}
  - name: coughs
    ask: "Does the patient cough?"
    about: case
    answers: [{code: "no", label: "No"}, {code: "yes", label: "Yes"}]
  - name: case_status
    ask: "Status?"
    about: case
    answers: [{code: suspected, label: S}, {code: confirmed, label: C}]
  - {name: contact, ask: "What was touched?", answers: [{code: none, label: Nothing}, {code: splash, label: A splash}]}
rules:
  - {id: M1, tier: high, when: {load: {at_least: 100}, contact: [splash]}}
impossible: [{load: {below: 10}, coughs: ["yes"]}]
otherwise: none
"""


@pytest.fixture
def nurse(cast, client, standing_clock):
    standing_clock(MONDAY + timedelta(hours=1))
    client.force_login(cast.nurse)
    return client


def text_of(answer):
    return " ".join(unescape(without_isolation(answer.content.decode())).split())


def page(client, address):
    return text_of(client.get(address))


def adopt_measured(cast):
    with acting("command:tests", "tests", at=START):
        version = propose_text(MEASURED, by="command:tests", at=START)
        Adoption.objects.create(site=cast.site, pathogen="marsh-fever", version=version, from_at=START)


def adopt_at(site, name):
    with acting("command:tests", "tests", at=START):
        adopt(site, name, START)


def state(cast, *, case=None, pathogen="ebola", status="suspected", at=MONDAY, **said):
    case = case or cast.case
    with doing(cast.nurse, at=at):
        said["seen"] = newest_statement(case, pathogen)
        return state_case(case=case, pathogen=pathogen, status=status, by=cast.nurse, at=at, **said)


def another_case(cast, code="B4D-F6G", station=None):
    with doing(cast.nurse):
        return open_case(
            station=station or cast.station, code=code, opened_at=MONDAY, by=cast.nurse, at=MONDAY
        )


# Stated


@pytest.mark.parametrize("status", ["", "mild", "SUSPECTED", None])
def test_a_status_that_is_none_is_refused_and_states_nothing(cast, status):
    before = cast.case.statements.count()
    with pytest.raises(BadSubmission) as refused:
        state(cast, status=status)
    assert [problem.pointer for problem in refused.value.problems] == ["/status"]
    assert cast.case.statements.count() == before


def test_the_facts_that_the_criteria_ask_about_a_case_are_asked_and_read_back_in_words(cast, nurse):
    adopt_at(cast.site, "mers-2019.1")
    address = f"/cases/{cast.case.uid}/mers/"
    asked = page(nurse, address)
    assert "Did the patient have symptoms at the time?" in asked
    assert "What did the worker do?" not in asked  # about the event: never asked here
    nurse.post(address, {"status": "confirmed", "fact_symptomatic": "yes", "fact_spread": "?"})
    assert cast.case.statements.get(pathogen="mers").facts == {"symptomatic": "yes"}
    shown = page(nurse, f"/cases/{cast.case.uid}/")
    assert "Did the patient have symptoms at the time? <b>Yes</b>" in shown
    assert "Has the infection spread" not in shown


def test_the_answers_rule_the_assessment_of_the_next_report(cast, nurse):
    adopt_measured(cast)
    said = {"status": "confirmed", "fact_load": "100", "fact_coughs": "?"}
    nurse.post(f"/cases/{cast.case.uid}/marsh-fever/", said)
    reported = report(cast, at=MONDAY + timedelta(hours=2), pathogen="marsh-fever")
    assert reported.breach.assessments.get(pathogen="marsh-fever").tier == "high"


def test_a_measured_fact_is_kept_as_a_number_with_its_unit(cast, nurse):
    adopt_measured(cast)
    address = f"/cases/{cast.case.uid}/marsh-fever/"
    nurse.post(address, {"status": "confirmed", "fact_load": "12.5", "fact_coughs": "?"})
    assert cast.case.statements.get(pathogen="marsh-fever").facts == {"load": 12.5}
    assert "How many copies in the blood? <b>12.5 thousand</b>" in page(nurse, f"/cases/{cast.case.uid}/")
    assert 'value="12.5"' in page(nurse, address)


def test_the_status_is_asked_once_whatever_the_criteria_call_it(cast, nurse):
    adopt_measured(cast)
    assert "fact_case_status" not in page(nurse, f"/cases/{cast.case.uid}/marsh-fever/")


def test_answers_that_cannot_be_true_together_are_refused(cast, nurse):
    adopt_measured(cast)
    said = {"status": "confirmed", "fact_load": "5", "fact_coughs": "yes"}
    answer = nurse.post(f"/cases/{cast.case.uid}/marsh-fever/", said)
    assert "cannot be true together" in text_of(answer)
    assert not cast.case.statements.filter(pathogen="marsh-fever").exists()


def test_the_newest_answers_and_dates_stand_in_the_form_and_unknown_facts_are_carried_along(cast, nurse):
    adopt_at(cast.site, "mers-2019.1")
    facts = {"symptomatic": "yes", "asked_by_an_older_version": "later"}
    onset = date(2026, 2, 27)
    state(cast, pathogen="mers", status="ruled_out", onset_on=onset, hours_since_onset=20, facts=facts)
    address = f"/cases/{cast.case.uid}/mers/"
    form = nurse.get(address).context["form"]
    begun = {name: form[name].value() for name in ("status", "onset_on", "hours_since_onset")}
    assert begun == {"status": "ruled_out", "onset_on": onset, "hours_since_onset": 20}
    assert (form["fact_symptomatic"].value(), form["fact_spread"].value()) == ("yes", "?")
    said = {"status": "suspected", "onset_on": "2026-02-27", "fact_symptomatic": "?", "fact_spread": "no"}
    nurse.post(address, said)
    newest = cast.case.statements.filter(pathogen="mers").last()
    assert newest.facts == {"asked_by_an_older_version": "later", "spread": "no"}
    assert "asked_by_an_older_version <b>later</b>" in page(nurse, f"/cases/{cast.case.uid}/")


def test_an_answer_that_the_criteria_no_longer_know_is_chosen_anew(cast, nurse):
    adopt_at(cast.site, "mers-2019.1")
    state(cast, pathogen="mers", facts={"spread": "perhaps"})
    address = f"/cases/{cast.case.uid}/mers/"
    assert "checked" not in str(nurse.get(address).context["form"]["fact_spread"])
    answer = nurse.post(address, {"status": "suspected", "fact_symptomatic": "?"})
    assert list(answer.context["form"].errors) == ["fact_spread"]


def test_the_same_sent_again_changes_nothing_and_says_so(cast, nurse):
    address = f"/cases/{cast.case.uid}/ebola/"
    seen = newest_statement(cast.case, "ebola")
    nurse.post(address, {"status": "ruled_out", "hours_since_onset": "20", "note": "Blood.", "seen": seen})
    again = nurse.post(address, {"status": "ruled_out", "hours_since_onset": "20"}, follow=True)
    assert "Nothing was changed." in text_of(again)
    assert cast.case.statements.filter(pathogen="ebola", status="ruled_out").count() == 1


def test_ruled_out_asks_when_the_test_was_taken(cast, nurse):
    sent = {"status": "ruled_out", "note": "Blood.", "seen": newest_statement(cast.case, "ebola")}
    answer = nurse.post(f"/cases/{cast.case.uid}/ebola/", sent)
    assert list(answer.context["form"].errors) == ["hours_since_onset"]
    assert not cast.case.statements.filter(status="ruled_out").exists()


def test_a_first_day_of_illness_to_come_is_refused(cast, nurse):
    tomorrow = (MONDAY + timedelta(days=1)).date().isoformat()
    answer = nurse.post(f"/cases/{cast.case.uid}/ebola/", {"status": "confirmed", "onset_on": tomorrow})
    assert "This day has not come yet." in text_of(answer)


@pytest.mark.parametrize(("hours", "cautioned"), [(71, True), (72, False)])
def test_ruled_out_by_an_early_test_is_cautioned_where_it_was_stated(cast, nurse, hours, cautioned):
    """72 hours: common practice for a negative test, from memory."""
    state(cast, status="ruled_out", hours_since_onset=hours)
    shown = page(nurse, f"/cases/{cast.case.uid}/")
    assert f"Test {hours} hours after the onset" in shown
    assert ("it is usually repeated" in shown) == cautioned


def test_a_case_without_a_statement_gets_its_first_one_among_the_adopted(cast, nurse):
    new = another_case(cast)
    shown = page(nurse, f"/cases/{new.uid}/")
    assert "Nothing is stated yet." in shown
    assert f"/cases/{new.uid}/ebola/" in shown
    nurse.post(f"/cases/{new.uid}/ebola/", {"status": "suspected"})
    assert new.statements.get().status == "suspected"


def test_of_two_who_state_something_for_the_first_time_the_second_learns_of_the_first_and_may_then_state_it(
    cast, nurse
):
    new = another_case(cast)
    with doing(cast.nurse2):
        said = {"case": new, "pathogen": "ebola", "status": "confirmed", "note": "Second test."}
        state_case(**said, by=cast.nurse2, at=MONDAY)
    address = f"/cases/{new.uid}/ebola/"
    sent = {"status": "ruled_out", "hours_since_onset": "80", "note": "Blood.", "seen": ""}
    answer = nurse.post(address, sent)
    assert "Somebody was before you (Ned Plum, Mon 2 Mar, 09:00): confirmed Second test." in text_of(answer)
    assert "Blood." in text_of(answer)
    assert new.statements.get().status == "confirmed"
    assert nurse.post(address, {**sent, "seen": answer.context["form"]["seen"].value()}).status_code == 302
    assert new.statements.last().status == "ruled_out"


def test_a_further_pathogen_is_chosen_among_those_adopted_and_not_yet_stated(cast, nurse):
    adopt_at(cast.site, "mers-2019.1")
    adopt_at(cast.other_site, "lassa-2023.1")
    shown = page(nurse, f"/cases/{cast.case.uid}/")
    further = shown[shown.index("Something else too?") :]
    assert f"/cases/{cast.case.uid}/mers/" in further
    assert f"/cases/{cast.case.uid}/ebola/" not in further
    assert "lassa" not in further
    assert nurse.get(f"/cases/{cast.case.uid}/lassa/").status_code == 404


# Opened and closed


def test_a_case_is_opened_under_the_code_that_was_proposed(cast, nurse):
    form = nurse.get("/cases/open/").context["form"]
    code = form["code"].value()
    for _time in range(2):
        answer = nurse.post("/cases/open/", {"station": cast.station.pk, "code": code})
    new = Case.objects.get(code=code)
    assert answer.headers["Location"] == f"/cases/{new.uid}/"
    assert (new.station, new.site, new.opened_at) == (cast.station, cast.site, MONDAY + timedelta(hours=1))


def test_since_when_the_patient_is_there_is_read_in_the_stations_zone(cast, nurse):
    with acting("command:tests", "tests", at=START):
        Role.objects.create(user=cast.nurse, site=cast.other_site, kind="nurse", from_at=START)
        station = Station.objects.create(site=cast.other_site, code="plover", name="Plover")
    nurse.post("/cases/open/", {"station": station.pk, "code": "P2P", "opened_at": "2026-03-01T08:00"})
    assert Case.objects.get(code="P2P").opened_at.isoformat() == "2026-03-01T12:00:00+00:00"  # Halifax: UTC-4


@pytest.mark.parametrize("code", ["Wim Alder", "ALDER", "", "X" * 20 + "1", "K7M/2Q"])
def test_a_code_that_could_be_a_name_is_refused_at_its_field(cast, nurse, code):
    answer = nurse.post("/cases/open/", {"station": cast.station.pk, "code": code})
    assert "code" in answer.context["form"].errors
    assert Case.objects.count() == 1


def test_a_code_that_another_station_or_a_closed_case_has_is_refused(cast, nurse):
    with acting("command:tests", "tests", at=START):
        lapwing = Station.objects.create(site=cast.site, code="lapwing", name="Lapwing")
    answer = nurse.post("/cases/open/", {"station": lapwing.pk, "code": "k7m2q"})
    assert "Another case has this code." in text_of(answer)
    nurse.post(f"/cases/{cast.case.uid}/close/")
    answer = nurse.post("/cases/open/", {"station": cast.station.pk, "code": "K7M2Q"})
    assert "Another case has this code." in text_of(answer)


def test_a_case_is_opened_only_at_stations_of_ones_sites(cast, nurse):
    with acting("command:tests", "tests", at=START):
        plover = Station.objects.create(site=cast.other_site, code="plover", name="Plover")
    assert "Plover" not in page(nurse, "/cases/open/")
    assert nurse.post("/cases/open/", {"station": plover.pk, "code": "P2P"}).status_code == 200
    assert not Case.objects.filter(station=plover).exists()


def test_a_proposed_code_spells_nothing_and_is_not_taken(cast, monkeypatch):
    picks = iter("B2CD3F" * 2 + "G4HJ5K")
    monkeypatch.setattr(cases.secrets, "choice", lambda _letters: next(picks))
    another_case(cast, code="B2C-D3F")
    assert cases.propose_code() == "G4H-J5K"
    assert not set(cases.CONSONANTS) & set("AEIOULY")
    assert not set(cases.DIGITS) & set("01")


def test_reports_from_after_the_closing_no_longer_take_the_case_up_and_follow_ups_run_on(cast, nurse):
    [follow_up] = report(cast).follow_ups
    address = f"/cases/{cast.case.uid}/close/"
    assert address in page(nurse, f"/cases/{cast.case.uid}/")
    assert "follow-ups run on" in page(nurse, address)
    for _time in range(2):
        nurse.post(address)
    later = MONDAY + timedelta(hours=1)
    cast.case.refresh_from_db()
    assert cast.case.closed_at == later
    follow_up.refresh_from_db()
    assert follow_up.ended_at is None
    assert report(cast, at=later, occurred_at=later.isoformat()).breach.case is None
    before = later - timedelta(minutes=5)
    assert report(cast, at=later, occurred_at=before.isoformat()).breach.case == cast.case
    assert address not in page(nurse, f"/cases/{cast.case.uid}/")


def test_closing_again_later_keeps_the_first_time(cast):
    for at in (MONDAY, MONDAY + timedelta(hours=1)):
        with doing(cast.nurse, at=at):
            closed = close_case(case=cast.case, by=cast.nurse, at=at)
    assert closed.closed_at == MONDAY


# The list


def codes(client, address):
    return [case.code for case, _newest, _people in client.get(address).context["rows"]]


def test_the_list_shows_open_cases_and_closed_ones_on_request(cast, nurse):
    new = another_case(cast)
    nurse.post(f"/cases/{cast.case.uid}/close/")
    assert "closed cases <b>1</b>" in page(nurse, "/cases/")
    assert codes(nurse, "/cases/") == [new.code]
    assert codes(nurse, "/cases/?cause=closed") == [cast.case.code]


def test_each_list_says_why_it_is_empty(cast, nurse):
    assert "No case is closed." in page(nurse, "/cases/?cause=closed")
    nurse.post(f"/cases/{cast.case.uid}/close/")
    assert "No case is open." in page(nurse, "/cases/")


def people_of(client, code):
    return next(
        people for case, _newest, people in client.get("/cases/").context["rows"] if case.code == code
    )


def as_nurse_too(cast):
    """Wim is a nurse of the site himself."""
    with acting("command:tests", "tests", at=START):
        Role.objects.create(user=cast.worker.user, site=cast.site, kind="nurse", from_at=START)
    return cast.worker.user


def test_people_followed_up_are_counted_once_each_while_they_are(cast, nurse):
    [follow_up] = report(cast).follow_ups
    report(cast, at=MONDAY + timedelta(minutes=5))
    assert people_of(nurse, cast.case.code) == 1
    ended(cast, follow_up)
    assert people_of(nurse, cast.case.code) == 0


def test_nobody_counts_themselves(cast, nurse, client):
    report(cast)
    client.force_login(as_nurse_too(cast))
    assert people_of(client, cast.case.code) == 0


def ended(cast, follow_up):
    with doing(cast.nurse):
        clear.end_follow_up(
            follow_up=follow_up, kind="left", reason="Moved.", basis="agreed", by=cast.nurse, at=MONDAY
        )


def test_the_list_takes_as_many_statements_for_many_cases_as_for_one(cast, nurse):
    report(cast)
    nurse.get("/cases/")
    with CaptureQueriesContext(
        connection,
    ) as few:
        nurse.get("/cases/")
    for code in ("B2C", "B3C", "B4C"):
        new = another_case(cast, code=code)
        state(cast, case=new)
        report(cast, at=MONDAY + timedelta(minutes=9), case=code, worker=None, person={"name": code})
    with CaptureQueriesContext(connection) as many:
        assert people_of(nurse, "B3C") == 1
    assert len(many) == len(few)


# Who is linked


def test_linked_follow_ups_stand_with_state_day_and_pathogen(cast, nurse):
    follow_up_told_and_confirmed(cast)
    shown = page(nurse, f"/cases/{cast.case.uid}/")
    linked = shown[shown.index("Who is linked") :]
    for words in ("Wim Alder", "Ebola", "Day 0 of 21", "Monitored"):
        assert words in linked


def test_withdrawn_and_ended_ones_are_not_linked(cast, nurse):
    reported = report(cast)
    ended(cast, reported.follow_ups[0])
    assert "No follow-up that runs" in page(nurse, f"/cases/{cast.case.uid}/")
    again = report(cast, at=MONDAY + timedelta(minutes=5))
    assert "Wim Alder" in page(nurse, f"/cases/{cast.case.uid}/")
    with doing(cast.observer):
        asked = ask_withdrawal(
            breach=again.breach, reason="A slip.", by=cast.observer, at=MONDAY + timedelta(minutes=6)
        )
    at = MONDAY + timedelta(minutes=7)
    with doing(cast.nurse, at=at):
        classify.decide_withdrawal(request=asked, accepted=True, reason="So.", by=cast.nurse, at=at)
    assert "No follow-up that runs" in page(nurse, f"/cases/{cast.case.uid}/")


def test_ones_own_follow_up_is_not_linked_on_ones_own_screen(cast, nurse, client):
    report(cast)
    client.force_login(as_nurse_too(cast))
    shown = page(client, f"/cases/{cast.case.uid}/")
    assert "No follow-up that runs" in shown


def test_where_a_case_changed_the_alert_leads_to_it(cast, nurse):
    [follow_up] = report(cast).follow_ups
    state(cast, status="confirmed", at=MONDAY + timedelta(minutes=1))
    alert = follow_up.alerts.get(cause="case_changed")
    assert f"/cases/{cast.case.uid}/" in page(nurse, f"/alerts/{alert.uid}/")


def test_another_alert_leads_to_no_case(cast, nurse):
    report(cast)
    log(cast, at=MONDAY, temperature="39")
    alert = cast.worker.alerts.get()
    assert f"/cases/{cast.case.uid}/" not in page(nurse, f"/alerts/{alert.uid}/")


# Who may


@pytest.mark.parametrize("who", ["outsider", "worker", "observer", "lead", "auditor", "administrator"])
def test_a_case_of_somebody_elses_is_not_there(cast, client, standing_clock, who):
    standing_clock(MONDAY)
    client.force_login(cast.worker.user if who == "worker" else getattr(cast, who))
    for address in ("", "close/", "ebola/", "contact-list/", "contact-list/example.csv"):
        assert client.get(f"/cases/{cast.case.uid}/{address}").status_code == 404
        assert client.post(f"/cases/{cast.case.uid}/{address}").status_code == 404
    cast.case.refresh_from_db()
    assert cast.case.closed_at is None


@pytest.mark.parametrize("who", ["worker", "observer", "lead", "auditor", "administrator"])
def test_only_clinicians_open_cases_or_see_the_list(cast, client, standing_clock, who):
    standing_clock(MONDAY)
    client.force_login(cast.worker.user if who == "worker" else getattr(cast, who))
    for address in ("/cases/", "/cases/open/"):
        assert client.get(address).status_code == 403
    assert client.post("/cases/open/", {"station": cast.station.pk, "code": "B2C"}).status_code == 403
    assert Case.objects.count() == 1
