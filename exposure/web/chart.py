"""All readings of one person over time, with the limit that each was judged by. Pure geometry, no Django.

The height of a mark is the temperature in degrees Celsius, its shape what it is: a triangle a fever or symptom, a ring
one that a fever reducer may mask, a cross one that a later reading has replaced, a square any other. All lengths are
SVG user units, y grows downwards.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from exposure.web.strip import COLDEST, HOTTEST, Shape, glyph_at

DAY = timedelta(days=1)
WIDTH, PLOT, TOP, BOTTOM, LEFT, RIGHT = 720.0, 200.0, 18.0, 22.0, 38.0, 10.0
MARK = 10.0
LEAST_FOR_BASELINE = 3  # unmasked readings without fever; as for a rise (behaviour, part 4)


@dataclass(frozen=True)
class Point:
    """One measured reading: `kind` is fever, masked, replaced or plain; `limit` by what it was judged, if known."""

    at: datetime
    celsius: float
    kind: str
    method: str
    limit: float | None = None


@dataclass(frozen=True)
class Rule:
    """A horizontal line with its words: a limit of one method, or the person's usual temperature."""

    kind: str
    celsius: float
    method: str
    d: str


@dataclass(frozen=True)
class Tick:
    """Where something stands on an axis, and what."""

    place: float
    value: datetime | int


@dataclass(frozen=True)
class Chart:
    width: float
    height: float
    line: str
    grid: str
    shapes: tuple[Shape, ...]
    rules: tuple[Rule, ...]
    days: tuple[Tick, ...]
    degrees: tuple[Tick, ...]


def chart_of(points: Iterable[Point]) -> Chart | None:
    """The chart; None without a measured reading. Instants aware, in the zone in which days begin."""
    ordered = sorted(points, key=lambda point: point.at)
    if not ordered:
        return None
    first = ordered[0].at.replace(hour=0, minute=0, second=0, microsecond=0)
    days = max((ordered[-1].at - first) // DAY + 1, 1)

    def x_of(at: datetime) -> float:
        return round(LEFT + (at - first) / (days * DAY) * (WIDTH - LEFT - RIGHT), 1)

    every = max(1, -(-days // 8))
    standing = [point for point in ordered if point.kind != "replaced"]
    return Chart(
        width=WIDTH,
        height=TOP + PLOT + BOTTOM,
        line=_line([(x_of(point.at), y_of(point.celsius)) for point in standing]),
        grid="".join(_across(float(degree)) for degree in _degrees()),
        shapes=tuple(
            shape for point in ordered for shape in _mark(point.kind, x_of(point.at), y_of(point.celsius))
        ),
        rules=tuple(_rules(standing)),
        days=tuple(Tick(x_of(first + day * DAY), first + day * DAY) for day in range(0, days, every)),
        degrees=tuple(Tick(y_of(degree), degree) for degree in _degrees()),
    )


def _degrees() -> range:
    return range(int(COLDEST), int(HOTTEST) + 1)


def _across(celsius: float) -> str:
    return f"M{LEFT:g} {y_of(celsius):g}H{WIDTH:g}"


def y_of(celsius: float) -> float:
    """Anything outside the scale sits at its edge."""
    share = (min(max(celsius, COLDEST), HOTTEST) - COLDEST) / (HOTTEST - COLDEST)
    return round(TOP + PLOT - share * PLOT, 1)


def baseline_of(points: Iterable[Point]) -> float | None:
    """The person's usual temperature: the median of what is neither masked nor a fever; None where there are few."""
    usual = [point.celsius for point in points if point.kind == "plain"]
    return median(usual) if len(usual) >= LEAST_FOR_BASELINE else None


def _rules(standing: Sequence[Point]) -> Iterable[Rule]:
    limits = {(point.method, point.limit) for point in standing if point.limit is not None}
    for method, limit in sorted(limits, key=lambda pair: (pair[1], pair[0])):
        yield Rule("limit", limit, method, _across(limit))
    usual = baseline_of(standing)
    if usual is not None:
        yield Rule("usual", usual, "", _across(usual))


def _line(places: Sequence[tuple[float, float]]) -> str:
    return "".join(f"M{a:g} {b:g}L{c:g} {d:g}" for (a, b), (c, d) in pairwise(places))


def _mark(kind: str, x: float, y: float) -> tuple[Shape, ...]:
    if kind == "replaced":
        arm = MARK * 0.4
        cross = f"M{x - arm:g} {y - arm:g}L{x + arm:g} {y + arm:g}M{x - arm:g} {y + arm:g}L{x + arm:g} {y - arm:g}"
        return (Shape("replaced", cross),)
    return glyph_at({"fever": "alert", "masked": "repeat_due"}.get(kind, "recorded"), x, y, MARK)
