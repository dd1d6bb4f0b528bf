"""The geometry of the strip: a mark's height is the temperature, its shape the state."""

import re
from datetime import date
from itertools import pairwise

import pytest
from django.template import Context, Template
from hypothesis import given
from hypothesis import strategies as st

from exposure.web.strip import FULL, OUTLINES, SMALL, StripMark, by_week, glyph, in_a_row
from exposure.web.templatetags.look import STATE_WORDS


def render(source: str, **context) -> str:
    return Template("{% load look %}" + source).render(Context(context))


def mark(state="recorded", value=36.8, *, alert=False, on=1, label="morning"):
    return StripMark(label, state, value, alert, on)


def two_a_day(days):
    return [mark(on=n, label=label) for n in days for label in ("morning", "evening")]


def corners(d: str) -> list[tuple[float, float]]:
    """Points that a path visits; an arc counts as its end points."""
    x = y = 0.0
    points = []
    for command, text in re.findall(r"([MLHVhvaz])([^MLHVhvaz]*)", d):
        numbers = [float(n) for n in text.split()]
        match command:
            case "M" | "L":
                x, y = numbers
            case "H":
                x = numbers[0]
            case "V":
                y = numbers[0]
            case "h":
                x += numbers[0]
            case "v":
                y += numbers[0]
            case "a":
                x, y = x + numbers[-2], y + numbers[-1]
        points.append((x, y))
    return points


def middle(d: str) -> float:
    ys = [y for _, y in corners(d)]
    return (min(ys) + max(ys)) / 2


def test_forty_two_readings_make_three_weeks_of_equal_width():
    panels = by_week(two_a_day(range(1, 22)), 38.0)
    assert [(p.first_day, p.last_day, len(p.marks)) for p in panels] == [
        (1, 7, 14),
        (8, 14, 14),
        (15, 21, 14),
    ]
    assert len({p.width for p in panels}) == 1


def test_day_0_joins_the_first_week_and_the_weeks_stay_equally_wide():
    panels = by_week([mark(on=0), *two_a_day(range(1, 22))], 38.0)
    assert [(p.first_day, p.last_day) for p in panels] == [(0, 7), (8, 14), (15, 21)]
    assert len({p.width for p in panels}) == 1


def test_a_follow_up_that_starts_on_day_5_keeps_its_place_in_the_week():
    first = by_week([mark(on=5), mark(on=6)], None)[0]
    assert (first.first_day, first.last_day) == (5, 6)
    assert min(x for x, _ in corners(first.shapes[0].d)) > 4 * FULL.day


def test_nothing_expected_gives_no_strip():
    assert by_week([], 38.0) == ()
    assert in_a_row([], 38.0) is None


def test_a_temperature_at_the_threshold_sits_on_its_line_and_a_higher_one_above_it():
    panel = by_week([mark(value=38.0), mark(value=38.1, on=2), mark(value=37.9, on=3)], 38.0)[0]
    at, above, below = (middle(shape.d) for shape in panel.shapes)
    assert at == pytest.approx(panel.threshold_y, abs=0.02)
    assert above < panel.threshold_y < below


def test_a_temperature_off_the_scale_stays_inside_the_drawing():
    panel = by_week([mark(value=45.0), mark(value=30.0, on=2)], 38.0)[0]
    hottest, coldest = (middle(shape.d) for shape in panel.shapes)
    assert hottest == pytest.approx(FULL.top)
    assert coldest == pytest.approx(FULL.baseline)


def test_days_still_to_come_take_less_room_than_days_with_temperatures():
    first, second = by_week([mark(on=1), mark("upcoming", None, on=8)], 38.0)
    assert second.height < first.height
    assert second.threshold_y is None


def test_a_reading_that_is_missing_breaks_the_baseline_and_an_excused_one_does_not():
    days = [mark(on=1), mark("no_reading", None, on=2), mark(on=3)]
    assert by_week(days, 38.0)[0].baseline.count("M") == 2
    days[1] = mark("excused", None, on=2)
    assert by_week(days, 38.0)[0].baseline.count("M") == 1


def test_an_alert_is_a_mark_of_its_own_wholly_above_the_state():
    for state in OUTLINES:
        *shapes, triangle = by_week([mark(state, None, alert=True)], 38.0)[0].shapes
        assert triangle.kind == "alert"
        assert max(y for _, y in corners(triangle.d)) < min(y for s in shapes for _, y in corners(s.d))


