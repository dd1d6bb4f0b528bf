"""What goes wrong, the card for it, and how far away it stands: complete by construction from fixtures/protocols.yaml.

The texts of the cards lean on published first aid where a source is named beside them; the rest is common practice, no
source, or from memory, and says so. Local protocol and clinicians decide.
"""

from datetime import timedelta
from pathlib import Path
from urllib.parse import urlencode

import pytest
import yaml
from django.urls import reverse

from exposure.places.first_aid import emergencies, failures_of
from exposure.places.load import load_protocols
from exposure.places.models import Emergency, FailureType, FirstAidCard, Protocol, StepFailure
from exposure.report.models import Breach, Mark
from exposure.web.observer.desk import PAGES
from tests.cast import FIXTURES, MONDAY, doing
from tests.web.olga import Page, answered, details, sign_in_again, start

pytestmark = pytest.mark.database
FILE = Path(FIXTURES) / "protocols.yaml"
DATA = yaml.safe_load(FILE.read_text(encoding="utf-8"))
CARDS = {card["code"]: card for card in DATA["cards"]}
PROTOCOLS = {protocol["code"]: protocol for protocol in DATA["protocols"]}

# failure type: (card, emergency behind whose button it stands, it pierces or reaches mucosa or broken skin)
WHAT_GOES_WRONG = {
    "glove_tear": ("soap_water", "", False),
    "outer_glove_tear": ("wipe_soil", "", False),
    "bare_hand": ("soap_water", "", False),
    "front_touched": ("soap_water", "", False),
    "outside_touched_body": ("soap_water", "", False),
    "hood_touched_face": ("wash_face", "", False),
    "face_touched": ("wash_face", "", False),
    "respirator_moved": ("leave_in_order", "air", False),
    "air_supply_lost": ("hood_air", "air", False),
    "splash_body": ("soap_water", "", False),
    "splash_face": ("rinse_eyes_mouth", "eyes", True),
    "splash_eyes": ("rinse_eyes", "", True),
    "splash_mouth": ("rinse_face", "", True),
    "sharp": ("sharp_wound", "sharp", True),
    "balance_lost": ("wipe_soil", "", False),
    "collapse": ("help_now", "collapse", False),
    "soil_left": ("wipe_soil", "", False),
    "hygiene_short": (None, "", False),
    "step_skipped": (None, "", False),
    "shoes_missed": ("wipe_soil", "", False),
    "clean_side_touched": ("wipe_soil", "", False),
    "assistant_touched": ("wipe_soil", "", False),
    "observer_away": (None, "", False),
}

PRACTICE = "common practice, no source"
FIRST_AID = "Accidental exposure: first aid, a public occupational-health summary"  # seen second-hand
HOURS = "some treatments must start within hours"
# Post-exposure prophylaxis for HIV "within hours rather than days": occupational guideline of the US Public Health
# Service, 2013 and 2025 (from memory).

