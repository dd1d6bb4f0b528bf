"""The nurse's pages: what needs action, and the reports."""

import re
from datetime import timedelta

import pytest

from exposure.attend.models import Alert
from exposure.followup.models import Exposure
from exposure.pipeline import classify, remind
from exposure.pipeline.report import report_breach
from exposure.refusal import Conflict
from exposure.remind.heartbeat import PROCESSES
from exposure.remind.models import Heartbeat
from tests.cast import MONDAY, doing
from tests.web.nora import (
    HOUR,
    confirmed,
    measure,
    report,
    rows_of,
    someone,
    waiting,
    words,
)

pytestmark = pytest.mark.database


# Needs action


def test_a_fever_is_first_in_needs_action(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    assert [line.split(" ")[0] for line in waiting(nurse, at=MONDAY + HOUR)] == ["Fever", "Report", "Not"]
    assert "nobody yet" in waiting(nurse, at=MONDAY + HOUR)[0]


def test_all_that_waits_for_somebody_stands_together_with_the_number_to_ring(cast, nurse):
    well = someone(cast, "Ann Aspen", "SG-1")
    report(cast, worker=well.number)
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    page = nurse.open("needs_action", at=MONDAY + HOUR).content.decode()
    wim, ann = re.findall(r"<tbody.*?</tbody>", page, re.DOTALL)
    assert wim.count('data-label="What"') == 3
    assert ann.count('data-label="What"') == 2
    assert f'id="person-{cast.worker.uid}"' in wim
    assert "tel:+351900000043" in ann
    assert f'href="/people/{well.uid}/call/?from=needs_action"' in ann


def test_whoever_takes_an_alert_from_the_list_stands_there_again_at_the_person(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    alert = Alert.objects.get(cause="fever")
    nurse.clock(MONDAY + HOUR)
    answer = nurse.client.post(f"/alerts/{alert.uid}/have/?from=needs_action", {"times": 1})
    assert answer["Location"] == f"/needs-action/#person-{cast.worker.uid}"
    other = nurse.client.get(f"/people/{cast.worker.uid}/call/?from=elsewhere").content.decode()
    assert f'href="/people/{cast.worker.uid}/"' in other


def test_a_report_says_by_when_it_is_to_be_confirmed_and_told(cast, nurse):
    report(cast)
    confirm, tell = waiting(nurse, at=MONDAY + timedelta(minutes=10))
    assert "Mon 2 Mar, 11:00 , in 1 h 50 min" in confirm  # this tier's plan: within 2 hours
    assert "Mon 2 Mar, 10:00 , in 50 min" in tell  # the site's 60 minutes


def test_a_due_time_that_has_passed_is_late_though_nothing_has_run_since(cast, nurse):
    report(cast)
    confirm, tell = waiting(nurse, at=MONDAY + 3 * HOUR)
    assert "late: due 1 h 0 min ago" in confirm
    assert "late: due 2 h 0 min ago" in tell


def test_acknowledging_takes_the_alert_over_and_does_not_close_it(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    alert = Alert.objects.get(cause="fever")
    page = nurse.send("alert_acknowledge", alert.uid, at=MONDAY + HOUR)
    assert "You have it. Next look by Mon 2 Mar, 14:00." in words(page)  # 4 hours in this criteria file
    alert.refresh_from_db()
    assert (alert.closed_at, alert.held_by) == (None, cast.nurse)
    assert waiting(nurse, at=MONDAY + HOUR)[-1].startswith("Fever")


def test_acknowledging_twice_changes_nothing(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    alert = Alert.objects.get(cause="fever")
    for _tap in range(2):
        nurse.send("alert_acknowledge", alert.uid, at=MONDAY + HOUR)
    assert alert.entries.filter(kind="acknowledged").count() == 1


def test_a_second_fever_after_the_acknowledgement_is_first_again(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    nurse.send("alert_acknowledge", Alert.objects.get(cause="fever").uid, at=MONDAY + HOUR)
    measure(cast, MONDAY + 2 * HOUR, "38.9")
    first = waiting(nurse, at=MONDAY + 2 * HOUR)[0]
    assert first.startswith("Fever urgent 38.9 C")
    assert "now since Mon 2 Mar, 11:00" in first


def test_a_look_that_has_come_asks_again_though_nothing_has_run_since(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    nurse.send("alert_acknowledge", Alert.objects.get(cause="fever").uid, at=MONDAY + HOUR)
    assert waiting(nurse, at=MONDAY + 5 * HOUR)[0].startswith("Fever urgent")


def test_closing_needs_an_outcome(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    alert = Alert.objects.get(cause="fever")
    assert "Not answered yet: What came of it?" in words(nurse.send("alert_close", alert.uid, note="well"))
    nurse.send("alert_close", alert.uid, outcome="other_diagnosis", note="Tonsillitis.")
    alert.refresh_from_db()
    assert (alert.outcome, alert.note, alert.closed_by) == ("other_diagnosis", "Tonsillitis.", cast.nurse)


def test_late_tasks_are_lines_of_their_own_and_one_line_once_they_are_an_alert(cast, nurse):
    confirmed(cast, report(cast))
    late = MONDAY + 25 * HOUR  # both tasks of this plan are due within 24 hours

    def task_lines():
        return [row for row in waiting(nurse, at=late) if row.startswith("Task late")]

    assert len(task_lines()) == 2
    with doing("task:sweep", at=late):
        remind.pass_time(at=late)
    assert len(task_lines()) == 1
    assert "First call to the worker; Tell the public health authority" in task_lines()[0]


def test_the_filter_reads_as_a_sentence_of_causes(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    page = nurse.open("needs_action", at=MONDAY + HOUR, cause="fever")
    assert "Show everything 1 , fever 1 , report to confirm 1 or not yet told 1 ." in words(page)
    assert len(rows_of(page)) == 3  # all of whomever it is about


def test_with_nothing_waiting_the_page_says_what_that_means(cast, nurse):
    assert "Nothing waits for you. No alert is open" in words(nurse.open("needs_action"))


@pytest.mark.parametrize("silent", PROCESSES)
@pytest.mark.parametrize(
    ("minutes", "alarm"),
    [(0, False), (3, False), (3.1, True), (-3.1, True), (None, True)],
    ids=["now", "3", "older", "ahead", "never"],
)
def test_three_minutes_without_a_heartbeat_are_an_alarm(cast, nurse, silent, minutes, alarm):
    for name in PROCESSES:
        if name != silent:
            Heartbeat.objects.create(name=name, at=MONDAY)
        elif minutes is not None:
            Heartbeat.objects.create(name=name, at=MONDAY - timedelta(minutes=minutes))
    said = words(nurse.open("needs_action"))
    assert ("Reminders may not be going out" in said) is alarm
    assert ("Due times last looked at 0" in said) is not alarm


# Reports


def test_a_report_is_told_in_its_criterias_words(cast, nurse):
    breach = report(cast, facts={"contact": "splash"}, narrative="Visor slipped.")
    said = words(nurse.open("breach", breach.uid))
    assert "A splash or smear of blood or body fluid" in said
    assert "between “No identified high-risk exposure” and “High-risk exposure”" in said
    assert "Still open, most decisive first: Did anything contaminated reach or pierce the skin" in said
    assert "Local protocol and the licensed clinician decide." in said
    assert "Visor slipped." in said


def test_what_is_odd_about_a_report_stands_in_words(cast, nurse):
    breach = report(cast, worker="SG-9999", colour="blue")
    said = words(nurse.open("breach", breach.uid))
    assert "There is no worker with this number." in said
    assert "“colour” is not a known entry" in said


def test_what_was_sent_again_otherwise_stands_beside_the_first(cast, nurse):
    body = cast.body()
    with doing(cast.observer):
        report_breach(body=body, reporter=cast.observer, at=MONDAY)
        with pytest.raises(Conflict):
            report_breach(body={**body, "step": "face-shield"}, reporter=cast.observer, at=MONDAY + HOUR)
    said = words(nurse.open("breach", body["submission_id"], at=MONDAY + HOUR))
    assert "step inner-gloves face-shield" in said


def test_telling_is_recorded_once(cast, nurse):
    breach = report(cast)
    for _tap in range(2):
        page = nurse.send("breach_told", breach.uid, how="person", told_at="2026-03-02T08:55")
    assert "In person, Mon 2 Mar 2026, 08:55" in words(page)
    assert breach.tellings.count() == 1


def test_a_telling_that_has_not_happened_yet_is_refused_at_its_field(cast, nurse):
    breach = report(cast)
    page = nurse.send("breach_told", breach.uid, how="phone", told_at="2026-03-02T18:00")
    assert "This time has not come yet." in words(page)
    assert 'href="#id_told_at"' in page.content.decode()
    assert not breach.tellings.exists()


def test_confirming_with_corrected_answers_settles_the_tier(cast, nurse):
    breach = report(cast)  # as reported: a splash on whole skin, high
    form = words(nurse.open("breach_confirm", breach.uid))
    assert "Don't know" in form
    page = nurse.send(
        "breach_confirm", breach.uid, fact_contact="breach", fact_skin="no", note="Inner glove dry."
    )
    assert page.status_code == 200
    lower = breach.assessments.last()
    assert (lower.tier, lower.second_signature_needed) == (
        "none",
        True,
    )  # the reported facts had settled it: high
    with doing(cast.physician):
        classify.countersign(assessment=lower, by=cast.physician, at=MONDAY)
    now = words(nurse.open("breach", breach.uid))
    assert "Ebola: No identified high-risk exposure" in now
    assert "Reported: Yes, whole skin" in now
    breach.refresh_from_db()
    assert (breach.confirmed_by, breach.confirmation_note) == (cast.nurse, "Inner glove dry.")


def test_an_answer_can_be_taken_back_to_not_known(cast, nurse):
    breach = report(cast)
    nurse.send("breach_confirm", breach.uid, fact_contact="splash", fact_skin="?")
    newest = breach.assessments.filter(pathogen="ebola").last()
    assert newest.facts == {"contact": "splash"}
    assert (newest.floor, newest.ceiling) == ("none", "high")


def test_confirming_twice_confirms_once(cast, nurse):
    breach = report(cast)
    for _tap in range(2):
        nurse.send("breach_confirm", breach.uid, fact_contact="splash", fact_skin="intact")
    assert breach.assessments.filter(kind="confirmation").count() == 1


def test_answers_that_cannot_be_true_together_are_refused_at_the_question(cast, nurse):
    breach = report(cast)
    page = nurse.send("breach_confirm", breach.uid, fact_contact="none", fact_skin="mucosa")
    assert "These answers cannot be true together." in words(page)
    breach.refresh_from_db()
    assert breach.confirmed_at is None


def test_the_same_further_answers_make_no_second_assessment(cast, nurse):
    breach = report(cast, facts={"contact": "splash"})
    for _tap in range(2):
        page = nurse.send("breach_answers", breach.uid, fact_contact="splash", fact_skin="intact")
    assert "Nothing was changed." in words(page)
    assert breach.assessments.count() == 2  # the report's and the one with the further answer


def test_a_lower_tier_waits_for_a_second_signature_by_somebody_else(cast, nurse):
    breach = confirmed(cast, report(cast))
    exposure = Exposure.objects.get(breach=breach)
    for _tap in range(2):
        page = nurse.send("breach_override", breach.uid, "ebola", tier="none", reason="Double layer intact.")
    assert "Not in force yet: signed by Nora Teal" in words(page)
    override = breach.assessments.get(kind="override")
    exposure.refresh_from_db()
    assert exposure.tier == "high"

    own = nurse.send("countersign", override.uid)
    assert "The second signature must be somebody else's." in words(own)

    nurse.sign_in(cast.nurse2)
    assert any("Tier changed by Nora Teal" in line for line in waiting(nurse))
    nurse.send("countersign", override.uid)
    exposure.refresh_from_db()
    assert (exposure.tier, exposure.withdrawn_at) == ("none", MONDAY)


def test_an_override_needs_its_reason(cast, nurse):
    breach = confirmed(cast, report(cast))
    page = nurse.send("breach_override", breach.uid, "ebola", tier="none", reason=" ")
    assert "Not answered yet: Why?" in words(page)
    assert not breach.assessments.filter(kind="override").exists()


def test_looking_up_a_reference_lists_every_report_that_has_it(cast, nurse):
    first, second, third = (report(cast) for _n in range(3))
    with doing("command:tests"):
        second.reference = first.reference = "K7M2-01XD-4"
        first.save()
        second.save()
    found = nurse.open("reports", reference="k7m2 oixd4")  # O and I do not exist in the alphabet
    assert len(rows_of(found)) == 2
    assert third.reference not in words(found)
