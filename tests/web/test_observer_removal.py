"""The observer's pages: a removal watched step by step, the one tap, the stations."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.classify.models import Assessment
from exposure.people.models import Worker
from exposure.pipeline.remind import PARTS
from exposure.pipeline.remove import note_deviation
from exposure.refusal import NotYet
from exposure.remind.sweep import run_parts
from exposure.report.models import Breach, Case, Mark, PhonedIn, Removal
from exposure.web.observer.near import near_numbers
from tests.cast import MONDAY, doing
from tests.web.olga import (
    Page,
    answered,
    details,
    marked,
    reported_by_olga,
    sign_in_again,
    start,
    start_with,
)

pytestmark = pytest.mark.database


# A removal


def test_the_walk_from_start_to_mark_to_report_to_reference(olga, cast):
    page = start_with(olga("station", "heron"), who="number", number="sg-1042")
    assert "Step 1 of 6" in page.said
    page = page.tap("tap", "done")
    assert "Step 2 of 6" in page.said
    page = page.tap("tap", "wrong")
    assert Mark.objects.get().step.position == 2, "stored with the tap, before anything else is asked"
    page = page.tap("failure", "glove_tear")
    assert "Wash the skin now" in page.said
    assert "Local protocol and the licensed clinician decide." in page.said
    removal = Removal.objects.get()
    page = olga("removal", removal.uid)
    assert "Step 2 of 6" in page.said
    assert "1 thing noted" in page.said
    for _step in range(5):
        page = page.tap("tap", "done")
    assert "Could anything contaminated have touched or pierced the skin" in page.said
    page = page.tap("contact", "yes")
    assert "First aid before anything else" in page.said
    page = answered(page.tap("first_aid", "soap_water"), skin="intact")
    page = page.send("anyone_else", anyone_else="no")
    breach = Breach.objects.get()
    assert breach.reference in page.said
    assert breach.worker == cast.worker
    assert breach.removal == removal
    assert breach.case == cast.case
    assert (breach.protocol_step, breach.what_happened) == ("gloves-off", "glove_tear")
    assert breach.facts == {"contact": "breach", "skin": "intact"}, "the torn glove says what contact it was"
    assert breach.criteria_version == "2023.1"
    assert breach.first_aid == ["soap_water"]
    assert breach.flags == []
    assert not breach.drill
    assert Mark.objects.get().breach == breach


def test_the_same_start_tapped_twice_is_one_removal(olga, cast):
    page = start_with(olga("station", "heron"), who="name", name="Bea Sorrel")
    page.tap("as_typed", "Bea Sorrel")
    page.tap("as_typed", "Bea Sorrel")
    assert Removal.objects.count() == 1
    assert Worker.objects.filter(name="Bea Sorrel", number=None).count() == 1


def test_real_or_drill_has_no_default_and_is_asked_until_it_is_chosen(olga, cast):
    page = olga("station", "heron").follow("start").tap("protocol", "contact")
    page = page.send("drill", who="nobody")
    assert "Real or drill?" in page.said
    assert not Removal.objects.exists()


def test_a_number_left_empty_is_asked_again_by_name(olga, cast):
    page = start_with(olga("station", "heron"), who="number", number=" ")
    assert "Not answered yet: the number on the badge." in page.said
    assert "#id_number" in page.links
    assert "id_number" in page.ids
    assert not Removal.objects.exists()


@pytest.mark.parametrize(
    "who",
    [{"who": "number", "number": "XX-9"}, {"who": "name", "name": "Bea Sorrel"}],
    ids=["number", "name"],
)
def test_who_is_on_no_list_is_shown_as_that_and_one_tap_more_starts_the_removal(olga, cast, who):
    typed = who.get("number") or who.get("name")
    page = start_with(olga("station", "heron"), **who)
    assert f"“{typed}” is not on the list" in page.said
    assert not Removal.objects.exists()
    page = page.tap("as_typed", typed)
    assert "Step 1 of 6" in page.said
    assert f"{typed} (not on the list)" in page.said
    removal = Removal.objects.get()
    assert (removal.worker.name, removal.worker.number, removal.unlisted) == (typed, None, True)


def test_what_was_typed_can_be_changed_before_the_start(olga, cast):
    page = start_with(olga("station", "heron"), who="number", number="XX-9").tap("change", "yes")
    assert page.form("number")["fields"]["number"] == "XX-9"
    assert not Removal.objects.exists()


# Slips of the hand and the eye: common practice, no source.
@pytest.mark.parametrize("slip", ["SG-1O42", "sg 1042", "SG1042", "SG-l042", "SG-1024", "SG-0142", "GS-1042"])
def test_a_near_number_is_offered_and_taken_with_one_tap(olga, cast, slip):
    page = start_with(olga("station", "heron"), who="number", number=slip)
    assert "Wim Alder, SG-1042" in page.said
    page = page.tap("instead", str(cast.worker.uid))
    assert "Step 1 of 6" in page.said
    removal = Removal.objects.get()
    assert (removal.worker, removal.unlisted) == (cast.worker, False)


@pytest.mark.parametrize("far", ["SG-1043", "SG-2401", "SG-104", "1042", ""])
def test_another_number_is_not_near(far):
    assert near_numbers(far, ["SG-1042"]) == []


def test_a_name_that_is_on_the_list_is_offered(olga, cast):
    page = start_with(olga("station", "heron"), who="name", name="wim alder")
    page.tap("instead", str(cast.worker.uid))
    assert Removal.objects.get().worker == cast.worker


def test_nobody_of_another_site_is_offered_or_named(olga, cast):
    """Nor does their exact number bring up their name: they are taken by number, shown by number."""
    with doing(cast.administrator):
        Worker.objects.create(site=cast.other_site, number="FQ-0007", name="Yara Fenwick")
    page = start_with(olga("station", "heron"), who="number", number="FQ-007")
    assert "Do you mean" not in page.said
    page = start_with(olga("station", "heron"), who="number", number="FQ-O007")
    assert "Yara" not in page.text
    page = start_with(olga("station", "heron"), who="number", number="FQ-0007").tap("as_typed", "FQ-0007")
    removal = Removal.objects.get()
    assert (removal.worker.number, removal.unlisted) == ("FQ-0007", False)
    pages = [page, olga("station", "heron"), olga("removal", removal.uid)]
    mark = marked(cast, removal)
    pages.append(olga("report", "heron", query=f"?mark={mark.uid}"))
    pages.append(olga("report", "heron"))
    assert [shown.address for shown in pages if "Yara" in shown.text] == []


def test_telephone_and_employer_of_somebody_unlisted_are_asked_and_flagged_as_in_any_report(olga, cast):
    page = start_with(olga("station", "heron"), who="name", name="Bea Sorrel").tap("as_typed", "Bea Sorrel")
    page = page.tap("tap", "wrong").tap("failure", "soil_left")
    page = olga("removal", Removal.objects.get().uid).tap("tap", "out").tap("contact", "yes")
    page = page.tap("first_aid", "wipe_soil")
    assert "How can this person be reached?" in page.said
    page = answered(page.send("phone", phone="+351 900 000 777", employer="Clear Floors"))
    assert "Bea Sorrel · not on the list" in page.said
    page.send("anyone_else")
    breach = Breach.objects.get()
    worker = breach.worker
    assert worker == Removal.objects.get().worker
    assert (worker.name, worker.phone, worker.employer) == ("Bea Sorrel", "+351 900 000 777", "Clear Floors")
    assert "unlisted_person" in breach.flags
    assert Worker.objects.filter(name="Bea Sorrel").count() == 1


def test_an_unfinished_mark_of_somebody_unlisted_is_flagged_too(olga, cast):
    start_with(olga("station", "heron"), who="name", name="Bea Sorrel").tap("as_typed", "Bea Sorrel")
    marked(cast, Removal.objects.get())
    with doing("task:clock", at=MONDAY + timedelta(minutes=31)):
        run_parts(PARTS, at=MONDAY + timedelta(minutes=31))
    assert "unlisted_person" in Breach.objects.get().flags


def test_a_number_on_no_list_is_asked_how_to_be_reached_before_the_report_is_sent(olga, cast):
    page = details(olga("report", "heron"), number="SG-9999")
    assert "SG-9999 · not on the list" in page.said
    page = answered(page.send("phone", phone="+351 900 000 777", employer=""))
    assert "SG-9999 · not on the list" in page.said
    page.send("anyone_else")
    worker = Breach.objects.get().worker
    assert (worker.name, worker.phone) == ("SG-9999", "+351 900 000 777")


def test_a_near_number_is_offered_before_the_report_is_sent(olga, cast):
    page = details(olga("report", "heron"), number="SG-1O42").send("phone")
    page = answered(page)
    assert "Wim Alder, SG-1042" in page.said
    answered(page.tap("instead", str(cast.worker.uid))).send("anyone_else")
    breach = Breach.objects.get()
    assert (breach.worker, breach.flags) == (cast.worker, [])


def test_something_went_wrong_tapped_twice_is_stored_once(olga, cast):
    page = olga("removal", start(cast).uid)
    page.tap("tap", "wrong")
    page.tap("tap", "wrong")
    assert Mark.objects.count() == 1


def test_done_tapped_twice_goes_on_by_one_step(olga, cast):
    removal = start(cast)
    page = olga("removal", removal.uid)
    page.tap("tap", "done")
    page.tap("tap", "done")
    assert Removal.objects.get().at_step == 2


def test_done_on_a_page_that_the_removal_has_left_moves_nothing(olga, cast):
    removal = start(cast)
    stale = olga("removal", removal.uid)
    page = stale.tap("tap", "done").tap("tap", "done")
    assert "Step 3 of 6" in page.said
    stale.tap("tap", "done")
    assert Removal.objects.get().at_step == 3


def test_one_step_back_and_not_before_the_first(olga, cast):
    page = olga("removal", start(cast).uid)
    assert ("tap", "back") not in page.form("tap")["offered"]
    page = page.tap("tap", "done").tap("tap", "back")
    assert "Step 1 of 6" in page.said
    page.tap("tap", "back")
    assert Removal.objects.get().at_step == 1


def test_during_a_removal_person_protocol_and_step_are_in_sight_and_the_navigation_is_gone(olga, cast):
    page = olga("removal", start(cast).uid)
    for words in ("Wim Alder", "Contact precautions", "Step 1 of 6"):
        assert words in page.said
    assert "<nav" not in page.text
    assert "<h1>Stand inside the room" in page.text, "the action is the heading"


def test_a_failure_without_a_card_leads_straight_back_to_the_removal(olga, cast):
    page = olga("removal", start(cast).uid).tap("tap", "wrong")
    page = page.tap("failure", "hygiene_short")
    assert "Step 1 of 6" in page.said
    assert "Noted: Hand hygiene" in page.said
    assert Mark.objects.get().failure.code == "hygiene_short"


def test_no_possible_contact_is_a_deviation_and_opens_no_assessment(olga, cast):
    removal = start(cast)
    marked(cast, removal, failure="step_skipped")
    page = olga("removal", removal.uid).tap("tap", "out")
    page = page.tap("contact", "no")
    assert "no contact possible, noted" in page.said
    assert Mark.objects.get().deviation_at == MONDAY
    assert not Breach.objects.exists()
    assert not Assessment.objects.exists()


def test_each_mark_is_asked_about_on_its_own(olga, cast):
    removal = start(cast)
    first, second = marked(cast, removal), marked(cast, removal, at=MONDAY + timedelta(minutes=1))
    page = olga("removal", removal.uid).tap("tap", "out")
    page = page.tap("contact", "no")
    first.refresh_from_db()
    assert first.deviation_at is not None
    assert reverse("mark", args=[removal.uid, second.uid]) == page.form("contact")["action"]


def test_removal_finished_nothing_seen_is_one_tap(olga, cast):
    start(cast)
    page = olga("station", "heron")
    page = page.tap("finish", page.form("finish")["offered"][-1][1])
    assert "Nothing was seen." in page.said
    assert Removal.objects.get().finished_at == MONDAY


def test_nothing_seen_is_not_offered_once_something_was_noted(olga, cast):
    removal = start(cast)
    marked(cast, removal)
    page = olga("station", "heron")
    assert all(name != "finish" for form in page.forms for name, _ in form["offered"])
    page.client.post(reverse("station", args=["heron"]), {"finish": str(removal.uid)})
    assert Removal.objects.get().finished_at is None


def test_open_questions_of_a_worker_who_is_out_stand_on_the_station_page_until_answered(olga, cast):
    removal = start(cast)
    marked(cast, removal)
    olga("removal", removal.uid).tap("tap", "out")
    page = olga("station", "heron")
    assert "1 question is open" in page.said
    assert reverse("removal", args=[removal.uid]) in page.links
    olga("removal", removal.uid).tap("contact", "no")
    assert "question is open" not in olga("station", "heron").said


def test_a_no_can_be_taken_back_and_then_waits_anew(olga, cast, standing_clock):
    removal = start(cast)
    mark = marked(cast, removal)
    page = olga("removal", removal.uid).tap("tap", "out").tap("contact", "no")
    late = standing_clock(MONDAY + timedelta(minutes=30)) or MONDAY + timedelta(minutes=30)
    page = page.tap("undo", "yes")
    assert "Could anything contaminated have touched" in page.said
    mark.refresh_from_db()
    assert (mark.deviation_at, mark.reopened_at) == (None, late)
    assert [version.deviation_at for version in mark.history.order_by("history_id")] == [None, MONDAY, None]
    with doing("task:clock", at=late + timedelta(minutes=29)):
        assert run_parts(PARTS, at=late + timedelta(minutes=29))["unfinished_marks"] == 0
    with doing("task:clock", at=late + timedelta(minutes=30)):
        assert run_parts(PARTS, at=late + timedelta(minutes=30))["unfinished_marks"] == 1


def test_half_an_hour_after_the_worker_is_out_a_no_stands(olga, cast, standing_clock):
    removal = start(cast)
    mark = marked(cast, removal)
    page = olga("removal", removal.uid).tap("tap", "out").tap("contact", "no")
    standing_clock(MONDAY + timedelta(minutes=31))
    assert "Report it instead." in page.tap("undo", "yes").said
    mark.refresh_from_db()
    assert mark.deviation_at == MONDAY
    assert "Take it back" not in olga("removal", removal.uid).said


@pytest.mark.parametrize("failure", ["sharp", "splash_eyes", "splash_mouth", "splash_face"])
def test_what_pierces_or_reaches_mucosa_is_never_no_contact_without_a_second_question(olga, cast, failure):
    removal = start(cast)
    mark = marked(cast, removal, failure=failure)
    page = olga("removal", removal.uid).tap("tap", "out").tap("contact", "no")
    assert f"You marked “{mark.failure.label}”" in page.said
    mark.refresh_from_db()
    assert mark.deviation_at is None
    page.tap("contact", "no")
    mark.refresh_from_db()
    assert mark.deviation_at == MONDAY


def test_the_second_question_leads_to_the_report_as_well(olga, cast):
    removal = start(cast)
    marked(cast, removal, failure="sharp")
    page = olga("removal", removal.uid).tap("tap", "out").tap("contact", "no").tap("contact", "unknown")
    assert "Wash the wound now" in page.said


def test_the_second_question_counts_for_what_it_named(olga, cast):
    """Somebody else's page, or an old one, has asked about another failure."""
    removal = start(cast)
    mark = marked(cast, removal, failure="sharp")
    with doing(cast.observer), pytest.raises(NotYet):
        note_deviation(mark=mark, named="splash_eyes", by=cast.observer, at=MONDAY)


