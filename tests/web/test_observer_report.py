"""The observer's pages: the report of a mark or without one, question by question."""

from datetime import UTC, datetime, timedelta

import pytest
from django.urls import reverse

from exposure.classify.models import Assessment
from exposure.people.models import Worker
from exposure.pipeline import report
from exposure.pipeline.remind import PARTS
from exposure.remind.sweep import run_parts
from exposure.report.models import Breach, Case, CaseStatement, OtherContent
from exposure.web.observer import questions
from tests.cast import MONDAY, adopt, doing
from tests.web.olga import SKIN, Page, answered, details, marked, start

pytestmark = pytest.mark.database


def test_the_same_report_sent_twice_is_stored_once(olga, cast):
    page = answered(details(olga("report", "heron")), skin="intact")
    page.send("anyone_else", anyone_else="no")
    again = page.send("anyone_else", anyone_else="no")
    assert Breach.objects.count() == 1
    assert OtherContent.objects.count() == 0
    assert Breach.objects.get().reference in again.said


def test_the_same_report_sent_with_other_content_is_kept_beside_the_first(olga, cast):
    page = answered(details(olga("report", "heron")))
    page.send("anyone_else", narrative="First.")
    again = page.send("anyone_else", narrative="Second.")
    assert again.response.status_code == 409
    assert "a nurse will look at them" in again.said
    assert Breach.objects.get().reference in again.said
    assert OtherContent.objects.get().body["narrative"] == "Second."


def test_a_conflict_with_somebody_elses_report_says_nothing_of_it(olga, cast, client):
    with doing(cast.nurse):
        standing = report.report_breach(body=cast.body(), reporter=cast.nurse, at=MONDAY).breach
    page = answered(details(olga("report", "heron"), submission_id=str(standing.uid)))
    again = page.send("anyone_else")
    assert again.response.status_code == 409
    assert standing.reference not in again.said
    assert reverse("my_report", args=[standing.uid]) not in again.links


def test_answers_after_a_mark_was_sent_as_it_stood_are_added_and_the_page_says_sent(
    olga, cast, standing_clock
):
    mark = marked(cast, start(cast), failure="step_skipped")
    page = answered(olga("report", "heron", query=f"?mark={mark.uid}"), skin="intact")
    with doing("task:clock", at=MONDAY + timedelta(minutes=31)):
        assert run_parts(PARTS, at=MONDAY + timedelta(minutes=31))["unfinished_marks"] == 1
    standing_clock(MONDAY + timedelta(minutes=40))
    again = page.send("anyone_else")
    breach = Breach.objects.get()
    assert again.address == reverse("reported", args=[breach.uid])
    assert breach.assessments.last().facts == {"skin": "intact"}
    for words in (
        "Sent",
        breach.reference,
        "Ring occupational health now",
        "+351 900 000 100",
        "Told by phone",
    ):
        assert words in again.said
    assert "Yes, whole skin" in olga("my_report", breach.uid).said


def test_the_report_of_a_mark_that_is_sent_already_leads_to_it(olga, cast):
    mark = marked(cast, start(cast))
    with doing("task:clock", at=MONDAY + timedelta(minutes=31)):
        run_parts(PARTS, at=MONDAY + timedelta(minutes=31))
    page = olga("report", "heron", query=f"?mark={mark.uid}")
    assert page.address == reverse("my_report", args=[Breach.objects.get().uid])


@pytest.mark.parametrize(
    ("typed", "flag"),
    [
        ("2026-03-09T09:00", "time_in_future"),
        ("2025-03-02T09:00", "time_long_ago"),
        ("yesterday", "time_unreadable"),
        ("", "time_missing"),
    ],
)
def test_an_odd_time_is_remarked_on_sent_and_kept(olga, cast, typed, flag):
    page = answered(details(olga("report", "heron"), occurred_at=typed))
    assert "A nurse will look at this" in page.said
    page.send("anyone_else")
    breach = Breach.objects.get()
    assert flag in breach.flags
    assert (breach.body.get("occurred_at") or "").startswith(typed[:16])


def test_the_time_is_the_sites_clock(olga, cast, standing_clock):
    """Halifax is UTC-4 in winter (IANA time zone database)."""
    with doing(cast.administrator):
        cast.site.zone = "America/Halifax"
        cast.site.save()
    page = olga("report", "heron")
    assert page.form("emergency")["fields"]["occurred_at"] == "2026-03-02T05:00"
    answered(details(page)).send("anyone_else")
    assert Breach.objects.get().occurred_at == datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def test_an_unlisted_person_is_reported_by_name(olga, cast):
    person = {"name": "Bea Sorrel", "phone": "+351 900 000 777", "employer": "Clear Floors"}
    page = answered(details(olga("report", "heron"), who="name", number="", **person))
    page.send("anyone_else")
    breach = Breach.objects.get()
    assert breach.body["person"] == person
    assert "unlisted_person" in breach.flags
    assert breach.worker.number is None
    assert breach.worker.name == "Bea Sorrel"


