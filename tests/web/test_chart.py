"""The chart of all readings, and the story's folding of them: pure, without a database."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from exposure.web.chart import LEFT, RIGHT, WIDTH, Point, baseline_of, chart_of, y_of
from exposure.web.nurse.happenings import Happening
from exposure.web.nurse.story import fold

LISBON = ZoneInfo("Europe/Lisbon")
START = datetime(2026, 3, 2, 8, 0, tzinfo=LISBON)


def point(celsius=36.6, kind="plain", *, hours=0, method="oral", limit=38.0):
    return Point(START + timedelta(hours=hours), celsius, kind, method, limit)


def test_there_is_no_chart_without_a_measured_reading():
    assert chart_of([]) is None


def test_a_higher_reading_stands_higher_and_what_is_beyond_the_scale_at_its_edge():
    assert y_of(38.0) < y_of(37.9) < y_of(36.0)
    assert y_of(45.0) == y_of(41.0)
    assert y_of(30.0) == y_of(35.0)


@pytest.mark.parametrize(
    ("kind", "shapes"),
    [
        ("plain", ["recorded"]),
        ("fever", ["alert"]),
        ("masked", ["repeat_due"]),
        ("replaced", ["replaced"]),
    ],
)
def test_every_kind_of_reading_has_its_shape(kind, shapes):
    assert [shape.kind for shape in chart_of([point(kind=kind)]).shapes] == shapes


def test_each_method_has_the_limit_that_its_readings_were_judged_by():
    points = [point(), point(hours=12, method="axillary", limit=37.5), point(hours=24)]
    rules = [(rule.kind, rule.method, rule.celsius) for rule in chart_of(points).rules]
    assert rules[:2] == [("limit", "axillary", 37.5), ("limit", "oral", 38.0)]


def test_the_usual_temperature_is_the_median_of_three_or_more_that_are_neither_masked_nor_a_fever():
    usual = [point(36.4), point(36.6), point(36.9)]
    assert baseline_of(usual[:2]) is None
    assert baseline_of([*usual, point(39.5, "fever"), point(35.0, "masked")]) == 36.6


def test_a_replaced_reading_is_drawn_and_the_line_passes_it_by():
    chart = chart_of([point(36.5), point(39.6, "replaced", hours=6), point(36.7, hours=12)])
    assert chart.line.count("M") == 1
    assert f" {y_of(39.6):g}" not in chart.line
    assert len(chart.shapes) == 3


def test_days_begin_at_midnight_where_the_readings_are_and_all_stay_inside():
    chart = chart_of([point(hours=24 * day) for day in range(22)])
    assert chart.days[0].value == START.replace(hour=0)
    assert len(chart.days) <= 8
    assert all(LEFT <= tick.place <= WIDTH - RIGHT for tick in chart.days)


def reading(hours, mark="done", title="36.6 °C"):
    return Happening(START + timedelta(hours=hours), title, mark=mark, kind="reading")


def test_ordinary_readings_of_one_day_fold_and_what_wants_a_look_stands_by_itself():
    call = Happening(START + timedelta(hours=1), "Call", kind="call")
    fever = reading(6, "alert", "38.9 °C")
    folded = fold([reading(0), call, reading(4, title="36.8 °C"), fever, reading(24)])
    assert [happening.title for happening in folded[1:]] == ["Call", "38.9 °C", "36.6 °C"]
    assert [one.title for one in folded[0].folded] == ["36.6 °C", "36.8 °C"]
    assert "36.6 °C; 36.8 °C" in folded[0].title