# card: what it must say, each with where that comes from
WHAT_CARDS_SAY = {
    "soap_water": [
        ("Wash the skin now", PRACTICE),
        ("plenty of soap and water", PRACTICE),
        ("On the face: eyes and mouth closed", PRACTICE),
        (HOURS, PRACTICE),
    ],
    "sharp_wound": [
        ("gently with soap and water", FIRST_AID),
        ("Do not squeeze", FIRST_AID),
        ("Nobody picks up the sharp", PRACTICE),
        ("Ring occupational health now", PRACTICE),
        (HOURS, PRACTICE),
    ],
    "rinse_eyes_mouth": [
        ("clean water or saline", FIRST_AID),
        ("at least 15 minutes", "most published first aid; WHO and ILO, 2007, 10 to 15 (from memory)"),
        ("spit", PRACTICE),
        (HOURS, PRACTICE),
    ],
    "rinse_eyes": [
        ("clean water or saline", FIRST_AID),
        ("at least 15 minutes", "as above"),
        (HOURS, PRACTICE),
    ],
    "rinse_face": [("Rinse nose and mouth", FIRST_AID), ("spit", PRACTICE), (HOURS, PRACTICE)],
    "wash_face": [
        ("Wash the face", PRACTICE),
        ("rinse the eyes", FIRST_AID),
        ("at least 15 minutes", "as above"),
        (HOURS, PRACTICE),
    ],
    "hood_air": [
        ("air back", "a published test of powered hoods"),
        ("hood off now", "the same"),
        ("Carbon dioxide rises within minutes", "the same"),
        ("Assistant", PRACTICE),
        (HOURS, PRACTICE),
    ],
    "leave_in_order": [
        ("Do not put it right", PRACTICE),
        ("comes off last", "Guidance on equipment for confirmed Ebola patients, CDC, 2015 (from memory)"),
        (HOURS, PRACTICE),
    ],
    "wipe_soil": [("disinfect the gloves", "Training pages on equipment for Ebola, CDC (seen)")],
    "help_now": [
        ("emergency number", PRACTICE),
        ("Rescuers: full equipment first", PRACTICE),
        ("Is the person breathing", PRACTICE),
        ("resuscitate as trained, by local protocol", PRACTICE),
        ("Cut the equipment away", PRACTICE),
    ],
}


def test_each_failure_type_has_the_card_and_emergency_of_the_table():
    emergency = {card["code"]: card.get("emergency", "") for card in DATA["cards"]}
    found = {
        row["code"]: (row["card"], emergency.get(row["card"], ""), row["bloodborne"])
        for row in DATA["failures"]
    }
    assert found == WHAT_GOES_WRONG


def test_each_emergency_has_a_card_and_only_air_has_two():
    behind = [card["emergency"] for card in DATA["cards"] if "emergency" in card]
    assert sorted(behind) == ["air", "air", "collapse", "eyes", "sharp"]
    assert set(behind) == set(Emergency.values)


def test_each_card_is_in_the_table():
    assert set(WHAT_CARDS_SAY) == set(CARDS)


@pytest.mark.parametrize(
    ("code", "words"),
    [(code, words) for code, lines in WHAT_CARDS_SAY.items() for words, _source in lines],
)
def test_a_card_says_it(code, words):
    card = CARDS[code]
    assert words.casefold() in " ".join([card["title"], *card["text"]]).casefold()


@pytest.mark.parametrize("code", CARDS)
def test_an_order_to_a_casualty_carries_no_note_on_its_source(code):
    """Whoever sets up reads where it comes from in `source`."""
    text = " ".join([CARDS[code]["title"], *CARDS[code]["text"]]).casefold()
    assert [
        word for word in ("memory", "source", "second-hand", "cdc", "ilo", "http") if word in text.split()
    ] == []
    assert CARDS[code]["source"]


@pytest.mark.parametrize("code", CARDS)
def test_whatever_is_washed_or_rinsed_is_then_reported_within_hours(code):
    lines = CARDS[code]["text"]
    washed = any(word in line for line in lines for word in ("Wash", "wash", "Rinse", "rinse"))
    assert not washed or HOURS in lines[-1]
    assert not washed or CARDS[code]["urgent"]


@pytest.mark.parametrize("code", [code for code, card in CARDS.items() if card.get("emergency")])
def test_an_emergency_card_is_urgent_and_short(code):
    """At most six orders of at most twenty words: common practice for cards read under stress, no source."""
    assert CARDS[code]["urgent"]
    assert len(CARDS[code]["text"]) <= 6
    assert max(len(line.split()) for line in CARDS[code]["text"]) <= 20


AIR = {
    "coverall-powered": "air_supply_lost",
    "gown-particulate": "respirator_moved",
    "contact": "respirator_moved",
    "droplet-contact": "respirator_moved",
}


@pytest.mark.parametrize("code", PROTOCOLS)
def test_lost_air_means_the_hood_where_the_protocol_has_one_and_else_the_respirator(cast, code):
    assert failures_of("air", [Protocol.objects.get(code=code)])[0].code == AIR[code]