def test_every_state_has_an_outline_of_its_own_and_a_word():
    outlines = {tuple(shape.d for shape in glyph(kind)) for kind in STATE_WORDS}
    assert set(OUTLINES) | {"alert"} == set(STATE_WORDS)
    assert len(outlines) == len(STATE_WORDS)


def test_a_state_that_is_not_drawn_is_refused():
    with pytest.raises(KeyError):
        by_week([mark("withdrawn")], 38.0)


marks = st.builds(
    StripMark,
    label=st.just("morning"),
    state=st.sampled_from(sorted(OUTLINES)),
    value_celsius=st.none() | st.floats(30, 45),
    alert=st.booleans(),
    day=st.integers(-3, 42),
)


@given(st.lists(marks, min_size=1, max_size=60))
def test_every_mark_is_drawn_inside_its_panel(some):
    for panel in (*by_week(some, 38.0), in_a_row(some, 38.0)):
        for x, y in (point for shape in panel.shapes for point in corners(shape.d)):
            assert 0 <= x <= panel.width
            assert -1 <= y <= panel.height


def span(shapes) -> tuple[float, float]:
    """From where to where the shapes reach along the strip; a circle is as wide as its arcs."""
    xs = [x for shape in shapes for x, _y in corners(shape.d)]
    return min(xs), max(xs)


@pytest.mark.parametrize("state", sorted(OUTLINES))
@pytest.mark.parametrize("a_day", [1, 2, 3, 4, 6])
def test_marks_of_one_day_touch_no_neighbour_however_many_they_are(state, a_day):
    marks = [mark(state, None, on=on, alert=True) for on in (1, 2) for _n in range(a_day)]
    for panel in (*by_week(marks, 38.0), in_a_row(marks, 38.0)):
        per_mark = len(panel.shapes) // len(marks)
        spans = [
            span(panel.shapes[place : place + per_mark]) for place in range(0, len(panel.shapes), per_mark)
        ]
        assert len(spans) == len(marks)
        assert all(ends <= begins + 0.02 for (_, ends), (begins, _) in pairwise(spans))


@given(st.lists(marks, min_size=1, max_size=60))
def test_no_mark_is_lost_between_the_weeks(some):
    drawn = [m for panel in by_week(some, 38.0) for m in panel.marks]
    assert sorted(map(repr, drawn)) == sorted(map(repr, some))


def test_forty_two_readings_in_a_row_are_narrower_than_a_telephone():
    # 390 CSS px less a margin and a card's padding on both sides.
    assert in_a_row(two_a_day(range(1, 22)), 38.0).width <= 390 - 2 * 16 - 2 * 19
    assert SMALL.mark < SMALL.day / 2


def test_the_strip_says_the_same_in_words_and_in_a_table():
    html = render(
        "{% strip marks threshold=38.0 %}",
        marks=[mark(value=36.8), mark("no_reading", None, on=2, alert=True, label="evening")],
    )
    assert "<desc>recorded: 1; no reading: 1; alert: 1</desc>" in html
    assert html.count("<tr>") == 3
    assert "36.8\u00a0°C" in html
    assert "style=" not in html


def test_the_table_of_the_strip_is_in_the_unit_of_its_reader():
    # 38.0 degrees Celsius is 100.4 degrees Fahrenheit exactly.
    assert "100.4\u00a0°F" in render('{% strip marks unit="F" %}', marks=[mark(value=38.0)])


def test_a_strip_with_dates_says_them_with_the_days_of_each_exposure():
    zero, again = date(2026, 3, 2), date(2026, 3, 4)
    marks = [
        StripMark("morning", "recorded", 36.8, False, 1, date(2026, 3, 3), ((zero, 1),)),
        StripMark("morning", "recorded", 36.8, False, 3, date(2026, 3, 5), ((zero, 3), (again, 1))),
    ]
    html = " ".join(render("{% strip marks %}", marks=marks).split())
    assert "3 March – 5 March <br>days 1 to 3 after 2 March; day 1 after 4 March" in html
    assert '<th scope="row">Thu 5 Mar</th><td>day 3 after 2 March; day 1 after 4 March</td>' in html
    alone = " ".join(render("{% strip marks %}", marks=marks[:1]).split())
    assert "3 March <br>day 1 </p>" in alone