def test_an_unknown_number_is_remarked_on_and_sent_as_typed(olga, cast):
    page = answered(details(olga("report", "heron"), number="SG-9999").send("phone"))
    assert "There is no worker with this number." in page.said
    page.send("anyone_else")
    assert Breach.objects.get().body["worker"] == "SG-9999"


def test_contradictory_answers_are_remarked_on_and_kept(olga, cast):
    page = details(olga("report", "heron"))
    assert page.question == "skin", "the more decisive one is asked first"
    page = page.send("question", fact__skin="pierced", fact__contact="none")
    assert "The answers contradict each other." in page.said
    page.send("anyone_else")
    breach = Breach.objects.get()
    assert breach.facts == {"skin": "pierced", "contact": "none"}
    assert "contradictory" in breach.flags


def test_what_can_no_longer_change_anything_is_not_asked(olga, cast):
    page = details(olga("report", "heron"))
    page = page.send("question", fact__skin="pierced")
    assert page.question is None
    assert "Look at it once more" in page.said


def test_dont_know_is_an_answer_that_sends_nothing(olga, cast):
    page = details(olga("report", "heron"))
    assert (SKIN, questions.UNKNOWN) in page.form("question")["offered"]
    assert "checked" not in page.text, "nothing is chosen beforehand"
    answered(page).send("anyone_else")
    assert Breach.objects.get().facts == {}


def test_a_question_left_empty_is_asked_again_by_name(olga, cast):
    page = details(olga("report", "heron")).send("question")
    assert "Not answered yet: Did anything contaminated reach or pierce the skin" in page.said
    assert "#id_fact-skin_0" in page.links
    assert "id_fact-skin_0" in page.ids


def test_the_report_can_be_sent_before_every_question_is_answered(olga, cast):
    page = details(olga("report", "heron")).tap("go", "review")
    page.send("anyone_else")
    assert Breach.objects.get().facts == {}


@pytest.mark.parametrize(
    ("left_out", "sentence", "target", "nothing"),
    [
        ({"who": ""}, "Not answered yet: Who?", "id_who_0", {}),
        ({"number": ""}, "Not answered yet: the number on the badge.", "id_number", {"number": ""}),
        ({"who": "name"}, "Not answered yet: the name.", "id_name", {"name": ""}),
        ({"phase": ""}, "Not answered yet: At which point?", "id_point_0", {}),
        ({"drill": ""}, "Not answered yet: At which point?", "id_point_0", {}),
    ],
)
def test_what_is_not_answered_is_asked_then_named_and_linked(olga, cast, left_out, sentence, target, nothing):
    page = details(olga("report", "heron"), **left_out)
    assert "Not answered yet" not in page.said
    assert target in page.ids
    page = page.send(next(iter(nothing), "page"), **nothing)
    assert sentence in page.said
    assert "<title>Error:" in page.text
    assert f"#{target}" in page.links
    assert target in page.ids


def test_an_answer_can_be_changed_from_the_last_page(olga, cast):
    page = answered(details(olga("report", "heron")), skin="no", contact="splash")
    page = page.tap("forget", "skin")
    assert page.question == "skin"
    answered(page, skin="mucosa").send("anyone_else")
    assert Breach.objects.get().facts == {"skin": "mucosa", "contact": "splash"}


def test_the_first_page_can_be_changed_from_the_last_one(olga, cast):
    page = answered(details(olga("report", "heron"))).tap("forget", "point").tap("point", "later")
    page = page.send("occurred_at", occurred_at="2026-03-01T21:30").tap("forget", "who")
    page = page.tap("who", "nobody").tap("forget", "what").follow("group=other").tap("what_happened", "other")
    page.tap("first_aid", "").send("anyone_else")
    breach = Breach.objects.get()
    assert (breach.phase, breach.what_happened, breach.body["worker"]) == ("later", "other", None)
    assert breach.occurred_at == datetime(2026, 3, 1, 21, 30, tzinfo=UTC)


