"""The strip: one mark per expected reading along a baseline. Pure geometry, no Django.

The height of a mark is the temperature, its shape the state; an alert is a triangle above it.
All lengths are SVG user units, y grows downwards; temperatures are degrees Celsius.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby

# Body temperature is drawn between these; anything outside sits at the edge.
COLDEST, HOTTEST = 35.0, 41.0
DAYS_IN_PANEL = 7
MARGIN = 2.0
ON_TOP = ("half", "alert")  # shapes that lie on those of their mark
MARK_IN_SLOT = 0.8  # of its slot, so that the widest outline (the diamond) touches no neighbour


@dataclass(frozen=True)
class StripMark:
    """One expected reading: `label` names it to a reader ("morning"), `state` is a key of `OUTLINES`.

    `day` is its place along the strip. Where exposures are several one day number would not say enough: then `on` is
    its date and `counts` holds, per exposure whose days it lies in, (day 0 of the exposure, day n).
    """

    label: str
    state: str
    value_celsius: float | None
    alert: bool
    day: int
    on: date | None = None
    counts: tuple[tuple[date, int], ...] = ()


@dataclass(frozen=True)
class Shape:
    """A path to draw: `kind` is a state, `half` or `alert`; `d` its SVG path data."""

    kind: str
    d: str


@dataclass(frozen=True)
class Panel:
    """A run of days on one baseline, which begins with day `start`."""

    start: int
    first_day: int
    last_day: int
    marks: tuple[StripMark, ...]
    width: float
    height: float
    threshold_y: float | None
    baseline: str
    ticks: str
    stems: str
    shapes: tuple[Shape, ...]


@dataclass(frozen=True)
class Scale:
    """Sizes of one kind of strip, and the temperatures between which it draws. `top` leaves room for a triangle over
    the hottest mark."""

    day: float
    mark: float
    plot: float
    top: float
    bottom: float
    stems: bool
    coldest: float = COLDEST
    hottest: float = HOTTEST

    @property
    def baseline(self) -> float:
        return self.top + self.plot

    def height_of(self, celsius: float | None) -> float:
        """y of a temperature; what has none rests on the baseline."""
        if celsius is None:
            return self.baseline
        share = (min(max(celsius, self.coldest), self.hottest) - self.coldest) / (self.hottest - self.coldest)
        return self.baseline - share * self.plot


FULL = Scale(day=34, mark=10, plot=48, top=20, bottom=9, stems=True)
FLAT = replace(FULL, plot=0.0, top=FULL.mark)  # days still to come need no room for temperatures
# Half a degree is three units high: in a row of a list too it is seen.
SMALL = Scale(day=15, mark=5.5, plot=20, top=10, bottom=4, stems=False, coldest=36.0, hottest=39.5)


def by_week(marks: Sequence[StripMark], threshold: float | None) -> tuple[Panel, ...]:
    """One panel for each week of days 1 to 7, 8 to 14, ...; a day 0 joins the first. All equally wide."""
    weeks = [list(week) for _, week in groupby(_in_order(marks), key=lambda mark: _week(mark.day))]
    return _panels(weeks, [_first_day(week) for week in weeks], threshold)


def by_date(marks: Sequence[StripMark], threshold: float | None) -> tuple[Panel, ...]:
    """One panel for every seven days in a row, from the first that has a mark."""
    ordered = _in_order(marks)
    first = ordered[0].day if ordered else 0
    rows = [list(row) for _, row in groupby(ordered, key=lambda mark: (mark.day - first) // DAYS_IN_PANEL)]
    starts = [row[0].day - (row[0].day - first) % DAYS_IN_PANEL for row in rows]
    return _panels(rows, starts, threshold)


def _panels(weeks: list[list[StripMark]], starts: list[int], threshold: float | None) -> tuple[Panel, ...]:
    days = max((week[-1].day - start + 1 for week, start in zip(weeks, starts, strict=True)), default=0)
    days = max(days, DAYS_IN_PANEL)
    return tuple(
        _panel(week, FULL if _has_heights(week) else FLAT, start, days, threshold)
        for week, start in zip(weeks, starts, strict=True)
    )


def in_a_row(marks: Sequence[StripMark], threshold: float | None) -> Panel | None:
    """The whole follow-up on one short line, for a row of a list; None without marks."""
    ordered = _in_order(marks)
    if not ordered:
        return None
    first, last = ordered[0].day, ordered[-1].day
    return _panel(ordered, SMALL, first, last - first + 1, threshold)


def by_kind(shapes: Iterable[Shape]) -> tuple[Shape, ...]:
    """One path for all marks of a kind: a page of a list has thousands. What lies on another mark comes after it."""
    paths: dict[str, list[str]] = {}
    for shape in sorted(shapes, key=lambda shape: ON_TOP.index(shape.kind) if shape.kind in ON_TOP else -1):
        paths.setdefault(shape.kind, []).append(shape.d)
    return tuple(Shape(kind, "".join(of_kind)) for kind, of_kind in paths.items())


def glyph(kind: str, size: float = 16) -> tuple[Shape, ...]:
    """The mark of a state, or `alert`, alone in a square of `size`: for chips and legends."""
    middle = size / 2
    if kind == "alert":
        return (Shape("alert", _triangle(middle, size * 0.82, size * 0.72)),)
    return OUTLINES[kind](middle, middle, size * 0.68)


def glyph_at(kind: str, x: float, y: float, size: float) -> tuple[Shape, ...]:
    """The mark of a state, or `alert`, around a point."""
    if kind == "alert":
        return (Shape("alert", _triangle(x, y + size * 0.45, size)),)
    return OUTLINES[kind](x, y, size)


def _in_order(marks: Iterable[StripMark]) -> list[StripMark]:
    # A stable sort: within a day the caller's order stands.
    return sorted(marks, key=lambda mark: mark.day)


def _week(day: int) -> int:
    return 0 if day == 0 else (day - 1) // DAYS_IN_PANEL


def _first_day(week: list[StripMark]) -> int:
    return 0 if week[0].day == 0 else _week(week[0].day) * DAYS_IN_PANEL + 1


def _has_heights(week: list[StripMark]) -> bool:
    return any(mark.alert or mark.value_celsius is not None for mark in week)


def _panel(marks: list[StripMark], scale: Scale, start: int, days: int, threshold: float | None) -> Panel:
    shapes: list[Shape] = []
    stems: list[str] = []
    line: list[list[float]] = []
    for day, group in groupby(marks, key=lambda mark: mark.day):
        of_day = list(group)
        slot = scale.day / len(of_day)
        size = min(scale.mark, slot * MARK_IN_SLOT)
        for place, mark in enumerate(of_day):
            left = MARGIN + (day - start) * scale.day + place * slot
            x, y = left + slot / 2, scale.height_of(mark.value_celsius)
            shapes += _drawn(mark, x, y, size)
            if scale.stems and y < scale.baseline:
                stems.append(f"M{_n(x)} {_n(scale.baseline)}V{_n(y)}")
            if mark.state != "no_reading":  # the gap is the message
                _extend(line, left, left + slot)
    return Panel(
        start=start,
        first_day=marks[0].day,
        last_day=marks[-1].day,
        marks=tuple(marks),
        width=days * scale.day + 2 * MARGIN,
        height=scale.baseline + scale.bottom,
        threshold_y=None if threshold is None or not scale.plot else round(scale.height_of(threshold), 2),
        baseline="".join(f"M{_n(a)} {_n(scale.baseline)}H{_n(b)}" for a, b in line),
        ticks=_ticks(marks[0].day - start, marks[-1].day - start + 1, scale),
        stems="".join(stems),
        shapes=tuple(shapes),
    )


def _drawn(mark: StripMark, x: float, y: float, size: float) -> list[Shape]:
    shapes = list(OUTLINES[mark.state](x, y, size))
    if mark.alert:
        shapes.append(Shape("alert", _triangle(x, y - size * 1.05, size * 0.95)))
    return shapes


def _extend(line: list[list[float]], left: float, right: float) -> None:
    if line and abs(line[-1][1] - left) < 1e-6:
        line[-1][1] = right
    else:
        line.append([left, right])


def _ticks(first: int, last: int, scale: Scale) -> str:
    """A small tick where each day begins and where the last one ends."""
    length = _n(scale.bottom * 0.6)
    return "".join(
        f"M{_n(MARGIN + day * scale.day)} {_n(scale.baseline)}v{length}" for day in range(first, last + 1)
    )


def _n(value: float) -> str:
    return f"{round(value, 2):g}"


def _rectangle(x: float, y: float, width: float, height: float) -> str:
    left, top = _n(x - width / 2), _n(y - height / 2)
    return f"M{left} {top}h{_n(width)}v{_n(height)}h{_n(-width)}z"


def _circle(x: float, y: float, radius: float, sweep: int = 1) -> str:
    r, d = _n(radius), _n(2 * radius)
    return f"M{_n(x - radius)} {_n(y)}a{r} {r} 0 1 {sweep} {d} 0a{r} {r} 0 1 {sweep} -{d} 0z"


def _triangle(x: float, base: float, size: float) -> str:
    return f"M{_n(x - size / 2)} {_n(base)}h{_n(size)}L{_n(x)} {_n(base - size * 0.87)}z"


def _upcoming(x: float, y: float, size: float) -> tuple[Shape, ...]:
    return (Shape("upcoming", _circle(x, y, size * 0.2)),)


def _open(x: float, y: float, size: float) -> tuple[Shape, ...]:
    r = size * 0.62
    return (
        Shape("open", f"M{_n(x - r)} {_n(y)}L{_n(x)} {_n(y - r)}L{_n(x + r)} {_n(y)}L{_n(x)} {_n(y + r)}z"),
    )


def _recorded(x: float, y: float, size: float) -> tuple[Shape, ...]:
    return (Shape("recorded", _rectangle(x, y, size * 0.8, size * 0.8)),)


def _recorded_late(x: float, y: float, size: float) -> tuple[Shape, ...]:
    side = size * 0.8
    return (
        Shape("recorded_late", _rectangle(x, y, side, side)),
        Shape("half", _rectangle(x - side / 4, y, side / 2, side)),
    )


def _repeat_due(x: float, y: float, size: float) -> tuple[Shape, ...]:
    # The inner circle runs the other way round, so that it is cut out.
    return (Shape("repeat_due", _circle(x, y, size * 0.52) + _circle(x, y, size * 0.26, sweep=0)),)


def _no_reading(x: float, y: float, size: float) -> tuple[Shape, ...]:
    return (Shape("no_reading", _rectangle(x, y, size * 0.32, size * 1.3)),)


def _excused(x: float, y: float, size: float) -> tuple[Shape, ...]:
    return (Shape("excused", _rectangle(x, y - size * 0.5, size * 0.9, size * 0.26)),)


OUTLINES = {
    "upcoming": _upcoming,
    "open": _open,
    "recorded": _recorded,
    "recorded_late": _recorded_late,
    "repeat_due": _repeat_due,
    "no_reading": _no_reading,
    "excused": _excused,
}
