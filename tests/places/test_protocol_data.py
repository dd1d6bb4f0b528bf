"""The removal protocols shipped in fixtures/protocols.yaml: whole, sourced, and in the published order."""

from itertools import pairwise
from pathlib import Path

import pytest
import yaml

from exposure.classify.criteria import Criteria

FIXTURES = Path(__file__).parents[2] / "fixtures"
DATA = yaml.safe_load((FIXTURES / "protocols.yaml").read_text(encoding="utf-8"))
PROTOCOLS = {protocol["code"]: protocol for protocol in DATA["protocols"]}

every_protocol = pytest.mark.parametrize("code", PROTOCOLS)


def step_codes(code):
    return [step["code"] for step in PROTOCOLS[code]["steps"]]


def is_removal(code):
    return code.endswith("-off")


def is_hygiene(code):
    return code.startswith("hygiene-")


@pytest.mark.parametrize("kind", ["cards", "failures", "protocols"])
def test_a_code_stands_once(kind):
    codes = [row["code"] for row in DATA[kind]]
    assert codes
    assert len(codes) == len(set(codes))


@every_protocol
def test_a_step_code_stands_once_in_its_protocol(code):
    assert len(step_codes(code)) == len(set(step_codes(code)))


def test_a_failure_names_a_card_that_exists_or_none():
    cards = {card["code"] for card in DATA["cards"]}
    assert {failure["card"] for failure in DATA["failures"]} - {None} == cards


def test_every_failure_is_usual_at_a_step_or_stands_behind_an_emergency():
    steps = [step for protocol in PROTOCOLS.values() for step in protocol["steps"]]
    named = {failure for step in steps for failure in step["failures"]}
    emergencies = {card["code"] for card in DATA["cards"] if card.get("emergency")}
    behind = {failure["code"] for failure in DATA["failures"] if failure["card"] in emergencies}
    assert named | behind == {failure["code"] for failure in DATA["failures"]}
    assert named <= {failure["code"] for failure in DATA["failures"]}


@every_protocol
def test_every_step_says_item_action_failures_and_source(code):
    needed = ("item", "action", "failures", "source")
    assert [step["code"] for step in PROTOCOLS[code]["steps"] if not all(step[key] for key in needed)] == []
    assert PROTOCOLS[code]["source"]


def test_every_card_has_lines_and_a_source():
    assert [card["code"] for card in DATA["cards"] if not (card["text"] and card["source"])] == []


def test_bloodborne_is_what_pierces_or_reaches_eyes_nose_or_mouth():
    # 29 CFR 1910.1030(b), 2010: an exposure incident is eye, mouth, other mucous membrane, non-intact skin or
    # parenteral contact (from memory).
    marked = {failure["code"] for failure in DATA["failures"] if failure["bloodborne"]}
    assert marked == {"sharp", "splash_eyes", "splash_mouth", "splash_face"}


def test_what_is_not_urgent_touches_no_person():
    # WHO and ILO, post-exposure prophylaxis, 2007: wash or rinse at once (from memory).
    assert {card["code"] for card in DATA["cards"] if not card["urgent"]} == {"wipe_soil"}


@every_protocol
def test_hands_are_disinfected_between_any_two_removals_and_after_the_last(code):
    # Training pages on protective equipment for Ebola, CDC (seen): disinfect the gloves between the steps.
    # Mumma et al., Clin Infect Dis 66(6):950-8, 2018: of all steps hand hygiene has the highest risk index.
    codes = step_codes(code)
    removals = [at for at, step in enumerate(codes) if is_removal(step)]
    for here, following in pairwise([*removals, len(codes)]):
        assert any(is_hygiene(step) for step in codes[here + 1 : following]), codes[here]


@every_protocol
def test_a_hygiene_step_is_named_after_a_step_before_it(code):
    done = {"start"}
    for step in step_codes(code):
        assert not is_hygiene(step) or step.removeprefix("hygiene-") in done
        done.add(step.removesuffix("-off"))


# Guidance on personal protective equipment for confirmed Ebola patients, CDC, 2015: order from memory; update
# of 27 August 2015 (boot covers after the garment) seen in a summary; training pages (hose, belt, hood) seen.
# Sequence for removing personal protective equipment, CDC, 2014, example 1: from memory.
PUBLISHED = {
    "coverall-powered": """
        first-inspection apron-off outer-gloves-off inner-gloves hose respirator-off coverall-off
        boot-covers-off inner-gloves-off clean-gloves-on shoes last-gloves-off last-inspection shower""",
    "gown-particulate": """
        first-inspection apron-off outer-gloves-off inner-gloves face-shield-off hood-off gown-off
        boot-covers-off inner-gloves-off clean-gloves-on respirator-off shoes last-gloves-off last-inspection
        shower""",
    "contact": "gloves-off gown-off",
    "droplet-contact": "gloves-off eye-protection-off gown-off mask-off",
}


@every_protocol
def test_the_items_come_off_in_the_published_order(code):
    published = PUBLISHED[code].split()
    assert [step for step in step_codes(code) if step in published or is_removal(step)] == published


@pytest.mark.parametrize("code", ["coverall-powered", "gown-particulate"])
def test_the_eight_steps_common_to_four_centres_are_there(code):
    # Mumma et al., Clin Infect Dis 69(S3):S214-20, 2019: boot covers, both pairs of gloves, outer garment,
    # respirator hood and helmet (one piece here), repeated hand hygiene, a last wash with soap and water.
    steps = step_codes(code)
    assert {"boot-covers-off", "outer-gloves-off", "inner-gloves-off", "respirator-off", "shower"} <= set(
        steps
    )
    assert {"coverall-off", "gown-off"} & set(steps)
    assert sum(map(is_hygiene, steps)) > 1