def test_somebody_else_who_was_touched_gets_their_own_report_of_the_same_moment(olga, cast):
    page = answered(details(olga("report", "heron"), occurred_at="2026-03-02T08:40"))
    page = page.send("anyone_else", anyone_else="yes")
    first = Breach.objects.get()
    assert "Somebody else was touched or splashed too." in first.narrative
    address = f"{reverse('report', args=['heron'])}?beside={first.uid}"
    assert address in page.links
    page = Page(page.client, page.client.get(address, follow=True))
    fields = page.form("emergency")["fields"]
    assert fields["occurred_at"] == "2026-03-02T08:40"
    assert fields["phase"] == "room"
    answered(details(page, number="", who="nobody")).send("anyone_else")
    other = Breach.objects.exclude(pk=first.pk).get()
    assert (other.station, other.case, other.occurred_at) == (first.station, first.case, first.occurred_at)


def test_a_report_about_oneself_is_taken(olga, cast, client):
    client.force_login(cast.worker.user)
    page = olga("report", "heron")
    page = details(page, who=str(cast.worker.uid), number="")
    answered(page, skin="no", contact="none").send("anyone_else")
    breach = Breach.objects.get()
    assert breach.worker == cast.worker
    assert "self_answered" in breach.flags


def test_whoever_was_chosen_from_the_list_stays_on_it(olga, cast):
    start(cast)
    page = olga("report", "heron")
    with doing(cast.observer):
        for number in range(7):
            start(cast, worker=Worker.objects.create(site=cast.site, name=f"Later {number}"))
    answered(details(page, who=str(cast.worker.uid), number="")).send("anyone_else")
    assert Breach.objects.get().worker == cast.worker


def test_a_drill_is_stored_without_assessment(olga, cast):
    page = answered(details(olga("report", "heron"), drill="yes")).send("anyone_else")
    assert "This was a drill" in page.said
    assert Breach.objects.get().drill
    assert not Assessment.objects.exists()


def test_without_an_open_case_nothing_more_is_asked_and_the_number_is_shown(olga, cast):
    with doing(cast.nurse):
        cast.case.closed_at = MONDAY
        cast.case.save()
    page = details(olga("report", "heron"))
    assert page.question is None
    page = page.send("anyone_else")
    assert "Ring occupational health now" in page.said
    assert "tel:+351900000100" in page.links


def test_of_two_open_cases_the_one_chosen_decides_what_is_asked(olga, cast):
    second_case(cast, "mpox")
    page = olga("report", "heron")
    page = details(page)
    assert ("case", "K7M2Q") in page.form("case")["offered"]
    page = answered(page.tap("case", "M4M4M"), contact="none")
    page.send("anyone_else")
    breach = Breach.objects.get()
    assert breach.case.code == "M4M4M"
    assert breach.criteria_version == "2024.1"
    assert breach.flags == []


def test_a_question_that_two_criteria_read_differently_is_left_to_the_nurse(olga, cast):
    """One "none" to both senses of `contact` could lower a tier that it says nothing about."""
    second_case(cast, "mpox")
    page = details(olga("report", "heron"), case=questions.UNKNOWN)
    asked = []
    while page.question:
        asked.append(page.question)
        page = page.send("question", **{f"fact-{page.question}": questions.UNKNOWN})
    page.send("anyone_else")
    assert "contact" not in asked
    assert "skin" in asked
    breach = Breach.objects.get()
    assert breach.case is None
    assert breach.criteria_version == ""
    pathogens = set(breach.assessments.values_list("pathogen", flat=True))
    assert pathogens == {"ebola", "mpox", "bloodborne"}  # by which way it went in was asked, and nobody knew


@pytest.mark.parametrize(("typed", "kept"), [("20", 20), ("7,5", 7.5)])
def test_a_measured_answer_is_sent_as_a_number(olga, cast, typed, kept):
    second_case(cast, "mpox")
    page = details(olga("report", "heron"), case="M4M4M")
    answered(page, contact="none", air="none", near="yes", minutes=typed).send("anyone_else")
    assert Breach.objects.get().facts["minutes"] == kept


def test_a_measured_answer_that_is_no_number_is_asked_again_by_name(olga, cast):
    second_case(cast, "mpox")
    page = details(olga("report", "heron"), case="M4M4M")
    while page.question != "minutes":
        chosen = {"contact": "none", "air": "none", "near": "yes"}[page.question]
        page = page.send("question", **{f"fact-{page.question}": chosen})
    page = page.send("question", fact__minutes="a while")
    assert "How many minutes so near, added up? Write a number" in page.said
    assert "#id_fact-minutes" in page.links
    page = page.tap("fact-minutes", questions.UNKNOWN)
    assert page.question is None


def second_case(cast, pathogen):
    with doing(cast.nurse):
        adopt(cast.site, "mpox-2024.1", MONDAY - timedelta(days=1))
        case = Case.objects.create(code="M4M4M", site=cast.site, station=cast.station, opened_at=MONDAY)
        CaseStatement.objects.create(case=case, pathogen=pathogen, status=CaseStatement.Status.SUSPECTED)