def test_no_emergency_is_offered_that_no_card_carries(cast):
    assert [code for code, _words in emergencies()] == ["eyes", "sharp", "collapse", "air"]
    with doing(cast.administrator):
        card = FirstAidCard.objects.get(emergency="sharp")
        card.emergency = ""
        card.save()
    assert [code for code, _words in emergencies()] == ["eyes", "collapse", "air"]
    assert failures_of("sharp", []) == failures_of("", []) == failures_of("flood", []) == []


@pytest.mark.parametrize("code", PROTOCOLS)
def test_every_step_has_every_emergency_one_tap_away_and_the_tap_is_stored(olga, cast, client, code):
    removal = start(cast, protocol=code)
    steps = PROTOCOLS[code]["steps"]
    for position, step in enumerate(steps, start=1):
        page = olga("removal", removal.uid)
        assert f"Step {position} of {len(steps)}" in page.said
        form = page.form("emergency")
        assert {value for name, value in form["offered"] if name == "emergency"} == set(Emergency.values)
        emergency = Emergency.values[position % 4]
        sent = client.post(page.address, {**form["fields"], "emergency": emergency})
        mark = Mark.objects.select_related("step", "failure__card").latest("pk")
        assert sent.url == reverse("mark", args=[removal.uid, mark.uid])
        assert (mark.step.code, mark.marked_at) == (step["code"], MONDAY)
        assert mark.failure.card.emergency == emergency
        client.post(page.address, {**form["fields"], "tap": "done"})
    assert Mark.objects.count() == len(steps)


@pytest.mark.parametrize("code", PROTOCOLS)
def test_the_tap_shows_the_card_with_the_number(olga, cast, code):
    page = olga("removal", start(cast, protocol=code).uid)
    for emergency in Emergency.values:
        shown = page.tap("emergency", emergency)
        assert failures_of(emergency, [Protocol.objects.get(code=code)])[0].card.title in shown.said
        assert "tel:+351900000100" in shown.links


def test_the_same_emergency_tapped_twice_is_one_mark_and_another_one_a_second(olga, cast):
    page = olga("removal", start(cast).uid)
    page.tap("emergency", "eyes")
    page.tap("emergency", "eyes")
    page.tap("emergency", "sharp")
    assert [mark.failure.code for mark in Mark.objects.order_by("pk")] == ["splash_face", "sharp"]


def test_every_page_of_a_report_has_every_emergency_one_tap_away_and_keeps_what_was_said(olga, cast, client):
    page = details(olga("report", "heron"))
    draft = page.form("emergency")["fields"]["submission_id"]
    offering = []
    for name in PAGES:
        query = {"draft": draft, "page": name} | ({"fact": page.question} if name == "question" else {})
        shown = Page(client, client.get(f"{page.address}?{urlencode(query)}"))
        form = shown.form("page")
        offered = {value for field, value in form["offered"] if field == "emergency"}
        if form["fields"]["page"] == name and name != "first_aid":  # there the card of another stands
            assert offered == set(Emergency.values), name
            offering.append(name)
            card = shown.send("emergency", emergency="sharp", narrative="The visor too.")
            assert failures_of("sharp", cast.station.protocols.all())[0].card.title in card.said
            said = card.form("first_aid")["fields"]
            assert (said["number"], said["narrative"]) == ("SG-1042", "The visor too.")
    assert {"who", "what", "when", "point", "question", "review"} <= set(offering)


def test_an_emergency_that_nobody_knows_is_still_a_mark(olga, cast):
    page = olga("removal", start(cast).uid).tap("emergency", "flood")
    assert Mark.objects.get().failure is None
    assert "What went wrong?" in page.said


def test_the_emergency_number_stands_on_the_card_of_a_collapse(olga, cast):
    page = olga("removal", start(cast).uid).tap("emergency", "collapse")
    assert "tel:112" in page.links
    assert page.links.index("tel:112") < page.links.index("tel:+351900000100")


