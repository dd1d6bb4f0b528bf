"""A person's story: that everything which was recorded is told, with when and by whom."""

import re
from datetime import timedelta
from html import unescape

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from exposure.people.models import Worker
from exposure.pipeline import classify, clear, enter, expose, follow, link, report, tell
from exposure.web.nurse.rows import rows
from exposure.web.nurse.story import story
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log, newest_statement
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database

TUESDAY = MONDAY + timedelta(days=1)
EVENING = MONDAY + hours(10)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


@pytest.fixture
def told(cast, client, standing_clock):
    """The events of the story on Wim's page, each as one line of words."""
    client.force_login(cast.nurse)

    def events(at=TUESDAY):
        standing_clock(at)
        page = without_isolation(client.get(reverse("person", args=[cast.worker.uid])).content.decode())
        listed = page.partition('id="story"')[2].partition("</ol>")[0]
        return [
            " ".join(unescape(re.sub(r"<[^>]+>", " ", f"<li {one}")).split())
            for one in listed.split("<li ")[1:]
        ]

    return events


def one(events, start):
    found = [event for event in events if start in event]
    assert len(found) == 1, events
    return found[0]


def test_a_vaccine_is_told_with_its_batch_and_who_noted_it(cast, follow_up, told):
    with doing(cast.nurse):
        given = {"kind": "vaccine", "what": "Example vaccine", "given_at": MONDAY, "batch": "EX-1"}
        enter.record_protection(worker=cast.worker, by=cast.nurse, at=MONDAY, **given)
    assert "Mon 2 Mar 2026, 09:00 Vaccine given: Example vaccine Batch EX-1. Nora Teal" in one(
        told(), "Vaccine"
    )


def test_a_corrected_exposure_is_told_with_both_times_why_and_by_whom(cast, follow_up, told):
    at = MONDAY + hours(3)
    with doing(cast.nurse2, at=at):
        expose.correct_exposure(
            exposure=follow_up.exposures.get(),
            occurred_at=MONDAY - hours(26),
            reason="Ward book.",
            by=cast.nurse2,
            at=at,
        )
    event = one(told(), "corrected")
    assert "12:00 Time of the exposure corrected: Sun 1 Mar 2026, 07:00, not Mon 2 Mar 2026, 08:40" in event
    assert event.endswith("Ward book. Ned Plum")
    assert not [event for event in told() if "no longer counts" in event]


def test_an_exposure_without_a_report_is_told_and_so_is_who_told_the_worker_of_it(cast, told):
    with doing(cast.nurse):
        exposure = expose.record_exposure(
            worker=cast.worker, pathogen="ebola", occurred_at=MONDAY - hours(5), tier="high", case=cast.case,
            note="Shared a ward.", by=cast.nurse, at=MONDAY,
        )  # fmt: skip
    with doing(cast.nurse2, at=MONDAY + hours(1)):
        tell.tell_of_exposure(exposure=exposure, how="phone", by=cast.nurse2, at=MONDAY + hours(1))
    recorded = one(told(), "without a report")
    assert (
        "exposure outside Mon 2 Mar 2026, 04:00 High-risk exposure Case K7M2Q. Shared a ward. Nora Teal"
        in recorded
    )
    assert "10:00 Told of the exposure by telephone Ned Plum" in one(told(), "Told of the exposure")


def test_a_withdrawal_is_told_with_the_decision_and_what_it_took_out(cast, follow_up, told):
    breach = follow_up.exposures.get().breach
    with doing(cast.observer):
        request = report.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
    with doing(cast.nurse, at=MONDAY + hours(1)):
        classify.decide_withdrawal(
            request=request, accepted=True, reason="Spoken with Wim.", by=cast.nurse, at=MONDAY + hours(1)
        )
    assert one(told(), "Withdrawal accepted").endswith("Spoken with Wim. Nora Teal")
    assert one(told(), "no longer counts").endswith("Spoken with Wim. Nora Teal")


