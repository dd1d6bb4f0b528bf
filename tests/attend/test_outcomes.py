"""An alert is closed with an outcome that fits its cause, by who decides it, with what was found, if it is true: every
cause, outcome and role, on the page and over the API; and who fell ill is being evaluated from then on.

Which outcomes fit is this service's own design; that whoever has a fever in follow-up is evaluated at once, and stays
followed until that has ended, is what guidance on viral haemorrhagic fever contacts asks (from memory).
"""

import re
from html import unescape

import pytest
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.urls import reverse

from exposure.attend import outcomes
from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert, OtherDecision
from exposure.followup.models import FollowUp, FollowUpState, Reading
from exposure.followup.states import state_of
from exposure.people.models import Worker
from exposure.pipeline import attend, evaluate
from exposure.refusal import BadSubmission, Conflict
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = pytest.mark.database
READING = {"other_diagnosis", "evaluated", "fell_ill", "entry_error"}
SILENCE = {"reached", "reading_came", "ended", "evaluated"}
REPORT = {"evaluated", "entry_error"}
FIT = {
    **dict.fromkeys(("fever", "symptom", "rise"), READING),
    **dict.fromkeys(("missed", "could_not", "silence", "late_call", "unreachable", "call_me"), SILENCE),
    **dict.fromkeys(("to_look_at", "other_content"), REPORT),
    "case_changed": {"decided", "evaluated"},
}
EVENING = MONDAY + hours(11)


def fitting(cause):
    return FIT.get(cause, {"evaluated"})


def raised(cast, cause="fever", *, at=MONDAY, worker=None, urgent=None):
    with doing("command:tests", at=at), transaction.atomic():
        return raise_alert(worker or cast.worker, cause, "38.4", site=cast.site, at=at, urgent=urgent)


def close(alert, outcome, *, by, note="Influenza.", at=MONDAY):
    with doing(by, at=at):
        return attend.close_alert(alert=alert, outcome=outcome, note=note, by=by, at=at)


def refused(alert, outcome, **said):
    with pytest.raises(BadSubmission) as caught:
        close(alert, outcome, **said)
    [problem] = caught.value.problems
    assert Alert.objects.get(pk=alert.pk).closed_at is None
    return problem.pointer, problem.message


def words(page):
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.content.decode())).split())


def offered(page):
    return set(re.findall(r'name="outcome" value="(\w+)"', page.content.decode()))


def test_every_cause_has_outcomes_and_every_outcome_a_cause():
    assert set(outcomes.FITTING) == set(Alert.Cause.values)
    assert {code for codes in outcomes.FITTING.values() for code in codes} == set(Alert.Outcome.values)


@pytest.mark.parametrize("role", ["nurse", "physician"])
def test_over_the_api_each_cause_takes_what_fits_it_and_names_that(cast, role, standing_clock):
    standing_clock(MONDAY)
    caller, mine = Caller(getattr(cast, role)), {}
    for cause in Alert.Cause.values:
        mine[cause] = set()
        for outcome in sorted(Alert.Outcome.values):
            path = f"alerts/{raised(cast, cause).uid}/close/"
            answer = caller.post(path, {"outcome": outcome, "note": "Influenza."})
            if answer.status_code == 200:
                mine[cause].add(outcome)
            elif answer.status_code != 403:
                [error] = answer.json()["errors"]
                assert error["pointer"] == "#/outcome"
                named = error["detail"].partition("fits: ")[2].rstrip(".").split(", ")
                assert outcome == "reading_came" or set(named) == fitting(cause), cause
    # Nobody follows this worker up, so that a reading never came and nothing is left that could end.
    wanted = {cause: fitting(cause) - {"reading_came"} for cause in Alert.Cause.values}
    if role == "nurse":
        wanted["case_changed"] = set()
    assert mine == wanted


