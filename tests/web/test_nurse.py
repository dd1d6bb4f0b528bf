"""The pages of nurse and physician, as somebody with a browser sees them. Which rules hold is tested with the rules;
here: what stands where, what a button does, and who is kept out. The periods (first call within 24 hours, 21 days,
48 hours of silence) are those of the published criteria file in use, whose sources stand in it."""

import re
from datetime import timedelta
from html import unescape
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from exposure.attend.models import Alert, Call, Promise
from exposure.attend.overview import overview
from exposure.audit.models import AccessEntry
from exposure.followup.models import Check, Exposure, FollowUp, FollowUpState, Reading, UnplacedReading
from exposure.people.models import Role, User, Worker
from exposure.pipeline import attend, classify, clear, follow, remind
from exposure.pipeline.report import report_breach
from exposure.record import create_many, insert_many
from exposure.refusal import Conflict
from exposure.remind.heartbeat import PROCESSES
from exposure.remind.models import Heartbeat
from exposure.report.models import Breach
from tests.cast import MONDAY, PASSWORD, doing
from tests.walk import pass_time

pytestmark = pytest.mark.database

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
TOKEN = re.compile(r'name="form_owner" value="([^"]+)"')
ID = re.compile(r'name="submission_id" value="([^"]+)"')


class Browser:
    """Somebody's browser; every request has its instant."""

    def __init__(self, client, clock):
        self.client, self.clock = client, clock

    def sign_in(self, user):
        self.client.force_login(user)
        return self

    def open(self, name, *args, at=MONDAY, **query):
        self.clock(at)
        return self.client.get(reverse(name, args=args), query)

    def send(self, name, *args, at=MONDAY, **fields):
        self.clock(at)
        return self.client.post(reverse(name, args=args), fields, follow=True)


@pytest.fixture
def nurse(cast, client, standing_clock):
    """Nora's browser."""
    return Browser(client, standing_clock).sign_in(cast.nurse)


def report(cast, at=MONDAY, **changes):
    with doing(cast.observer, at=at):
        body = cast.body(occurred_at=(at - timedelta(minutes=20)).isoformat(), **changes)
        return report_breach(body=body, reporter=cast.observer, at=at).breach


def follow_up_of(breach):
    return FollowUp.objects.get(exposures__breach=breach)


def measure(cast, at, temperature="36.8", **changes):
    with doing(cast.worker.user, at=at):
        body = cast.reading(temperature=temperature, **changes)
        return follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=at)


def confirmed(cast, breach, at=MONDAY):
    with doing(cast.nurse, at=at):
        attend.tell_worker(breach=breach, how="phone", told_at=at, by=cast.nurse, at=at)
        classify.confirm_breach(breach=breach, by=cast.nurse, at=at)
    return breach


def someone(cast, name="Tess Marl", number="SG-2000", user=None):
    with doing("command:tests"):
        return Worker.objects.create(
            site=cast.site, name=name, number=number, user=user, phone="+351 900 000 043"
        )


def words(response):
    """The main column as it is read: tags off, spaces single."""
    main = response.content.decode().partition("<main")[2].partition("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", main)).split())


def rows_of(response):
    body = response.content.decode().partition("<tbody>")[2].partition("</tbody>")[0]
    return [" ".join(unescape(re.sub(r"<[^>]+>", " ", row)).split()) for row in body.split("<tr>")[1:]]


# Needs action