def test_told_by_phone_is_kept_once_with_its_moment(olga, cast, standing_clock):
    breach = reported_by_olga(cast)
    page = olga("reported", breach.uid)
    page.tap("phoned", "yes")
    standing_clock(MONDAY + timedelta(minutes=5))
    page = page.tap("phoned", "yes")
    assert PhonedIn.objects.get().recorded_at == MONDAY
    assert "Told by phone at 09:00" in page.said
    assert "+351 900 000 100" in page.said
    page.client.force_login(cast.nurse)
    of_the_nurse = page.client.get(reverse("breach", args=[breach.uid])).content.decode()
    assert "The reporter rang" in of_the_nurse


def test_ones_own_report_shows_what_happened_first_aid_and_the_answers(olga, cast):
    page = olga("my_report", reported_by_olga(cast).uid)
    for words in (
        "Inner glove torn",
        "Wash the skin now: done, or being done",
        "Yes, whole skin",
        "A splash",
    ):
        assert words in page.said
    page = olga("my_report", reported_by_olga(cast, first_aid=[]).uid)
    assert "Wash the skin now: not done" in page.said


def test_the_last_look_shows_first_aid_done_or_not(olga, cast):
    page = details(olga("report", "heron"), what_happened="glove_tear")
    assert "Wash the skin now: not done" in answered(page.tap("first_aid", "")).said


