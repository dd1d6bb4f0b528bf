"""All readings of a person as a chart, and as a table with everything that the chart shows."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.utils.formats import localize
from django.utils.translation import gettext as _

from exposure.followup.models import METHODS, Reading
from exposure.followup.readings import celsius
from exposure.web.chart import Chart, Point, chart_of

ALARMING = {"fever", "symptom"}


@dataclass(frozen=True)
class TableLine:
    reading: Reading
    taken_at: datetime
    what: tuple[str, ...]


@dataclass(frozen=True)
class ReadingsChart:
    """`rules` are the chart's lines in words; `table` every reading, the newest first; `zone` that of its times."""

    chart: Chart | None
    rules: tuple[dict[str, Any], ...]
    table: tuple[TableLine, ...]
    zone: str


def chart_of_readings(readings: Iterable[Reading], zone: str) -> ReadingsChart:
    """From the readings of one person, however they were entered; days are those of `zone`."""
    rows = sorted(readings, key=lambda reading: (reading.taken_at, reading.pk))
    replaced = {reading.replaces_id for reading in rows}
    measured = [reading for reading in rows if reading.value is not None]
    chart = chart_of(_point(reading, reading.pk in replaced, zone) for reading in measured)
    return ReadingsChart(
        chart,
        tuple({"rule": rule, "words": _words(rule)} for rule in chart.rules) if chart else (),
        tuple(_table_line(reading, reading.pk in replaced, zone) for reading in reversed(rows)),
        zone,
    )


def _point(reading: Reading, replaced: bool, zone: str) -> Point:
    triggers = set(reading.triggers)
    kind = "plain"
    if replaced:
        kind = "replaced"
    elif triggers & ALARMING:
        kind = "fever"
    elif "masked" in triggers:
        kind = "masked"
    value = float(celsius(reading.value, reading.unit)) if reading.value is not None else 0.0
    return Point(
        reading.taken_at.astimezone(ZoneInfo(zone)), value, kind, reading.method, _limit(reading.judged_by)
    )


def _limit(judged_by: Sequence[Any]) -> float | None:
    """The lowest limit that the reading was judged by, in degrees Celsius."""
    limits = [
        float(celsius(Decimal(str(judged["limit"])), judged["unit"]))
        for judged in judged_by
        if judged.get("limit") and judged.get("unit")
    ]
    return min(limits, default=None)


def _words(rule: Any) -> str:
    value = localize(round(Decimal(str(rule.celsius)), 1))
    if rule.kind == "usual":
        return _("usual for this person: %(value)s °C") % {"value": value}
    return _("limit, %(method)s: %(value)s °C") % {
        "method": dict(METHODS).get(rule.method, ""),
        "value": value,
    }


def _table_line(reading: Reading, replaced: bool, zone: str) -> TableLine:
    words = [
        _("fever") if "fever" in reading.triggers else "",
        _("symptom") if "symptom" in reading.triggers else "",
        _("masked by a fever reducer") if "masked" in reading.triggers else "",
        _("rising") if "rise" in reading.triggers else "",
        _("replaced by a later one") if replaced else "",
        _("replaces an earlier one: %(reason)s") % {"reason": reading.reason} if reading.replaces_id else "",
        reading.could_not,
    ]
    return TableLine(reading, reading.taken_at.astimezone(ZoneInfo(zone)), tuple(filter(None, words)))