def action(code, step):
    return next(row["action"] for row in PROTOCOLS[code]["steps"] if row["code"] == step)


@pytest.mark.parametrize("code", ["coverall-powered", "gown-particulate"])
def test_boot_covers_and_shoes_each_have_their_own_chair(code):
    # CDC, 2015: boot covers seated on one chair, shoes on a clean one (from memory).
    assert "chair kept for this" in action(code, "boot-covers-off")
    assert "clean chair" in action(code, "shoes")


def test_a_particulate_respirator_is_taken_by_its_straps_only():
    # CDC, 2015: tilt forward, bottom strap, then top, without touching the front (from memory).
    assert "straps only" in action("gown-particulate", "respirator-off")


@pytest.mark.parametrize("code", ["coverall-powered", "gown-particulate"])
def test_the_inner_glove_step_offers_a_torn_glove_with_its_card(code):
    step = next(row for row in PROTOCOLS[code]["steps"] if row["code"] == "inner-gloves")
    card = next(row["card"] for row in DATA["failures"] if row["code"] == "glove_tear")
    assert "glove_tear" in step["failures"]
    assert card == "soap_water"


GROUPS = {"skin", "face", "air", "cover", "equipment", "other"}
CRITERIA = [
    criteria
    for file in sorted((FIXTURES / "criteria").glob("*.yaml"))
    for criteria in [Criteria.parse(file.read_text(encoding="utf-8"))]
    if criteria.status == "current"
]


def read_by(criteria, answers):
    """The answers that these criteria have."""
    facts = {fact.name: {answer.code for answer in fact.answers} for fact in criteria.facts}
    return {name: code for name, code in answers.items() if code in facts.get(name, ())}


SAYING = [failure for failure in DATA["failures"] if failure.get("answers")]
every_saying = pytest.mark.parametrize("failure", SAYING, ids=lambda failure: failure["code"])


def test_every_failure_stands_in_a_group_and_every_group_has_one():
    assert {failure["group"] for failure in DATA["failures"]} == GROUPS


@every_saying
def test_what_a_failure_says_is_an_answer_of_some_criteria(failure):
    read = {name for criteria in CRITERIA for name in read_by(criteria, failure["answers"])}
    assert read == set(failure["answers"])


@every_saying
def test_what_a_failure_says_never_makes_anything_look_milder(failure):
    """Under no criteria does it take the worst away that could have happened."""
    said = 0
    for criteria in CRITERIA:
        answers = read_by(criteria, failure["answers"])
        tiers = [tier.code for tier in criteria.tiers]
        unknown, known = criteria.classify({}), criteria.classify(answers)
        said += bool(answers)
        assert known.ceiling == unknown.ceiling, criteria.title
        assert tiers.index(known.floor) >= tiers.index(unknown.floor), criteria.title
    assert said


@pytest.mark.parametrize("code", ["sharp", "splash_eyes", "splash_mouth", "splash_face"])
def test_what_pierces_or_reaches_mucosa_is_high_by_itself_in_haemorrhagic_fever(code):
    # Recommendations for organizations sending personnel to viral haemorrhagic fever areas, CDC, 2024, high-risk
    # exposures: percutaneous or mucous membrane contact with blood or body fluid (seen).
    failure = next(row for row in SAYING if row["code"] == code)
    fevers = [one for one in CRITERIA if one.pathogen in ("ebola", "marburg", "lassa", "cchf", "sahf")]
    found = {
        criteria.classify(answers).floor
        for criteria in fevers
        for answers in [read_by(criteria, failure["answers"])]
        if "skin" in answers
    }
    assert found == {"high"}


def test_a_torn_inner_glove_asks_about_no_household_and_no_laboratory():
    torn = next(row for row in SAYING if row["code"] == "glove_tear")
    for criteria in CRITERIA:
        asked = criteria.classify(read_by(criteria, torn["answers"])).open_questions
        labels = [
            str(answer.label) for fact in criteria.facts if fact.name in asked for answer in fact.answers
        ]
        if criteria.pathogen in ("ebola", "marburg", "lassa", "cchf", "sahf"):
            assert not [label for label in labels if "household" in label or "laboratory" in label]


def test_every_card_to_rinse_or_wash_says_how_long():
    named = {card["code"]: card["minutes"] for card in DATA["cards"] if card.get("minutes")}
    assert set(named) == {
        card["code"] for card in DATA["cards"] if card["title"].startswith(("Rinse", "Wash"))
    }
    for card in DATA["cards"]:
        told = [line for line in card["text"] if "minutes." in line and "at least" in line]
        assert all(f"{card['minutes']} minutes" in line for line in told)


@every_protocol
def test_the_shortest_way_out_takes_every_item_off_and_ends_with_clean_hands(code):
    """It leaves steps out, never an item: what stays on would be carried out of the room."""
    steps = PROTOCOLS[code]["steps"]
    way = [step["code"] for step in steps if step.get("way_out")]
    added = "clean-gloves-on" not in way  # then the last gloves are not put on, and not taken off
    removals = {step["code"] for step in steps if is_removal(step["code"])}
    assert removals - set(way) == ({"last-gloves-off"} & removals if added else set())
    assert len(way) < len(steps)
    last = max(place for place, step in enumerate(way) if is_removal(step))
    assert any(is_hygiene(step) for step in way[last + 1 :])
    bare = [
        place
        for place, step in enumerate(way)
        if step in ("inner-gloves-off", "gloves-off", "last-gloves-off")
    ]
    assert all(is_hygiene(way[place + 1]) for place in bare), "the hands are bare"