@pytest.mark.parametrize("role", ["nurse", "physician"])
def test_the_page_offers_what_fits_to_who_decides_and_closes_with_each_of_it(
    cast, client, role, standing_clock
):
    standing_clock(MONDAY)
    client.force_login(getattr(cast, role))
    for cause in Alert.Cause.values:
        alert = raised(cast, cause)
        page = client.get(reverse("alert", args=[alert.uid]))
        address = reverse("alert_close", args=[alert.uid])
        if (cause, role) == ("case_changed", "nurse"):
            assert offered(page) == set()
            assert "A physician decides this" in words(page)
            assert "Petra Birch" in words(page)
            assert "Pavel Ash" in words(page)
            assert client.get(address).status_code == 403
            assert client.post(address, {"outcome": "decided"}).status_code == 403
            continue
        assert offered(page) == fitting(cause) == offered(client.get(address))
        odd = "decided" if cause != "case_changed" else "fell_ill"
        assert client.post(address, {"outcome": odd, "note": "Influenza."}).status_code == 200
        last = sorted(fitting(cause) - {"reading_came"})[-1]
        assert client.post(address, {"outcome": last, "note": "Influenza."}).status_code == 302
        alert.refresh_from_db()
        assert (alert.outcome, alert.closed_by) == (last, getattr(cast, role))


@pytest.mark.parametrize(
    ("cause", "urgent", "outcome", "asked"),
    [
        ("fever", True, "evaluated", "Say what was found."),
        ("fever", True, "other_diagnosis", "Name the other diagnosis."),
        ("fever", True, "fell_ill", "Say what was found: the evaluation begins with it."),
        ("fever", True, "entry_error", "Say what was wrong with the entry."),
        ("symptom", True, "evaluated", "Say what was found."),
        ("symptom", False, "other_diagnosis", "Name the other diagnosis."),
        ("symptom", False, "evaluated", None),
        ("rise", False, "evaluated", None),
        ("silence", True, "reached", None),
    ],
)
def test_a_fever_an_urgent_symptom_and_a_diagnosis_need_what_was_found(cast, cause, urgent, outcome, asked):
    alert = raised(cast, cause, urgent=urgent)
    if asked is None:
        assert close(alert, outcome, by=cast.nurse, note="").outcome == outcome
    else:
        assert refused(alert, outcome, by=cast.nurse, note="  ") == ("/note", asked)


@pytest.fixture
def feverish(cast):
    """Wim, followed up, has 38.4 in the evening: follow-up and alert."""
    follow_up = follow_up_told_and_confirmed(cast)
    log(cast, at=EVENING, temperature="38.4")
    return follow_up, Alert.objects.get(cause="fever")


def test_who_fell_ill_is_being_evaluated_from_the_same_act_on(cast, client, feverish, standing_clock):
    follow_up, alert = feverish
    standing_clock(EVENING)
    client.force_login(cast.nurse)
    assert "being evaluated begins at once" in words(client.get(reverse("alert", args=[alert.uid])))
    sent = {"outcome": "fell_ill", "note": "Fever, vomiting: to the isolation room."}
    for _twice in range(2):
        assert client.post(reverse("alert_close", args=[alert.uid]), sent).status_code == 302
    state = state_of(follow_up)
    assert (state.kind, state.from_at, state.reason) == ("evaluated", EVENING, sent["note"])
    assert follow_up.states.filter(kind="evaluated").count() == 1
    assert "Wim Alder" in words(client.get(reverse("monitoring")))


def test_who_is_in_hospital_stays_there(cast, feverish):
    follow_up, alert = feverish
    with doing(cast.nurse, at=EVENING):
        evaluate.admit(follow_up=follow_up, reason="To the ward.", by=cast.nurse, at=EVENING)
    close(alert, "fell_ill", by=cast.physician, at=EVENING)
    assert state_of(follow_up).kind == FollowUpState.Kind.ADMITTED


def test_the_second_who_closes_learns_of_the_evaluation_and_begins_none(cast, feverish):
    follow_up, alert = feverish
    close(alert, "evaluated", by=cast.physician, at=EVENING)
    with pytest.raises(Conflict):
        close(alert, "fell_ill", by=cast.nurse, at=EVENING)
    assert state_of(follow_up).kind == FollowUpState.Kind.MONITORED
    assert OtherDecision.objects.get().sent == {"outcome": "fell_ill", "note": "Influenza."}