def test_a_fever_is_first_in_needs_action(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    page = nurse.open("needs_action", at=MONDAY + HOUR)
    assert [row.split(" ")[0] for row in rows_of(page)] == ["Fever", "Report", "Not"]
    assert "SG-1042" in rows_of(page)[0]
    assert "nobody yet" in rows_of(page)[0]


def test_a_report_says_by_when_it_is_to_be_confirmed_and_told(cast, nurse):
    report(cast)
    confirm, tell = rows_of(nurse.open("needs_action", at=MONDAY + timedelta(minutes=10)))
    assert "Mon 2 Mar, 11:00 , in 1 h 50 min" in confirm  # this tier's plan: within 2 hours
    assert "Mon 2 Mar, 10:00 , in 50 min" in tell  # the site's 60 minutes


def test_a_due_time_that_has_passed_is_late_though_nothing_has_run_since(cast, nurse):
    report(cast)
    confirm, tell = rows_of(nurse.open("needs_action", at=MONDAY + 3 * HOUR))
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
    assert rows_of(nurse.open("needs_action", at=MONDAY + HOUR))[-1].startswith("Fever")


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
    first = rows_of(nurse.open("needs_action", at=MONDAY + 2 * HOUR))[0]
    assert first.startswith("Fever urgent 38.9 C")
    assert "now since Mon 2 Mar, 11:00" in first


def test_a_look_that_has_come_asks_again_though_nothing_has_run_since(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    nurse.send("alert_acknowledge", Alert.objects.get(cause="fever").uid, at=MONDAY + HOUR)
    assert rows_of(nurse.open("needs_action", at=MONDAY + 5 * HOUR))[0].startswith("Fever urgent")


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
        return [row for row in rows_of(nurse.open("needs_action", at=late)) if row.startswith("Task late")]

    assert len(task_lines()) == 2
    with doing("task:sweep", at=late):
        remind.pass_time(at=late)
    assert len(task_lines()) == 1
    assert "First call to the worker; Tell the public health authority" in task_lines()[0]


def test_the_filter_reads_as_a_sentence_of_causes(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    page = nurse.open("needs_action", at=MONDAY + HOUR, cause="fever")
    assert "Show everything 3 , fever 1 , report to confirm 1 or not yet told 1 ." in words(page)
    assert len(rows_of(page)) == 1


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
    assert ("Last looked at 0" in said) is not alarm


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
    waiting = rows_of(nurse.open("needs_action"))
    assert any("Tier changed by Nora Teal" in row for row in waiting)
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


# Monitoring list


def test_the_monitoring_list_has_the_worst_first(cast, nurse):
    confirmed(cast, report(cast))
    well = someone(cast, "Ann Aspen", "SG-1")
    confirmed(cast, report(cast, worker=well.number))
    evening = MONDAY + 10 * HOUR
    with doing(cast.nurse, at=evening):
        follow.log_reading(body=cast.reading(), worker=well, entered_by=cast.nurse, at=evening)
    measure(cast, evening, "38.4")
    rows = rows_of(nurse.open("monitoring", at=evening))
    assert [row[:9] for row in rows] == ["Wim Alder", "Ann Aspen"]
    assert "Day 0 of 21" in rows[0]
    assert "38.4 °C" in rows[0]
    assert "restricted until Mon 23 Mar" in rows[0]  # restricted for 21 days in this plan


def test_silence_and_missing_readings_show_though_nothing_has_run(cast, nurse):
    confirmed(cast, report(cast))
    row = rows_of(nurse.open("monitoring", at=MONDAY + 49 * HOUR))[0]
    assert "silent for 49 h" in row
    assert "4 readings missing" in row  # Monday evening, Tuesday twice, Wednesday 06:00 to 10:00


def test_people_are_found_by_name_and_number(cast, nurse):
    report(cast)
    other = someone(cast)
    report(cast, worker=other.number)
    assert [row[:9] for row in rows_of(nurse.open("monitoring", find="tess"))] == ["Tess Marl"]
    assert [row[:9] for row in rows_of(nurse.open("monitoring", find="1042"))] == ["Wim Alder"]
    assert "Nobody is found." in words(nurse.open("monitoring", find="nobody"))


def test_whoever_was_recently_cleared_shows_only_on_request(cast, nurse):
    cleared(cast)
    later = MONDAY + 24 * DAY
    assert rows_of(nurse.open("monitoring", at=later)) == []
    assert "cleared" in rows_of(nurse.open("monitoring", at=later, cause="ended"))[0]


def crowd(cast, size):
    """As many people, each with a follow-up, readings due, an open fever, a report and a late task."""
    start = MONDAY - 2 * DAY
    with doing("command:tests", at=start):
        told = [(n, uuid4()) for n in range(size)]
        workers = create_many(
            Worker, [Worker(site=cast.site, name=f"Person {n}", number=f"C-{uid}") for n, uid in told]
        )
        breaches = create_many(
            Breach,
            [
                Breach(
                    site=cast.site,
                    worker=worker,
                    reported_by=cast.observer,
                    reported_at=start,
                    happened_at=start,
                    phase="removal",
                    body={},
                    reference="0000-0000-0",
                )
                for worker in workers
            ],
        )
        follow_ups = create_many(
            FollowUp,
            [FollowUp(site=cast.site, worker=one, pathogen="ebola", opened_at=start) for one in workers],
        )
        create_many(
            FollowUpState,
            [FollowUpState(follow_up=one, kind="monitored", from_at=start) for one in follow_ups],
        )
        assessment = Breach.objects.filter(worker=cast.worker).first().assessments.first()
        exposures = create_many(
            Exposure,
            [
                Exposure(
                    follow_up=one,
                    breach=breach,
                    assessment=assessment,
                    occurred_at=start,
                    zone=cast.site.zone,
                    day_zero=start.date(),
                    last_day=start.date() + 21 * DAY,
                )
                for one, breach in zip(follow_ups, breaches, strict=True)
            ],
        )
        insert_many(
            Check,
            [
                Check(
                    follow_up=one,
                    day=day,
                    window="morning",
                    local_date=start.date(),
                    zone=cast.site.zone,
                    opens_at=start + day * DAY,
                    due_at=start + day * DAY + HOUR,
                    closes_at=start + day * DAY + 2 * HOUR,
                )
                for one in follow_ups
                for day in range(1, 4)
            ],
        )
        common = {"site": cast.site, "because": "39.0 C", "raised_at": start, "round_at": start}
        create_many(Alert, [Alert(worker=one, cause="fever", urgent=True, **common) for one in workers])
        create_many(
            Promise,
            [
                Promise(
                    site=cast.site,
                    worker=exposure.follow_up.worker,
                    exposure=exposure,
                    kind="task",
                    key="call",
                    title="Call",
                    asked_at=start,
                    due_at=start + HOUR,
                )
                for exposure in exposures
            ]
            + [
                Promise(
                    site=cast.site,
                    worker=breach.worker,
                    breach=breach,
                    kind=kind,
                    asked_at=start,
                    due_at=start + HOUR,
                )
                for breach in breaches
                for kind in ("tell", "confirm")
            ],
        )


@pytest.mark.parametrize("page", ["needs_action", "monitoring", "reports"])
def test_ten_rows_and_two_hundred_take_the_same_number_of_statements(cast, nurse, page):
    report(cast)
    nurse.open(page)  # notes the look of this hour and warms what is cached

    def statements():
        with CaptureQueriesContext(connection) as taken:
            response = nurse.open(page)
        assert response.status_code == 200
        return len(taken), len(rows_of(response))

    crowd(cast, 10)
    few, few_rows = statements()
    crowd(cast, 190)
    many, many_rows = statements()
    assert many == few
    assert many_rows > 9 * few_rows or many_rows == 100  # a page of the list holds 100


# A person


def cleared(cast):
    """Wim's 21 days with every reading, signed by the physician on the last evening."""
    breach = confirmed(cast, report(cast))
    follow_up = follow_up_of(breach)
    with doing(cast.nurse):
        for task in Promise.objects.filter(kind="task", exposure__follow_up=follow_up):
            attend.complete_task(task=task, note="", by=cast.nurse, at=MONDAY)
    for check in follow_up.checks.all():
        measure(cast, check.due_at, taken_at=check.due_at.isoformat())
    signed = check.due_at + HOUR
    with doing(cast.physician, at=signed):
        clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=signed)
    follow_up.refresh_from_db()
    return follow_up


def test_the_story_stands_in_time_order_with_who_and_when(cast, nurse):
    confirmed(cast, report(cast), at=MONDAY + HOUR)
    measure(cast, MONDAY + 10 * HOUR, "38.4", symptoms=["headache"])
    said = words(nurse.open("person", cast.worker.uid, at=MONDAY + 11 * HOUR))
    told = [
        "Breach reported Heron Olga Rowan",
        "Told by telephone Nora Teal",
        "38.4 °C in the mouth Symptoms: headache. Wim Alder",
        "Alert (fever): raised",
    ]
    assert [said.index(event) for event in told] == sorted(said.index(event) for event in told)
    assert "day 0 of 21" in said
    assert "times of Europe/Lisbon" in said


def test_opening_a_person_is_an_entry_of_the_access_log(cast, nurse):
    report(cast)
    nurse.open("person", cast.worker.uid)
    look = AccessEntry.objects.get(kind="person")
    assert (look.user, look.about) == (cast.nurse, cast.worker.uid)


def test_only_an_answered_call_is_contact(cast, nurse):
    follow_up = follow_up_of(report(cast))
    nurse.send("person_call", cast.worker.uid, at=MONDAY + HOUR, answered="no", note="Voice mail.")
    assert overview(follow_up, at=MONDAY + 3 * HOUR).last_contact_at == MONDAY
    nurse.send("person_call", cast.worker.uid, at=MONDAY + 2 * HOUR, answered="yes", note="Well.")
    assert overview(follow_up, at=MONDAY + 3 * HOUR).last_contact_at == MONDAY + 2 * HOUR


def test_a_double_tap_notes_one_call(cast, nurse):
    report(cast)
    for seconds in (0, 1):
        at = MONDAY + timedelta(seconds=seconds)
        nurse.send("person_call", cast.worker.uid, at=at, answered="yes", note="Well.")
    assert Call.objects.count() == 1


def test_a_missing_reading_is_explained_once_with_a_reason(cast, nurse):
    follow_up = follow_up_of(report(cast))
    missing = follow_up.checks.first()
    at = missing.closes_at
    assert "Not answered yet: Reason" in words(nurse.send("excuse", missing.uid, at=at))
    for _tap in range(2):
        page = nurse.send("excuse", missing.uid, at=at, reason="On a plane.")
    assert "Missing reading explained: day 0, evening On a plane. Nora Teal" in words(page)
    assert missing.fills.count() == 1


def test_a_reading_that_can_still_be_taken_is_not_explained_away(cast, nurse):
    check = follow_up_of(report(cast)).checks.first()
    page = nurse.send("excuse", check.uid, at=check.closes_at - HOUR, reason="Asleep.")
    assert "This reading can still be taken." in words(page)
    assert not check.fills.exists()


def test_a_recorded_reading_is_not_explained_away(cast, nurse):
    check = follow_up_of(report(cast)).checks.first()
    measure(cast, check.due_at)
    page = nurse.send("excuse", check.uid, at=check.closes_at, reason="Asleep.")
    assert "This reading is not missing" in words(page)
    assert check.fills.get().state == "recorded"


def reading_fields(nurse, cast, at, **changes):
    form = nurse.open("person_reading", cast.worker.uid, at=at).content.decode()
    normal = {"temperature": "36,8", "unit": "C", "method": "oral", "taken_at": "2026-03-02T19:00"}
    return {"submission_id": ID.search(form)[1], **normal, **changes}


def test_a_reading_from_a_call_is_stored_once_as_the_workers(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    fields = reading_fields(nurse, cast, at)
    for _tap in range(2):
        page = nurse.send("person_reading", cast.worker.uid, at=at, **fields)
    assert "Recorded." in words(page)
    stored = Reading.objects.get()
    assert (stored.worker, stored.entered_by, str(stored.value)) == (cast.worker, cast.nurse, "36.80")


def test_a_fever_from_a_call_says_that_an_alert_is_raised(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    page = nurse.send(
        "person_reading", cast.worker.uid, at=at, **reading_fields(nurse, cast, at, temperature="38.2")
    )
    assert "an alert is raised" in words(page)


def test_what_is_refused_comes_back_at_its_field(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    page = nurse.send(
        "person_reading",
        cast.worker.uid,
        at=at,
        **reading_fields(nurse, cast, at, method="", temperature="36.8"),
    )
    assert "Say where the temperature was taken." in words(page)
    assert 'href="#id_method_0"' in page.content.decode()


def test_a_refused_fever_is_kept_and_can_be_corrected(cast, nurse):
    report(cast)
    at = MONDAY + 10 * HOUR + timedelta(minutes=5)
    fields = reading_fields(nurse, cast, at, temperature="101.5")  # Fahrenheit under the unit C
    page = nurse.send("person_reading", cast.worker.uid, at=at, **fields)
    assert "What was typed is kept, and an alert is raised." in words(page)
    assert UnplacedReading.objects.get().typed == "101.5"
    fields |= {"submission_id": ID.search(page.content.decode())[1], "unit": "F"}
    nurse.send("person_reading", cast.worker.uid, at=at, **fields)
    assert (Reading.objects.get().unit, Alert.objects.filter(cause="fever").count()) == ("F", 1)


def test_a_task_is_done_with_a_note(cast, nurse):
    report(cast)
    task = Promise.objects.get(key="first_call")
    page = nurse.send("task_done", task.uid, note="Spoke at length.")
    assert "Done: First call to the worker Spoke at length. Nora Teal" in words(page)


def test_the_sign_off_says_exactly_what_stands_in_the_way(cast, nurse):
    breach = report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    follow_up = follow_up_of(breach)
    said = words(nurse.open("clear", follow_up.uid, at=MONDAY + HOUR))
    assert f"A report is not confirmed yet. {breach.reference}" in said
    assert "The last reading is still to come; it can be taken until Mon 23 Mar, 22:00." in said
    assert "An alert is open. Fever" in said
    assert "A task is not done. First call to the worker , Tell the public health authority" in said
    assert "The plan asks for a physician's signature." in said
    refused = nurse.sign_in(cast.physician).send("clear", follow_up.uid, at=MONDAY + HOUR)
    assert "A report is not confirmed yet." in words(refused)
    assert not follow_up.clearances.exists()


def test_the_physician_signs_and_it_takes_effect_when_the_last_day_ends(cast, nurse):
    follow_up = cleared(cast)
    page = nurse.sign_in(cast.physician).open("clear", follow_up.uid, at=MONDAY + 21 * DAY + 12 * HOUR)
    said = words(page)
    assert "Clearance: completed." in said
    assert "It takes effect Tue 24 Mar 2026, 00:00" in said


def test_a_sign_off_refused_for_a_missing_last_reading_goes_through_once_it_is_explained(cast, nurse):
    breach = confirmed(cast, report(cast))
    follow_up = follow_up_of(breach)
    with doing(cast.nurse):
        for task in Promise.objects.filter(kind="task", exposure__follow_up=follow_up):
            attend.complete_task(task=task, note="", by=cast.nurse, at=MONDAY)
    *checks, last = follow_up.checks.all()
    for check in checks:
        measure(cast, check.due_at, taken_at=check.due_at.isoformat())
    at = last.closes_at
    nurse.sign_in(cast.physician)
    refused = nurse.send("clear", follow_up.uid, at=at)
    assert "The last reading of the last day is neither recorded nor explained." in words(refused)
    nurse.send("excuse", last.uid, at=at, reason="Thermometer broke; well by telephone.")
    for _tap in range(2):
        page = nurse.send("clear", follow_up.uid, at=at)
    assert "Signed. The follow-up ends Tue 24 Mar, 00:00." in words(page)
    assert follow_up.clearances.get().kind == "completed"


def test_a_gap_is_said_before_it_is_signed(cast, nurse):
    follow_up = follow_up_of(confirmed(cast, report(cast)))
    assert "completed with a gap" in words(nurse.open("clear", follow_up.uid, at=MONDAY + 3 * DAY))


# Who is kept out


def addresses(cast, breach):
    measure(cast, MONDAY + HOUR, "38.4")
    follow_up = follow_up_of(breach)
    alert, task = Alert.objects.get(cause="fever"), Promise.objects.filter(kind="task").first()
    return [
        ("alert", alert.uid),
        ("alert_acknowledge", alert.uid),
        ("alert_close", alert.uid),
        ("breach", breach.uid),
        ("breach_told", breach.uid),
        ("breach_confirm", breach.uid),
        ("breach_answers", breach.uid),
        ("breach_override", breach.uid, "ebola"),
        ("person", cast.worker.uid),
        ("person_call", cast.worker.uid),
        ("person_reading", cast.worker.uid),
        ("excuse", follow_up.checks.first().uid),
        ("task_done", task.uid),
        ("clear", follow_up.uid),
    ]


@pytest.mark.parametrize("who", ["outsider", "lead", "observer", "auditor", "administrator", "the worker"])
def test_what_is_not_yours_is_not_there(cast, nurse, who):
    user = cast.worker.user if who == "the worker" else getattr(cast, who)
    theirs = addresses(cast, report(cast))
    nurse.sign_in(user)
    for address in theirs:
        assert nurse.open(*address).status_code == 404, address
        assert nurse.send(*address, outcome="evaluated", answered="yes", reason="x").status_code == 404, (
            address
        )
    assert not Call.objects.exists()


@pytest.mark.parametrize("role", [Role.Kind.NURSE, Role.Kind.PHYSICIAN])
def test_nobody_sees_or_decides_on_their_own_record_as_a_clinician(cast, nurse, role):
    theirs = addresses(cast, report(cast))
    with doing("command:tests"):
        Role.objects.create(user=cast.worker.user, site=cast.site, kind=role, from_at=MONDAY - DAY)
    nurse.sign_in(cast.worker.user)
    for address in theirs:
        assert nurse.open(*address, at=MONDAY + HOUR).status_code == 404, address
        assert nurse.send(*address, at=MONDAY + HOUR).status_code == 404, address
    for page in ("needs_action", "monitoring", "reports"):
        assert rows_of(nurse.open(page, at=MONDAY + HOUR)) == []


def test_a_nurse_of_another_site_sees_empty_lists_in_their_own_time(cast, nurse):
    report(cast)
    nurse.sign_in(cast.outsider)
    for page in ("needs_action", "monitoring", "reports"):
        response = nurse.open(page)
        assert rows_of(response) == []
        assert "America/Halifax" in words(response)


@pytest.mark.parametrize("who", ["lead", "observer", "auditor", "administrator"])
@pytest.mark.parametrize("page", ["needs_action", "monitoring", "reports"])
def test_the_lists_are_for_nurses_and_physicians(cast, nurse, who, page):
    assert nurse.sign_in(getattr(cast, who)).open(page).status_code == 403


# Sessions that end, and people without a page


def test_what_was_typed_survives_the_end_of_the_session(cast, nurse):
    report(cast)
    form = nurse.open("person_call", cast.worker.uid).content.decode()
    nurse.client.logout()
    nurse.send(
        "person_call", cast.worker.uid, form_owner=TOKEN.search(form)[1], answered="yes", note="Slept well."
    )
    assert not Call.objects.exists()
    nurse.client.post(reverse("account_login"), {"login": "nurse", "password": PASSWORD})
    page = nurse.open("person_call", cast.worker.uid)
    assert "Not sent yet" in words(page)
    assert "Slept well." in words(page)


def test_somebody_without_any_page_is_told_whom_to_ask(cast, nurse):
    with doing("command:tests"):
        newcomer = User.objects.create_user("newcomer", PASSWORD, full_name="Nell Sand")
    said = words(nurse.sign_in(newcomer).open("home"))
    assert "Ask the administrator" in said


def test_the_messages_show_what_left_and_what_waits(cast, nurse):
    report(cast)
    measure(cast, MONDAY + HOUR, "38.4")
    pass_time(MONDAY + HOUR)
    lines = rows_of(nurse.open("outgoing", at=MONDAY + HOUR))
    assert any("Sent Mon 2 Mar 2026" in line and "1 attempt" in line for line in lines)
    assert any("Not sent: one message said how much waits" in line for line in lines)