def test_a_withdrawal_that_is_refused_says_so(cast, follow_up, told):
    breach = follow_up.exposures.get().breach
    with doing(cast.observer):
        request = report.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
    with doing(cast.nurse):
        classify.decide_withdrawal(
            request=request, accepted=False, reason="It was torn.", by=cast.nurse, at=MONDAY
        )
    assert "It was torn." in one(told(), "Withdrawal refused: the report stands")


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        ("agreed", "Agreed with the worker"),
        ("instruction", "The employer's instruction"),
        ("order", "A public-health order"),
    ],
)
def test_an_end_is_told_with_its_basis_in_words_and_who_accepted_it(cast, follow_up, told, basis, words):
    with doing(cast.nurse):
        clear.end_follow_up(
            follow_up=follow_up, kind="handed_over", reason="Moved.", basis=basis, accepted_by="Tilda Reed, ext. 7",
            by=cast.nurse, at=MONDAY + hours(1),
        )  # fmt: skip
    assert f"Moved. {words} Accepted by Tilda Reed, ext. 7." in one(told(), "handed over and accepted")


def test_a_case_stated_anew_is_told(cast, follow_up, told):
    with doing(cast.physician, at=MONDAY + hours(2)):
        report.state_case(
            case=cast.case, pathogen="ebola", status="ruled_out", hours_since_onset=20, by=cast.physician,
            seen=newest_statement(cast.case, "ebola"), at=MONDAY + hours(2),
        )  # fmt: skip
    said = one(told(), "now ruled out Tested")
    assert "11:00 Case K7M2Q, ebola: now ruled out Tested 20 h after the onset. Petra Birch" in said


def test_a_reading_that_was_replaced_says_so_and_the_later_one_says_why(cast, follow_up, told):
    first = log(cast, at=EVENING, temperature="38.5").row
    log(cast, at=EVENING + hours(1), temperature="36.5", replaces=str(first.uid), reason="Read wrongly.")
    assert "38.5 °C in the mouth Replaced by a later one." in one(told(), "38.5 °C in the mouth")
    assert "Replaces an earlier one: Read wrongly." in one(told(), "36.5")
    assert "Replaced by" not in one(told(), "36.5")


def test_what_was_not_accepted_is_told_with_all_that_was_entered(cast, follow_up, told):
    log(
        cast, at=EVENING, temperature="380", symptoms=["headache"], fever_reducer="ibuprofen", fever_reducer_hours="2",
        note="Shaky.",
    )  # fmt: skip
    log(cast, at=EVENING, taken_at="noonish", temperature=None, could_not="Too weak.", felt_feverish=True)
    said = one(told(), "Not accepted: “380”")
    assert "is no body temperature" in said
    assert "Symptoms: headache. Fever reducer: ibuprofen, 2 h before. Shaky." in said
    assert "Too weak. Felt feverish." in one(told(), "Not accepted: “no temperature”")


def test_what_was_entered_for_another_record_of_the_person_is_told_with_it(cast, follow_up, told):
    reported = None
    with doing(cast.observer):
        body = cast.body(worker=None, person={"name": "W. Alder", "phone": "", "employer": "Agency"})
        reported = report.report_breach(body=body, reporter=cast.observer, at=MONDAY).breach
    with doing(cast.nurse, at=EVENING):
        follow.log_reading(
            body=cast.reading(temperature="37.2"), worker=reported.worker, entered_by=cast.nurse, at=EVENING
        )
        enter.note_call(worker=reported.worker, answered=True, note="Rang back.", by=cast.nurse, at=EVENING)
    with doing(cast.nurse, at=EVENING + hours(1)):
        link.link_worker(worker=reported.worker, same_as=cast.worker, by=cast.nurse, at=EVENING + hours(1))
    assert "Entered for W. Alder." in one(told(), "37.2")
    assert "Rang back." in one(told(), "Call, answered")