def test_where_only_another_site_follows_them_up_that_site_is_named(cast):
    with doing("command:tests"):
        worker = Worker.objects.create(site=cast.site, name="Vera Stone", number="SG-2")
        FollowUp.objects.create(site=cast.other_site, worker=worker, pathogen="measles", opened_at=MONDAY)
    alert = raised(cast, worker=worker)
    pointer, message = refused(alert, "fell_ill", by=cast.nurse)
    assert pointer == "/outcome"
    assert cast.other_site.name in message
    assert cast.other_site.phone in message
    assert close(alert, "fell_ill", by=cast.outsider).closed_by == cast.outsider
    assert state_of(worker.follow_ups.get()).kind == FollowUpState.Kind.EVALUATED


def test_an_entry_error_asks_for_the_right_reading_first_and_leads_there(
    cast, client, feverish, standing_clock
):
    _follow_up, alert = feverish
    standing_clock(EVENING)
    client.force_login(cast.nurse)
    wrong = Reading.objects.get()
    address = reverse("alert_close", args=[alert.uid])
    answer = client.post(address, {"outcome": "entry_error", "note": "Typed 38 for 36."})
    assert "Correct the reading first." in words(answer)
    for page in (answer, client.get(reverse("alert", args=[alert.uid]))):
        assert reverse("reading_amend", args=[wrong.uid]) in page.content.decode()
    right = {"temperature": "36.4", "replaces": str(wrong.uid), "reason": "Typed 38 for 36."}
    log(cast, at=EVENING, by=cast.nurse, taken_at=EVENING.isoformat(), **right)
    assert close(alert, "entry_error", by=cast.nurse, at=EVENING).outcome == "entry_error"


def test_what_was_typed_and_not_accepted_is_an_error_once_a_reading_has_come(cast):
    follow_up_told_and_confirmed(cast)
    log(cast, at=EVENING, temperature="101.5", unit="C")
    alert = Alert.objects.get(cause="fever")
    assert refused(alert, "entry_error", by=cast.nurse, at=EVENING)[1] == "Correct the reading first."
    log(cast, at=EVENING + hours(0.1), temperature="36.5")
    assert close(alert, "entry_error", by=cast.nurse, at=EVENING + hours(1)).outcome == "entry_error"


def test_a_reading_that_came_and_a_follow_up_that_ended_are_in_the_record(cast):
    follow_up_told_and_confirmed(cast)
    alert = raised(cast, "silence")
    assert "still runs" in refused(alert, "ended", by=cast.nurse)[1]
    assert "No reading has come" in refused(alert, "reading_came", by=cast.nurse)[1]
    log(cast, at=EVENING)
    assert close(alert, "reading_came", by=cast.nurse, note="", at=EVENING).outcome == "reading_came"


def test_a_case_change_is_no_nurses_to_close(cast):
    alert = raised(cast, "case_changed")
    with pytest.raises(PermissionDenied):
        close(alert, "decided", by=cast.nurse)
    assert close(alert, "decided", by=cast.physician).closed_by == cast.physician


def test_the_page_names_who_saw_it_who_took_it_over_and_who_closed_it(cast, client, feverish, standing_clock):
    _follow_up, alert = feverish
    with doing(cast.nurse, at=EVENING):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=EVENING)
    with doing(cast.physician, at=EVENING + hours(1)):
        attend.take_alert(alert=alert, holder=cast.nurse, by=cast.physician, at=EVENING + hours(1))
    close(alert, "other_diagnosis", by=cast.nurse2, at=EVENING + hours(2))
    standing_clock(EVENING + hours(2))
    client.force_login(cast.nurse)
    happened = words(client.get(reverse("alert", args=[alert.uid]))).partition("What happened")[2]
    moves = [
        "Mon 2 Mar 2026, 20:00 Raised: Wim Alder",
        "Mon 2 Mar 2026, 20:00 Seen: Nora Teal",
        "Mon 2 Mar 2026, 21:00 Taken over: Petra Birch",
        "Mon 2 Mar 2026, 22:00 Closed: Ned Plum",
    ]
    assert [happened.find(move) >= 0 for move in moves] == [True] * 4, happened
