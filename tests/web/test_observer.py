"""The observer's pages: a removal watched step by step, the one tap, the report, one's own reports.

What each page must do is the product's own contract; where a check leans on something outside, it says so.
"""

from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from uuid import uuid4

import pytest
from django.urls import reverse

from exposure.classify.assess import criteria_of
from exposure.classify.models import Adoption, Assessment
from exposure.followup.models import FollowUp
from exposure.people.models import Worker
from exposure.pipeline import report
from exposure.pipeline.remind import PARTS
from exposure.pipeline.remove import mark_step, note_deviation, start_removal
from exposure.places.models import FailureType, Protocol
from exposure.refusal import NotYet
from exposure.remind.sweep import run_parts
from exposure.report.models import Breach, Case, CaseStatement, Mark, OtherContent, PhonedIn, Removal
from exposure.web.observer import questions
from exposure.web.observer.near import near_numbers
from tests.cast import MONDAY, PASSWORD, adopt, doing

pytestmark = pytest.mark.database

SKIN = "fact-skin"
CONTACT = "fact-contact"


class Page(HTMLParser):
    """A page as somebody without JavaScript meets it: the fields of its forms, its links and its words."""

    def __init__(self, client, response):
        super().__init__()
        self.client, self.response = client, response
        self.text = response.content.decode()
        self.address = response.request["PATH_INFO"]
        self.forms, self.words, self.ids, self.links = [], [], set(), []
        self.feed(self.text)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.ids.add(attrs.get("id"))
        if tag == "form":
            self.forms.append({"action": attrs.get("action") or self.address, "fields": {}, "offered": []})
        elif tag == "a":
            self.links.append(attrs.get("href"))
        elif tag in ("input", "button", "textarea") and attrs.get("name") and self.forms:
            form, value = self.forms[-1], attrs.get("value", "")
            form["offered"].append((attrs["name"], value))
            chosen = attrs.get("type") not in ("radio", "checkbox") or "checked" in attrs
            if tag == "input" and chosen:
                form["fields"][attrs["name"]] = value

    def handle_data(self, data):
        self.words.append(data)

    @property
    def said(self):
        return " ".join(" ".join(self.words).split())

    def form(self, offering):
        """The form that offers a field or button of that name."""
        return next(form for form in self.forms if any(name == offering for name, _ in form["offered"]))

    def send(self, offering, **changes):
        """Fill in and send the form that offers that field; returns the page that one lands on."""
        form = self.form(offering)
        fields = {**form["fields"], **{name.replace("__", "-"): value for name, value in changes.items()}}
        return Page(self.client, self.client.post(form["action"], fields, follow=True))

    def tap(self, name, value):
        return self.send(name, **{name: value})

    @property
    def question(self):
        """The fact that the page asks about, if it asks."""
        named = [form["fields"]["question"] for form in self.forms if "question" in form["fields"]]
        return named[0] if named else None


@pytest.fixture
def olga(client, cast, standing_clock):
    """Opens pages as the observer, on Monday at nine."""
    standing_clock(MONDAY)
    client.force_login(cast.observer)

    def open_page(name, *args, query=""):
        return Page(client, client.get(reverse(name, args=args) + query, follow=True))

    return open_page


def start(cast, *, drill=False, worker="cast", protocol="contact"):
    """A removal that Olga watches at Heron."""
    with doing(cast.observer):
        return start_removal(
            station=cast.station,
            protocol=Protocol.objects.get(code=protocol),
            worker=cast.worker if worker == "cast" else worker,
            drill=drill,
            by=cast.observer,
            at=MONDAY,
        )


def marked(cast, removal, *, failure=None, at=MONDAY):
    step = removal.protocol.steps.get(code="gloves-off")
    kind = FailureType.objects.get(code=failure) if failure else None
    with doing(cast.observer, at=at):
        return mark_step(removal=removal, step=step, failure=kind, uid=uuid4(), by=cast.observer, at=at)


def details(page, **changes):
    """The first page of a report about Wim, sent."""
    filled = {
        "who": "number",
        "number": "SG-1042",
        "what_happened": "step_skipped",
        "phase": "room",
        "drill": "no",
        **changes,
    }
    return page.send("what_happened", **filled)


def answered(page, **answers):
    """Answers the questions as they come, "Don't know" where nothing is given, up to the last page."""
    while page.question:
        page = page.send(
            "question", **{f"fact-{page.question}": answers.get(page.question, questions.UNKNOWN)}
        )
    return page


def reported_by_olga(cast, **changes):
    with doing(cast.observer):
        return report.report_breach(body=cast.body(**changes), reporter=cast.observer, at=MONDAY).breach