def test_a_removal_that_somebody_else_watches_is_not_there(olga, cast, client):
    removal = start(cast)
    noted = marked(cast, removal)
    client.force_login(cast.nurse)
    assert client.get(reverse("removal", args=[removal.uid])).status_code == 404
    assert client.post(reverse("removal", args=[removal.uid]), {"tap": "out"}).status_code == 404
    assert client.post(reverse("mark", args=[removal.uid, noted.uid]), {"contact": "no"}).status_code == 404


def test_a_tap_made_after_the_session_ended_is_offered_again_and_noted_once(olga, cast, client):
    removal = start(cast)
    page = olga("removal", removal.uid)
    client.logout()
    page.tap("tap", "wrong")
    assert not Mark.objects.exists()
    page = Page(client, sign_in_again(client, "observer", page.address))
    assert "Not noted yet: something went wrong" in page.said
    page.tap("tap", "wrong")
    assert Mark.objects.count() == 1


# Stations


def test_people_see_the_stations_of_their_own_sites_only(olga, cast, client):
    assert reverse("station", args=["heron"]) in olga("stations").links
    client.force_login(cast.worker.user)
    assert client.get(reverse("station", args=["heron"])).status_code == 200
    client.force_login(cast.outsider)
    page = Page(client, client.get(reverse("stations")))
    assert reverse("station", args=["heron"]) not in page.links
    assert client.get(reverse("station", args=["heron"])).status_code == 404
    assert client.get(reverse("report", args=["heron"])).status_code == 404


def test_the_station_shows_its_open_cases_by_code(olga, cast):
    with doing(cast.nurse):
        Case.objects.create(
            code="Z9ZZZ", site=cast.site, station=cast.station, opened_at=MONDAY, closed_at=MONDAY
        )
    page = olga("station", "heron")
    assert "K7M2Q" in page.said
    assert "Z9ZZZ" not in page.said