def test_the_other_card_of_the_same_emergency_is_one_tap_further(olga, cast):
    page = olga("removal", start(cast, protocol="coverall-powered").uid).tap("emergency", "air")
    assert "Hood without air" in page.said
    page = page.tap("failure", "respirator_moved")
    assert "Respirator lost or moved" in page.said
    assert Mark.objects.get().failure.code == "respirator_moved"


def test_something_went_wrong_offers_them_too(olga, cast):
    page = olga("removal", start(cast).uid).tap("tap", "wrong").tap("emergency", "eyes")
    assert "Rinse eyes, nose and mouth now" in page.said
    assert Mark.objects.get().failure.code == "splash_face"


@pytest.mark.parametrize("emergency", Emergency.values)
def test_the_report_page_has_each_one_tap_away(olga, cast, emergency):
    page = olga("report", "heron").tap("emergency", emergency)
    card = next(iter(failures_of(emergency, cast.station.protocols.all()))).card
    assert card.title in page.said
    assert "tel:+351900000100" in page.links
    page = page.tap("first_aid", card.code)
    page = answered(page.send("page", who="nobody", phase="room", drill="no", when_asked="yes"))
    page.send("anyone_else")
    breach = Breach.objects.get()
    assert (FailureType.objects.get(code=breach.what_happened).card, breach.first_aid) == (card, [card.code])


def test_something_else_in_a_report_offers_them_and_goes_on_without(olga, cast):
    page = details(olga("report", "heron"), what_happened="other")
    assert "Is first aid needed?" in page.said
    assert "Rinse eyes" in page.tap("emergency", "eyes").said
    answered(page.tap("first_aid", "")).send("anyone_else")
    assert Breach.objects.get().what_happened == "other"


def test_first_aid_is_asked_anew_where_something_else_happened_after_all(olga, cast):
    page = details(olga("report", "heron"), what_happened="other").tap("first_aid", "")
    page = answered(page).tap("forget", "what").send("page", what_happened="splash_eyes")
    assert "Rinse the eyes now" in page.said


def test_an_emergency_tapped_after_the_session_ended_is_offered_again(olga, cast, client):
    page = olga("removal", start(cast).uid)
    client.logout()
    page.tap("emergency", "sharp")
    assert not Mark.objects.exists()
    page = Page(client, sign_in_again(client, "observer", page.address))
    assert "Not noted yet" in page.said
    page.send("tap", tap="wrong")
    assert Mark.objects.get().failure.code == "sharp"


def test_what_a_site_has_written_on_a_card_stays_when_the_file_is_loaded_again(cast):
    with doing(cast.administrator):
        card = FirstAidCard.objects.get(code="help_now")
        card.lines, card.emergency = ["Ours."], ""
        card.save()
    with doing("command:start", at=MONDAY + timedelta(days=1)):
        load_protocols(FILE)
    card.refresh_from_db()
    assert (card.lines, card.emergency) == (["Ours."], "collapse")


def test_a_failure_that_the_file_no_longer_names_at_a_step_goes_unless_the_site_put_it_there(cast):
    step = Protocol.objects.get(code="contact").steps.get(position=1)
    sharp, eyes = (FailureType.objects.get(code=code) for code in ("sharp", "splash_eyes"))
    with doing("command:start"):
        StepFailure.objects.create(step=step, failure=sharp, position=8)
    with doing(cast.administrator):
        StepFailure.objects.create(step=step, failure=eyes, position=9)
    with doing("command:start"):
        load_protocols(FILE)
    usual = set(step.step_failures.values_list("failure__code", flat=True))
    assert "splash_eyes" in usual
    assert "sharp" not in usual


def test_a_drill_says_to_ring_nobody(olga, cast):
    page = olga("removal", start(cast, drill=True).uid).tap("emergency", "eyes")
    assert "This is a drill: ring nobody." in page.said
