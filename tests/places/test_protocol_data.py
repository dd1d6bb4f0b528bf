"""The removal protocols shipped in fixtures/protocols.yaml: whole, sourced, and in the published order."""

from itertools import pairwise
from pathlib import Path

import pytest
import yaml

DATA = yaml.safe_load((Path(__file__).parents[2] / "fixtures" / "protocols.yaml").read_text(encoding="utf-8"))
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
