"""The observer's pages: a session that ends in the middle, what is sent, and one's own reports."""

from datetime import UTC, datetime, timedelta

import pytest
from django.urls import reverse

from exposure.classify.assess import criteria_of
from exposure.classify.models import Adoption, Assessment
from exposure.followup.models import FollowUp
from exposure.pipeline import report
from exposure.report.models import Breach
from exposure.web.observer import questions
from tests.cast import MONDAY, doing
from tests.web.olga import (
    CONTACT,
    SKIN,
    Page,
    answered,
    details,
    marked,
    reported_by_olga,
    sign_in_again,
    start,
)

pytestmark = pytest.mark.database


# A session that ends in the middle


def test_what_was_typed_comes_back_to_the_same_person_after_signing_in_again(olga, cast, client):
    page = answered(details(olga("report", "heron")), skin="intact")
    client.logout()
    page.send("anyone_else", narrative="Left glove, thumb.", anyone_else="no")
    assert not Breach.objects.exists()
    page = Page(client, sign_in_again(client, "observer", page.address))
    assert "Not sent yet" in page.said
    assert "Left glove, thumb." in page.said
    page.send("anyone_else", narrative="Left glove, thumb.")
    assert Breach.objects.get().facts == {"skin": "intact"}


def test_what_was_typed_never_comes_back_to_somebody_else(olga, cast, client):
    page = olga("report", "heron")
    client.logout()
    details(page, who="name", name="Bea Sorrel")
    page = Page(client, sign_in_again(client, "nurse", page.address))
    assert "Bea Sorrel" not in page.text
    assert "Not sent yet" not in page.said


def test_the_start_of_a_removal_comes_back_too(olga, cast, client):
    page = olga("station", "heron").follow("start").tap("protocol", "contact").tap("drill", "yes")
    page = page.tap("who", "name")
    client.logout()
    page.send("typing", name="Bea Sorrel")
    page = Page(client, sign_in_again(client, "observer", page.address))
    assert page.form("name")["fields"]["name"] == "Bea Sorrel"
    assert page.form("name")["fields"]["drill"] == "yes"


# After it is sent, and one's own reports


def test_at_a_high_ceiling_the_number_to_ring_is_shown(olga, cast):
    page = answered(details(olga("report", "heron")), skin="intact").send("anyone_else")
    assert "Ring occupational health now" in page.said
    assert "+351 900 000 100" in page.said


def test_without_a_high_ceiling_nobody_is_told_to_ring(olga, cast):
    page = answered(details(olga("report", "heron")), skin="no", contact="none").send("anyone_else")
    assert "Ring occupational health now" not in page.said


def test_no_page_of_the_reporter_says_a_tier(olga, cast):
    removal = start(cast)
    mark = marked(cast, removal, failure="glove_tear")
    pages = [olga("station", "heron"), olga("removal", removal.uid)]
    page = olga("report", "heron", query=f"?mark={mark.uid}")
    pages.append(page)
    page = page.tap("first_aid", "soap_water")
    while page.question:
        pages.append(page)
        page = page.send("question", **{f"fact-{page.question}": questions.UNKNOWN})
    pages.append(page)
    pages.append(page.send("anyone_else"))
    pages += [olga("my_reports"), olga("my_report", Breach.objects.get().uid)]
    criteria = criteria_of(Adoption.objects.get().version)
    words = [str(tier.label) for tier in criteria.tiers] + ["tier", "floor", "ceiling", "High-risk"]
    assert len(pages) == 8
    for page in pages:
        for word in words:
            assert word.casefold() not in f" {page.said} ".casefold(), f"{word} on {page.address}"


def test_somebody_elses_report_is_not_there(olga, cast, client):
    breach = reported_by_olga(cast)
    client.force_login(cast.nurse2)
    assert client.get(reverse("my_report", args=[breach.uid])).status_code == 404
    assert client.get(reverse("reported", args=[breach.uid])).status_code == 404
    assert client.post(reverse("my_report", args=[breach.uid]), {"reason": "x"}).status_code == 404
    assert client.get(reverse("report", args=["heron"]) + f"?beside={breach.uid}").status_code == 404
    assert breach.reference not in Page(client, client.get(reverse("my_reports"))).said


def test_ones_own_reports_show_the_person_as_typed(olga, cast):
    breach = reported_by_olga(
        cast, worker=None, person={"name": "B. Sorrel", "phone": "", "employer": "Clear Floors"}
    )
    with doing(cast.nurse):
        breach.worker.same_as = cast.worker
        breach.worker.name = "Somebody the nurse found"
        breach.worker.save()
    page = olga("my_reports")
    assert breach.reference in page.said
    assert "B. Sorrel, Clear Floors" in page.said
    assert "Somebody the nurse found" not in page.said


def test_without_reports_the_list_says_so(olga, cast):
    assert "You have reported nothing." in olga("my_reports").said


def test_adding_an_answer_makes_a_new_assessment_and_keeps_the_report(olga, cast):
    breach = reported_by_olga(cast, facts={})
    page = olga("my_report", breach.uid).send(SKIN, **{SKIN: "no", CONTACT: "splash"})
    assert "Added." in page.said
    newest = breach.assessments.order_by("recorded_at", "id").last()
    assert newest.kind == Assessment.Kind.FACTS
    assert newest.facts["skin"] == "no"
    breach.refresh_from_db()
    assert breach.facts == {}