# A removal


def test_the_walk_from_start_to_mark_to_report_to_reference(olga, cast):
    page = olga("station", "heron")
    page = page.send("protocol", protocol="contact", who="number", number="sg-1042", drill="no")
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
    assert breach.facts == {"skin": "intact"}
    assert breach.criteria_version == "2023.1"
    assert breach.first_aid == ["soap_water"]
    assert breach.flags == []
    assert not breach.drill
    assert Mark.objects.get().breach == breach


def test_a_report_of_a_mark_takes_at_most_twelve_taps_and_no_typing(olga, cast):
    """The goal of our own usability list: at most 12 taps, no typing required."""
    mark = marked(cast, start(cast), failure="glove_tear")
    page, taps = olga("report", "heron", query=f"?mark={mark.uid}"), 0
    page, taps = page.tap("first_aid", "soap_water"), taps + 1
    while page.question:
        page, taps = page.send("question", **{f"fact-{page.question}": questions.UNKNOWN}), taps + 2
    page, taps = page.send("anyone_else", anyone_else="no"), taps + 2
    assert Breach.objects.get().reference in page.said
    assert taps <= 12


def test_the_same_start_tapped_twice_is_one_removal(olga, cast):
    page = olga("station", "heron")
    chosen = {"protocol": "contact", "who": "name", "name": "Bea Sorrel", "drill": "no"}
    page = page.send("protocol", **chosen)
    page.tap("as_typed", "Bea Sorrel")
    page.tap("as_typed", "Bea Sorrel")
    assert Removal.objects.count() == 1
    assert Worker.objects.filter(name="Bea Sorrel", number=None).count() == 1


def test_real_or_drill_has_no_default_and_the_error_names_the_question(olga, cast):
    page = olga("station", "heron")
    page = page.send("protocol", protocol="contact", who="nobody")
    assert "Not answered yet: Real or drill?" in page.said
    assert "#id_drill_0" in page.links
    assert "id_drill_0" in page.ids
    assert not Removal.objects.exists()


def start_with(page, **who):
    return page.send("protocol", protocol="contact", drill="no", **who)


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
    assert page.form("protocol")["fields"]["number"] == "XX-9"
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
    assert "nothing was seen" in page.said
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


def sign_in_again(client, name, address):
    login = {"login": name, "password": PASSWORD, "next": address}
    return client.post(reverse("account_login"), login, follow=True)


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


# The report


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
    assert page.form("what_happened")["fields"]["occurred_at"] == "2026-03-02T05:00"
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
    ("left_out", "sentence", "target"),
    [
        ({"who": ""}, "Not answered yet: Who?", "id_who_0"),
        ({"number": ""}, "Not answered yet: the number on the badge.", "id_number"),
        ({"who": "name"}, "Not answered yet: the name.", "id_name"),
        ({"what_happened": ""}, "Not answered yet: What happened?", "id_what_happened_0"),
        ({"phase": ""}, "Not answered yet: At which point?", "id_phase_0"),
        ({"drill": ""}, "Not answered yet: Real or drill?", "id_drill_0"),
    ],
)
def test_what_is_not_answered_is_named_and_linked(olga, cast, left_out, sentence, target):
    page = details(olga("report", "heron"), **left_out)
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
    page = answered(details(olga("report", "heron"))).tap("forget", "details")
    page = page.send("what_happened", phase="later")
    page.send("anyone_else")
    assert Breach.objects.get().phase == "later"


def test_somebody_else_who_was_touched_gets_their_own_report_of_the_same_moment(olga, cast):
    page = answered(details(olga("report", "heron"), occurred_at="2026-03-02T08:40"))
    page = page.send("anyone_else", anyone_else="yes")
    first = Breach.objects.get()
    assert "Somebody else was touched or splashed too." in first.narrative
    address = f"{reverse('report', args=['heron'])}?beside={first.uid}"
    assert address in page.links
    page = Page(page.client, page.client.get(address, follow=True))
    fields = page.form("what_happened")["fields"]
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
    assert ("case", "K7M2Q") in page.form("what_happened")["offered"]
    page = answered(details(page, case="M4M4M"), contact="none")
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
    page = olga("station", "heron")
    client.logout()
    page.send("protocol", protocol="contact", who="name", name="Bea Sorrel", drill="yes")
    page = Page(client, sign_in_again(client, "observer", page.address))
    assert page.form("protocol")["fields"]["name"] == "Bea Sorrel"
    assert page.form("protocol")["fields"]["drill"] == "yes"


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
    assert len(pages) == 9
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
