"""The observer's pages: what a removal needs beside its steps, first aid with its length, what a failure says by
itself, and the station."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core import signing
from django.forms import modelform_factory
from django.urls import reverse

from exposure import admin
from exposure.pipeline.remove import pause_removal, take_way_out, undo_finish
from exposure.places.models import FailureType, Protocol, Station, Step
from exposure.refusal import NotYet
from exposure.report.models import Breach, Mark, Removal
from tests.cast import MONDAY, doing
from tests.web.olga import Page, answered, details, marked, sign_in_again, start

pytestmark = pytest.mark.database


# A removal that stands still, goes the shortest way, ends too soon


def test_while_it_is_paused_no_step_is_done_and_what_goes_wrong_is_noted(olga, cast):
    removal = start(cast)
    stale = olga("removal", removal.uid)
    page = stale.tap("tap", "pause")
    assert "Paused since 09:00" in page.said
    assert ("tap", "done") not in page.form("tap")["offered"]
    stale.tap("tap", "done")
    assert Removal.objects.get().at_step == 1
    page.tap("tap", "wrong")
    assert Mark.objects.count() == 1
    page = olga("removal", removal.uid).tap("tap", "go_on").tap("tap", "done")
    assert "Step 2 of 6" in page.said
    assert Removal.objects.get().paused_at is None


def test_the_emergency_exit_goes_through_the_steps_that_the_protocol_names_for_it(olga, cast):
    removal = start(cast, protocol="coverall-powered")
    page = olga("removal", removal.uid).tap("tap", "way_out")
    way = Step.objects.filter(protocol=removal.protocol, way_out=True).order_by("position")
    gone = []
    while "Emergency exit: the shortest safe way out" in page.said:
        gone.append(Removal.objects.get().at_step)
        assert f"Step {gone[-1]} of 24" in page.said
        page = page.tap("tap", "done")
    assert gone == [step.position for step in way]
    assert Removal.objects.get().finished_at == MONDAY
    assert Removal.objects.get().way_out_at == MONDAY


def test_from_the_shortest_way_back_to_all_steps_and_one_step_back_on_it(olga, cast):
    removal = start(cast, protocol="coverall-powered")
    page = olga("removal", removal.uid).tap("tap", "way_out").tap("tap", "done").tap("tap", "done")
    assert "Step 6 of 24" in page.said
    page = page.tap("tap", "back")
    assert "Step 4 of 24" in page.said
    page = page.tap("tap", "whole").tap("tap", "done")
    assert "Step 5 of 24" in page.said
    assert "Emergency exit: the shortest" not in page.said


def test_a_protocol_that_names_no_way_out_offers_none(olga, cast):
    with doing(cast.administrator):
        for step in Step.objects.filter(protocol__code="contact"):
            step.way_out = False
            step.save()
    assert ("tap", "way_out") not in olga("removal", start(cast).uid).form("tap")["offered"]


def test_the_end_of_a_removal_is_taken_back_on_the_same_page_and_only_for_a_while(olga, cast, standing_clock):
    removal = start(cast)
    page = olga("removal", removal.uid).tap("tap", "done").tap("tap", "out")
    assert "Nothing was seen." in page.said
    page = page.tap("tap", "not_out")
    assert "Step 2 of 6" in page.said
    finished = page.tap("tap", "out")
    assert [version.finished_at for version in Removal.objects.get().history.order_by("history_id")][-3:] == [
        MONDAY,
        None,
        MONDAY,
    ]
    standing_clock(MONDAY + timedelta(minutes=31))
    assert "Undo" not in olga("removal", removal.uid).said
    assert "too late" in finished.tap("tap", "not_out").said
    assert Removal.objects.get().finished_at == MONDAY
    with doing(cast.observer), pytest.raises(NotYet):
        undo_finish(removal=removal, by=cast.observer, at=MONDAY + timedelta(minutes=31))
    with doing(cast.observer):
        assert undo_finish(removal=removal, by=cast.observer, at=MONDAY).finished_at is None


@pytest.mark.parametrize("deed", [pause_removal, take_way_out])
def test_a_finished_removal_neither_pauses_nor_goes_another_way(cast, olga, deed):
    removal = start(cast)
    olga("removal", removal.uid).tap("tap", "out")
    said = {"paused": True} if deed is pause_removal else {"out": True}
    with doing(cast.observer):
        after = deed(removal=removal, **said, by=cast.observer, at=MONDAY)
    assert (after.paused_at, after.way_out_at) == (None, None)


@pytest.mark.parametrize("watched", Removal.Watched.values)
def test_who_watches_is_chosen_at_the_start(olga, cast, watched):
    page = olga("station", "heron").follow("start").tap("protocol", "contact")
    page = page.send("drill", drill="no", watched=watched).tap("who", "nobody")
    assert "Step 1 of 6" in page.said
    removal = Removal.objects.get()
    assert (removal.watched, removal.observer) == (watched, cast.observer)
    assert (str(removal.get_watched_display()) in page.said) is (watched != "observer")


# The moment of a tap, the length of first aid


def test_a_mark_has_the_moment_of_its_tap_also_after_a_new_sign_in(olga, cast, client, standing_clock):
    removal = start(cast)
    page = olga("removal", removal.uid)
    client.logout()
    page.tap("emergency", "sharp")
    later = MONDAY + timedelta(minutes=12)
    standing_clock(later)
    page = Page(client, sign_in_again(client, "observer", page.address))
    assert "It is noted as of 09:00" in page.said
    signed = page.form("tapped")["fields"]["tapped"]
    page.send("tapped")
    assert Mark.objects.get().marked_at == MONDAY
    olga("removal", removal.uid).send("tap", tap="wrong", tapped=signed)
    assert Mark.objects.last().marked_at == later, "signed for one mark"


@pytest.mark.parametrize("forged", ["", "2026-03-02T07:00:00+00:00", "signed for something else"])
def test_no_other_moment_than_a_signed_one_is_believed(olga, cast, forged):
    if forged.startswith("signed"):
        forged = signing.dumps("2026-03-02T07:00:00+00:00")
    removal = start(cast)
    page = olga("removal", removal.uid)
    page.send("tap", tap="wrong", tapped=forged)
    assert Mark.objects.get().marked_at == MONDAY


def test_rinsing_that_has_begun_says_until_when_and_goes_into_the_report(olga, cast, standing_clock):
    removal = start(cast)
    mark = marked(cast, removal, failure="splash_eyes")
    page = olga("mark", removal.uid, mark.uid)
    standing_clock(MONDAY + timedelta(minutes=2))
    page = page.tap("begun", "yes")
    standing_clock(MONDAY + timedelta(minutes=5))
    page = olga("mark", removal.uid, mark.uid)
    assert "15 minutes: until 09:17" in page.said
    assert 'data-left="720"' in page.text
    page.client.post(page.address, {"begun": "yes"})
    mark.refresh_from_db()
    assert mark.aid_begun_at == MONDAY + timedelta(minutes=2), "the first tap counts"
    page = olga("report", "heron", query=f"?mark={mark.uid}")
    assert "15 minutes: until 09:17" in page.said
    page = answered(page.tap("first_aid", "rinse_eyes"))
    assert "Rinse the eyes now: done, or being done, begun at 09:02" in page.said
    page.send("anyone_else", anyone_else="unknown", narrative="At the basin.")
    assert Breach.objects.get().narrative.split("\n") == [
        "At the basin.",
        "It is not known whether somebody else was touched or splashed.",
        "First aid begun at 09:02.",
    ]


def test_rinsing_begins_from_a_report_that_was_not_guided_too(olga, cast):
    page = olga("report", "heron").tap("emergency", "eyes").tap("begun", "yes")
    assert "15 minutes: until 09:15" in page.said
    page = page.tap("first_aid", "rinse_eyes_mouth").tap("who", "nobody").tap("point", "removal")
    assert "begun at 09:00" in page.said
    page = page.tap("forget", "what").follow("group=face").tap("what_happened", "splash_mouth")
    assert "Rinse nose and mouth now" in page.said
    assert "begun at" not in page.said, "another card begins anew"


def test_a_card_that_names_no_length_offers_none(olga, cast):
    page = olga("report", "heron").tap("emergency", "collapse")
    assert all(name != "begun" for form in page.forms for name, _value in form["offered"])


# What a failure says by itself


def test_what_follows_from_what_happened_is_said_can_be_changed_and_goes_with_it(olga, cast):
    page = details(olga("report", "heron"), what_happened="glove_tear").tap("first_aid", "soap_water")
    assert page.question == "skin"
    page = page.tap("fact-skin", "no")
    assert (
        "Equipment torn, open, slipped, leaking or touched with a bare hand follows from what happened"
        in page.said
    )
    changed = page.tap("forget", "contact").tap("fact-contact", "unprotected")
    assert "follows from what happened" not in changed.said
    changed.send("anyone_else")
    assert Breach.objects.get().facts == {"contact": "unprotected", "skin": "no"}


def test_another_mishap_says_something_else(olga, cast):
    page = details(olga("report", "heron"), what_happened="glove_tear").tap("first_aid", "soap_water")
    page = (
        page.tap("fact-skin", "no").tap("forget", "what").follow("group=other").tap("what_happened", "other")
    )
    page = answered(page.tap("first_aid", ""))
    page.send("anyone_else")
    assert Breach.objects.get().facts == {"skin": "no"}


def test_a_needle_is_through_the_skin_and_nothing_more_is_asked(olga, cast):
    page = olga("report", "heron").tap("emergency", "sharp").tap("first_aid", "sharp_wound")
    page = page.tap("who", "nobody").tap("point", "room").tap("just_now", "yes")
    assert page.question is None
    page = page.send("anyone_else", anyone_else="no")
    assert "Ring occupational health now" in page.said
    assert Breach.objects.get().facts == {"contact": "sharp", "skin": "pierced"}


def test_a_drill_is_asked_its_point_with_one_more_tap(olga, cast):
    page = details(olga("report", "heron"), phase="", drill="").tap("point", "drill")
    assert "A drill: at which point?" in page.said
    answered(page.tap("phase", "entry")).send("anyone_else")
    breach = Breach.objects.get()
    assert (breach.drill, breach.phase) == (True, "entry")


def test_each_group_offers_its_failures_and_together_they_are_all(olga, cast):
    first, offered = olga("report", "heron"), set()
    for group in ("skin", "face", "air", "cover", "equipment", "other"):
        page = first.follow(f"group={group}")
        mine = {value for name, value in page.form("what_happened")["offered"] if name == "what_happened"}
        kinds = set(FailureType.objects.filter(group=group).values_list("code", flat=True))
        assert "other" in mine
        assert mine - {"other"} <= kinds
        offered |= mine - {"other"}
    here = FailureType.objects.filter(step_failures__step__protocol__stations=cast.station)
    assert set(here.values_list("code", flat=True)) <= offered


def test_the_last_answer_that_was_sent_without_a_session_is_still_chosen(olga, cast, client):
    page = answered(details(olga("report", "heron")))
    client.logout()
    page.send("anyone_else", anyone_else="yes")
    page = Page(client, sign_in_again(client, "observer", page.address))
    assert 'chosen"\n          name="anyone_else"\n          value="yes"' in page.text
    assert not Breach.objects.exists()


# The station


def test_the_station_says_what_its_cases_have_its_protocols_and_todays_removals(olga, cast, standing_clock):
    """Lisbon is on UTC in winter (IANA time zone database): Sunday's last minute is not Monday's."""
    with doing(cast.observer, at=MONDAY.replace(hour=0) - timedelta(minutes=1)):
        Removal.objects.create(
            site=cast.site,
            station=cast.station,
            protocol=Protocol.objects.get(code="contact"),
            observer=cast.observer,
            drill=False,
            started_at=MONDAY.replace(hour=0, minute=0) - timedelta(minutes=1),
            finished_at=MONDAY,
        )
    start(cast)
    start(cast, drill=True, worker=None)
    said = olga("station", "heron").said
    assert "K7M2Q ebola" in said
    assert "Contact precautions" in said
    assert "Removals today 1 and 1 drill" in said
    standing_clock(datetime(2026, 3, 3, 0, 0, tzinfo=UTC))
    assert "Removals today 0 " in olga("station", "heron").said


def test_a_station_without_a_protocol_says_so_and_takes_reports(olga, cast, client):
    with doing(cast.administrator):
        Station.objects.create(site=cast.site, code="bare", name="Bare")
    page = olga("station", "bare")
    assert "No protocol is set up at this station" in page.said
    assert reverse("start", args=["bare"]) not in page.links
    assert olga("start", "bare").address == reverse("station", args=["bare"])
    page = (
        olga("report", "bare").follow("group=cover").tap("what_happened", "glove_tear").tap("first_aid", "")
    )
    answered(page.tap("who", "nobody").tap("point", "removal")).send("anyone_else")
    assert Breach.objects.get().station.code == "bare"


def test_the_sheet_for_the_wall_is_a_picture_of_the_stations_address(olga, cast):
    page = olga("station_sheet", "heron")
    assert "http://testserver/stations/heron/" in page.said
    assert "<svg" in page.text
    assert "+351 900 000 100" in page.said


@pytest.mark.parametrize(
    ("typed", "taken"), [('{"contact": "splash"}', True), ('["contact"]', False), ('{"contact": 1}', False)]
)
def test_what_a_failure_says_is_set_up_as_facts_and_answers_and_nothing_else(cast, typed, taken):
    failure = FailureType.objects.get(code="soil_left")
    sent = {"code": "soil_left", "label": failure.label, "group": "other", "answers": typed, "why": "tests"}
    form = modelform_factory(FailureType, form=admin.FailureForm, fields=list(sent)[:-1])(
        sent, instance=failure
    )
    assert ("answers" not in form.errors) is taken