def test_that_nobody_knows_the_way_in_is_an_answer_and_brings_the_bloodborne_criteria(olga, cast):
    """As where it was said at the report: asked, and nobody knew, is more than not asked."""
    breach = reported_by_olga(cast, facts={"contact": "splash"})
    assert not breach.assessments.filter(pathogen="bloodborne").exists()
    page = olga("my_report", breach.uid).send(SKIN, **{SKIN: "?"})
    assert "Added." in page.said
    assert breach.assessments.filter(pathogen="bloodborne").exists()


def test_an_answer_that_is_taken_back_is_known_no_more_and_shown_so(olga, cast):
    breach = reported_by_olga(cast)
    page = olga("my_report", breach.uid)
    assert "Yes, whole skin" in page.said
    page = page.send(SKIN, **{SKIN: "?"})
    newest = breach.assessments.filter(pathogen="ebola").last()
    assert (newest.kind, "skin" in newest.facts, newest.treated_as) == ("facts", False, "high")
    dialogue = page.said.partition("Add an answer")[0]
    assert "Don't know" in dialogue
    assert "Yes, whole skin" not in dialogue


def test_nothing_chosen_adds_nothing(olga, cast):
    breach = reported_by_olga(cast)
    page = olga("my_report", breach.uid).send(SKIN)
    assert "choose an answer to at least one question" in page.said
    assert breach.assessments.count() == 1


def test_an_answer_added_about_oneself_is_kept_and_lowers_nothing(olga, cast, client):
    client.force_login(cast.worker.user)
    with doing(cast.worker.user):
        body = cast.body(facts={})
        breach = report.report_breach(body=body, reporter=cast.worker.user, at=MONDAY).breach
    olga("my_report", breach.uid).send(SKIN, **{SKIN: "no", CONTACT: "none"})
    breach.refresh_from_db()
    assert breach.facts == {"skin": "no", "contact": "none"}
    assert {(row.floor, row.ceiling) for row in breach.assessments.all()} == {("none", "high")}


def test_withdrawing_is_a_request_and_the_follow_up_goes_on(olga, cast):
    breach = reported_by_olga(cast)
    page = olga("my_report", breach.uid)
    page.send("reason", reason="Wrong person.")
    page = page.send("reason", reason="Wrong person.")
    assert breach.withdrawal_requests.get().reason == "Wrong person."
    assert "A clinician decides" in page.said
    assert FollowUp.objects.get().ended_at is None


def test_a_withdrawal_without_a_reason_is_asked_for_it(olga, cast):
    breach = reported_by_olga(cast)
    page = olga("my_report", breach.uid).send("reason", reason=" ")
    assert "Not answered yet: why this report should be withdrawn." in page.said
    assert "#id_reason" in page.links
    assert not breach.withdrawal_requests.exists()


@pytest.mark.parametrize("name", ["stations", "my_reports"])
def test_without_signing_in_there_is_nothing_to_see(client, db, name):
    response = client.get(reverse(name))
    assert response.status_code == 302
    assert response.url.startswith(reverse("account_login"))


def test_every_page_of_a_report_has_an_address_that_the_back_button_finds(olga, cast, client):
    """Pages are no-store, so a browser cannot go back to one that a POST brought (seen in Chromium)."""
    first = olga("report", "heron")
    second = details(first)
    third = second.send("question", fact__skin="no")
    for page in (first, second, third):
        assert page.response.request["REQUEST_METHOD"] == "GET"
    address = second.response.request["PATH_INFO"] + "?" + second.response.request["QUERY_STRING"]
    back = Page(client, client.get(address))
    assert back.question == "skin"
    chosen = back.text[back.text.index("aria-current") - 200 : back.text.index("aria-current")]
    assert 'value="no"' in chosen, "what was answered is shown as that"


def test_going_back_after_sending_shows_the_reference_again(olga, cast, client):
    page = answered(details(olga("report", "heron")))
    page.send("anyone_else")
    address = page.response.request["PATH_INFO"] + "?" + page.response.request["QUERY_STRING"]
    assert Breach.objects.get().reference in Page(client, client.get(address, follow=True)).said


def test_the_address_of_a_page_names_nobody(olga, cast):
    page = details(olga("report", "heron"), who="name", name="Bea Sorrel", phone="+351 900 000 777")
    assert "Sorrel" not in page.response.request["QUERY_STRING"]
    assert "777" not in page.response.request["QUERY_STRING"].partition("page=")[2]


# The hour that comes twice: in Lisbon from 01:00 to 02:00 on 25 October 2026 (tests/web/test_local_time.py)


@pytest.mark.parametrize("minutes_after_midnight_utc", [20, 80])
def test_a_report_in_the_hour_that_comes_twice_keeps_its_moment(
    olga, cast, standing_clock, minutes_after_midnight_utc
):
    moment = datetime(2026, 10, 25, tzinfo=UTC) + timedelta(minutes=minutes_after_midnight_utc)
    standing_clock(moment)
    answered(details(olga("report", "heron"))).send("anyone_else")
    assert Breach.objects.get().occurred_at == moment


def test_a_time_typed_in_the_hour_that_comes_twice_is_asked_which_and_taken_as_chosen(
    olga, cast, standing_clock
):
    standing_clock(datetime(2026, 10, 25, 9, tzinfo=UTC))
    page = details(olga("report", "heron"), occurred_at="2026-10-25T01:20")
    assert "came twice that night" in page.said
    second = "2026-10-25T01:20:00+00:00"
    assert second in page.text
    page = details(page, occurred_at="2026-10-25T01:20", occurred_at_which=second)
    answered(page).send("anyone_else")
    assert Breach.objects.get().occurred_at == datetime(2026, 10, 25, 1, 20, tzinfo=UTC)