def test_follow_ups_that_ended_stand_under_a_heading_of_their_own(cast, client, standing_clock, follow_up):
    standing_clock(TUESDAY)
    client.force_login(cast.nurse)
    page = reverse("person", args=[cast.worker.uid])
    assert "Follow-ups that ended" not in client.get(page).content.decode()
    with doing(cast.nurse):
        clear.end_follow_up(
            follow_up=follow_up,
            kind="left",
            reason="Moved.",
            basis="agreed",
            by=cast.nurse,
            at=MONDAY + hours(1),
        )
    assert "<h2>Follow-ups that ended</h2>" in client.get(page).content.decode()


def test_a_long_story_takes_as_many_statements_as_a_short_one(cast, follow_up):
    def fill(start):
        for day in range(start, start + 3):
            at = EVENING + timedelta(days=day)
            row = log(cast, at=at).row
            log(cast, at=at + hours(1), replaces=str(row.uid), reason="Again.")
            log(cast, at=at, temperature="101.5")
            with doing(cast.nurse, at=at):
                enter.note_call(worker=cast.worker, answered=True, note="", by=cast.nurse, at=at)
                given = {"kind": "vaccine", "what": f"Dose {day}", "given_at": at}
                enter.record_protection(worker=cast.worker, by=cast.nurse, at=at, **given)
                expose.record_exposure(
                    worker=cast.worker, pathogen="ebola", occurred_at=at, tier="high", case=cast.case, note="",
                    by=cast.nurse, at=at,
                )  # fmt: skip

    def every(rows):
        return rows

    def statements():
        worker = Worker.objects.get(pk=cast.worker.pk)
        found = rows(worker.follow_ups.select_related("worker", "site"), at=EVENING + timedelta(days=9))
        with CaptureQueriesContext(connection) as taken:
            events = story(worker, found, (), every, every)
        return len(events), len(taken)

    fill(0)
    few, short = statements()
    fill(3)
    many, long = statements()
    assert many > few + 15
    assert long == short


def test_an_alert_says_that_its_reading_was_replaced_since(cast, client, standing_clock, follow_up):
    first = log(cast, at=EVENING, temperature="38.5").row
    alert = reverse("alert", args=[cast.worker.alerts.get().uid])
    standing_clock(TUESDAY)
    client.force_login(cast.nurse)
    assert "replaced" not in client.get(alert).content.decode()
    log(cast, at=EVENING + hours(1), temperature="36.5", replaces=str(first.uid), reason="Read wrongly.")
    page = client.get(alert).content.decode()
    assert "This reading was replaced by a later one: Read wrongly." in page


def test_all_readings_stand_as_a_chart_and_in_a_table_with_their_zone_and_method(
    cast, client, standing_clock, follow_up
):
    for hour, value in enumerate(("36.6", "36.7", "38.4")):
        log(cast, at=EVENING + hours(hour), temperature=value)
    standing_clock(TUESDAY)
    client.force_login(cast.nurse)
    page = client.get(reverse("person", args=[cast.worker.uid])).content.decode()
    chart = page[page.index('class="chart"') :].partition("</section>")[0]
    assert chart.count('class="mark recorded"') == 3  # with that of the legend
    assert chart.count('class="mark alert"') == 2
    assert "limit, in the mouth: 38.0 °C" in chart
    assert chart.count("Europe/Lisbon") == 3
    assert "{{" not in page


def test_the_story_is_filtered_by_what_happened(cast, client, standing_clock, follow_up):
    log(cast, at=EVENING)
    standing_clock(TUESDAY)
    client.force_login(cast.nurse)
    page = client.get(reverse("person", args=[cast.worker.uid]), {"show": "reading"}).content.decode()
    listed = page.partition('id="story"')[2].partition("</ol>")[0]
    assert listed.count("<li ") == 1
    assert "36.8" in listed
