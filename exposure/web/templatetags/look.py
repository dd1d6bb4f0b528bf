"""The look of the pages: what a template author needs.

    {% load look %}
    {% error_summary form %}                 above the <h1>; several forms or formsets may be named
    {% field form.taken_at %}                label, help, error and control of one field
    {% field form.contact heading=True %}    its legend is the page's <h1>
    {% field form.temperature unit="°C" size="short" %}
    {% strip marks threshold=38.0 %}         full, by week, with its table; `small=True` for a row of a list
    {% chip "no_reading" %}                  a state of a reading as shape and word
    {% chip "alert" _("Fever") %}            the same shape with other words
    {{ alert.raised_at|moment }}             Wed 25 Nov 2026, 07:40    in the active time zone
    {{ now.ends_at|ending }}                 Wed 25 Nov 2026, midnight    the end of that day; else as `moment`
    {{ line.by|brief }}                      Wed 25 Nov, midnight         the same, without the year
    {{ letter.effective_at|last_day }}       Wednesday 25 November 2026   the last day of what ends with that instant
    {{ exposure.day_0|day }}                 Wednesday 25 November 2026
    {{ window.closes_at|clock }}             22:00
    {{ alert.raised_at|ago:at }}             2 h 5 min ago             `at` is the view's instant
    {{ jump.said_at|apart:jump.right_at }}   2 h 5 min
    {{ reading.temperature|degrees:reading.unit }}    38.4 °C
    {{ reading.method|where_taken }}         in the mouth
    {{ site_number|tel }}                    a link that dials
    {{ breach.reference|spelled }}           Kilo 7 Mike 2 - 9 Quebec X-ray Delta - 4    to read out

Dates come out inside <time datetime="...">. Every POST form begins with {% include "components/tokens.html" %}.
Whole parts to include, each with its arguments in a comment at its top: components/ring, first_aid, causes,
pages, empty. Parts that are only markup (card, notice, facts, table rows, timeline): one section of
static/css/parts.css each.
"""

import re
from collections.abc import Iterable, Iterator
from copy import copy
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from django import forms, template
from django.forms import BaseForm, BoundField
from django.forms.formsets import BaseFormSet
from django.utils import timezone
from django.utils.formats import date_format, localize
from django.utils.html import format_html, format_html_join, strip_tags
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, pgettext

from exposure.followup.models import METHODS
from exposure.web.strip import DAYS_IN_PANEL, Panel, StripMark, by_date, by_kind, by_week, glyph, in_a_row
from exposure.wording import ending_in_words, last_day_before

register = template.Library()

STATE_WORDS = {
    "upcoming": gettext_lazy("upcoming"),
    "open": gettext_lazy("open"),
    "recorded": gettext_lazy("recorded"),
    "recorded_late": gettext_lazy("recorded late"),
    "repeat_due": gettext_lazy("repeat due"),
    "no_reading": gettext_lazy("no reading"),
    "excused": gettext_lazy("excused"),
    "alert": gettext_lazy("alert"),
}

LONGEST_GROUP = 5  # digits that still fit beside the receiver on a narrow telephone with large text

NUMBER_WORDS = (
    gettext_lazy("no"),
    gettext_lazy("one"),
    gettext_lazy("two"),
    gettext_lazy("three"),
    gettext_lazy("four"),
    gettext_lazy("five"),
    gettext_lazy("six"),
    gettext_lazy("seven"),
    gettext_lazy("eight"),
    gettext_lazy("nine"),
    gettext_lazy("ten"),
    gettext_lazy("eleven"),
    gettext_lazy("twelve"),
)


# The international spelling alphabet (ITU Radio Regulations, Appendix 14; from memory): alike in every language
SPELLING = (
    "Alfa", "Bravo", "Charlie", "Delta", "Echo", "Foxtrot", "Golf", "Hotel", "India", "Juliett", "Kilo", "Lima", "Mike",
    "November", "Oscar", "Papa", "Quebec", "Romeo", "Sierra", "Tango", "Uniform", "Victor", "Whiskey", "X-ray",
    "Yankee", "Zulu",
)  # fmt: skip
SPELLED = {word[0]: word for word in SPELLING}


@register.filter
def spelled(code: str) -> str:
    """Letters, digits and dashes as they are read out on the telephone."""
    return " ".join(SPELLED.get(sign, "–" if sign == "-" else sign) for sign in code)


# Dates and times


@register.filter
def moment(value: datetime | None) -> str:
    """An instant as date and time of day in the active time zone; empty for None."""
    return _formatted(value, pgettext("date format: Wed 25 Nov 2026, 07:40", "D j M Y, H:i"))


@register.filter
def ending(value: datetime | None) -> str:
    """The instant with which something ends, as `moment`; the end of a day is told by that day: "Fri 11 Dec 2026,
    midnight", not the next day at 00:00."""
    return "" if value is None else _time(value, ending_in_words(timezone.localtime(value)))


@register.filter
def brief(value: datetime | None) -> str:
    """As `ending`, without the year: for instants of these days."""
    return "" if value is None else _time(value, ending_in_words(timezone.localtime(value), with_year=False))


@register.filter
def last_day(value: datetime | None) -> str:
    """The last day, in words, of what ends with that instant: at 00:00 it is the day before."""
    return "" if value is None else day(last_day_before(timezone.localtime(value)))


@register.filter
def clock(value: datetime | None) -> str:
    """The time of day of an instant in the active time zone; empty for None."""
    return _formatted(value, pgettext("date format: 07:40", "H:i"))


@register.filter
def day(value: date | datetime | None) -> str:
    """A date (of an instant: its local date) in words; empty for None."""
    if isinstance(value, datetime):
        value = _local(value).date()
    return _formatted(value, pgettext("date format: Wednesday 25 November 2026", "l j F Y"))


def unmarked(text: str) -> str:
    """The words of an instant or a date without their markup: for paper, and inside a sentence. What somebody typed is
    no markup, and stays."""
    return strip_tags(text) if isinstance(text, SafeString) else text


@register.filter
def spoken_day(value: date, today: date) -> str:
    """A date as one says it on `today`: today, yesterday, tomorrow, else in words."""
    near = {0: _("Today"), -1: _("Yesterday"), 1: _("Tomorrow")}
    words = near.get((value - today).days)
    return _time(value, words or date_format(value, pgettext("date format: Wed 25 Nov", "D j M")))


@register.filter
def beside(value: datetime, on: date) -> str:
    """An instant beside that date: the time of day, with its own date where it is another."""
    local = timezone.localtime(value)
    same = pgettext("date format: 07:40", "H:i")
    other = pgettext("date format: Wed 25 Nov, 07:40", "D j M, H:i")
    return _time(value, date_format(local, same if local.date() == on else other))


@register.filter
def day_counts(counts: Iterable[tuple[date, int]], several: bool) -> str:
    """The day of each exposure, (day 0, day n): "day 3", or with `several` "day 12 after 2 March; day 3 after ..."."""
    return "; ".join(_days_after(zero, [count], several) for zero, count in counts)


@register.filter
def ago(value: datetime | None, at: datetime) -> str:
    """How long before (or after) the instant `at`, whole minutes, rounded down; empty for None."""
    if value is None:
        return ""
    length = _duration(abs(at - value))
    if not length:
        return _time(value, _("just now"))
    words = _("%(duration)s ago") if value <= at else _("in %(duration)s")
    return _time(value, words % {"duration": length})


@register.filter
def apart(one: datetime, other: datetime) -> str:
    """How far two instants lie apart: 1 h 5 min, whole minutes, rounded down."""
    return _duration(abs(one - other))


def _formatted(value: date | datetime | None, form: str) -> str:
    return "" if value is None else _time(value, date_format(_local(value), form))


def _time(value: date | datetime, words: str) -> str:
    return format_html('<time datetime="{}">{}</time>', _local(value).isoformat(), words)


def _local(value: date | datetime) -> date | datetime:
    # HTML allows at most three digits of a second; people read minutes.
    return (
        timezone.localtime(value).replace(second=0, microsecond=0) if isinstance(value, datetime) else value
    )


def _duration(length: timedelta) -> str:
    minutes = int(length.total_seconds()) // 60
    hours, days = minutes // 60, minutes // (24 * 60)
    if days >= 2:
        return ngettext("%(count)d day", "%(count)d days", days) % {"count": days}
    if hours:
        return _("%(hours)d h %(minutes)d min") % {"hours": hours, "minutes": minutes % 60}
    return _("%(minutes)d min") % {"minutes": minutes} if minutes else ""


# Small words and numbers


@register.filter
def in_words(count: int) -> str:
    """A small number as a word, a larger one in digits."""
    return str(NUMBER_WORDS[count]) if count < len(NUMBER_WORDS) else localize(count)


@register.filter
def where_taken(method: str) -> Any:
    """In words, of a reading that may be no more than the values that a list shows."""
    return dict(METHODS).get(method, "")


@register.filter
def degrees(value: Decimal | float | None, unit: str = "C") -> str:
    """A temperature with its unit, one decimal, two where the second is not zero; empty for None."""
    if value is None:
        return ""
    shown = round(Decimal(str(value)), 2)
    # Never rounded further: 37.96 must not read like the 38.0 of a fever.
    if shown == round(shown, 1):
        shown = round(shown, 1)
    return f"{localize(shown)}\u00a0°{unit}"


@register.filter
def tel(number: str | None) -> str:
    """A telephone number as a link that dials; empty without one."""
    if not number:
        return ""
    return format_html('<a class="tel" href="tel:{}">{}</a>', dialled(number), grouped(number))


@register.filter
def grouped(number: str) -> str:
    """A telephone number in groups of digits: each stays on one line, and a line may end between two."""
    parts = [part for whole in re.split(r"(\s+)", number.strip()) for part in _groups(whole)]
    return format_html_join("", "{}", ((_group(part),) for part in parts))


def _groups(written: str) -> list[str]:
    """What was written without a space, as it may be broken: after a hyphen or stroke, and before every third digit
    from the end where it is long."""
    return [
        group
        for piece in re.findall(r"\s+|[^\s/.-]+[/.-]?|[/.-]", written)
        for group in (re.split(r"(?<=\w)(?=(?:\d{3})+$)", piece) if len(piece) > LONGEST_GROUP else [piece])
    ]


def _group(part: str) -> str:
    return " " if part.isspace() else format_html('<span class="group">{}</span>', part)


@register.filter
def dialled(number: str) -> str:
    """What a telephone dials: digits, with a leading plus if there is one."""
    return re.sub(r"[^\d+*#]", "", number)


# Forms


@dataclass(frozen=True)
class Mistake:
    """One line of the error summary; `target` is the id of the control to go to, or empty."""

    words: str
    target: str


@register.inclusion_tag("components/error_summary.html")
def error_summary(*forms_or_sets: BaseForm | BaseFormSet | str | None) -> dict[str, object]:
    mistakes = [mistake for given in forms_or_sets if given for mistake in _mistakes(given)]
    return {"mistakes": mistakes, "heading": summary_heading(len(mistakes))}


def summary_heading(count: int) -> str:
    """The heading over `count` mistakes."""
    return ngettext(
        "Not sent yet: %(count)s answer to look at",
        "Not sent yet: %(count)s answers to look at",
        count,
    ) % {"count": in_words(count)}


def _mistakes(given: BaseForm | BaseFormSet) -> Iterator[Mistake]:
    if isinstance(given, BaseFormSet):
        yield from (Mistake(words, "") for words in given.non_form_errors())
        for form in given.forms:
            yield from _mistakes(form)
        return
    yield from (Mistake(words, "") for words in given.non_field_errors())
    for bound in given:
        if bound.errors:
            yield Mistake(_one_sentence(bound), "" if bound.is_hidden else target_of(bound))


def target_of(bound: BoundField) -> str:
    """The id of the control a link should focus: of a group, its first choice."""
    # A radio group's auto_id names a plain container, which cannot be focused.
    return bound.auto_id + "_0" if _is_choices(bound) else bound.id_for_label or bound.auto_id


@register.inclusion_tag("components/field.html")
def field(
    bound: BoundField, *, unit: str = "", size: str = "", heading: bool = False, across: bool = False
) -> dict[str, object]:
    """Everything around one control. `size`: short or medium; `across`: choices side by side where there is room."""
    widget = bound.field.widget
    if _is_choices(bound):
        kind = "choices"
    elif isinstance(widget, forms.CheckboxInput):
        kind = "tick"
    else:
        kind = "group" if bound.use_fieldset else "single"
    return {
        "field": bound,
        "kind": kind,
        "control": "" if kind == "choices" else bound.as_widget(_native(widget, bound.field)),
        "mistake": _one_sentence(bound),
        "optional": not bound.field.required and kind != "tick",
        "unit": unit,
        "size": size,
        "heading": heading,
        "across": across,
    }


def _is_choices(bound: BoundField) -> bool:
    return isinstance(bound.field.widget, forms.RadioSelect | forms.CheckboxSelectMultiple)


def _one_sentence(bound: BoundField) -> str:
    return " ".join(
        # "This field is required", five times over, tells nobody which.
        _("Not answered yet: %(question)s") % {"question": bound.label}
        if error.code == "required" and error.message == forms.Field.default_error_messages["required"]
        else " ".join(error.messages)
        for error in bound.errors.as_data()
    )


def _native(widget: forms.Widget, form_field: forms.Field) -> forms.Widget:
    """The widget as browsers serve it best: their own date pickers, and numbers typed as text."""
    pickers = {
        forms.DateTimeInput: ("datetime-local", "%Y-%m-%dT%H:%M"),
        forms.DateInput: ("date", "%Y-%m-%d"),
        forms.TimeInput: ("time", "%H:%M"),
    }
    native = copy(widget)
    # A placeholder looks like an answer and is gone when one needs it.
    native.attrs = {name: value for name, value in widget.attrs.items() if name != "placeholder"}
    if type(widget) in pickers:
        native.input_type, native.format = pickers[type(widget)]
    elif isinstance(widget, forms.NumberInput):
        # type=number changes under a scrolling finger and hides what it cannot parse ("37,8").
        native.input_type = "text"
        kept = {name: value for name, value in native.attrs.items() if name not in ("min", "max", "step")}
        whole = isinstance(form_field, forms.IntegerField) and not isinstance(
            form_field, forms.FloatField | forms.DecimalField
        )
        native.attrs = {"inputmode": "numeric" if whole else "decimal", "autocomplete": "off", **kept}
    return native


# The strip and its shapes


@register.inclusion_tag("components/strip.html")
def strip(
    marks: Iterable[StripMark],
    threshold: float | None = None,
    *,
    small: bool = False,
    unit: str = "C",
    today: date | None = None,
) -> dict[str, object]:
    """The strip of a follow-up. `threshold` in degrees Celsius; `unit` is that of the table behind it. With `today` it
    is large, seven days in a row, and each day has its date below it."""
    marks = list(marks)
    row = in_a_row(marks, threshold) if small else None
    large = by_date if today is not None else by_week
    panels = ([row] if row else []) if small else large(marks, threshold)
    several = len({zero for mark in marks for zero, _count in mark.counts}) > 1
    return {
        "panels": [
            {
                "panel": panel,
                "shapes": by_kind(panel.shapes) if small else panel.shapes,
                "told": _told(panel.marks),
                "counts": _counted(panel.marks, several),
                "dates": _dates(panel) if today is not None else [],
            }
            for panel in panels
        ],
        "small": small,
        "today": today,
        "dated": any(mark.on for mark in marks),
        "rows": [
            {
                "mark": mark,
                "counts": _counted([mark], several),
                "temperature": degrees(_in_unit(mark.value_celsius, unit), unit),
            }
            for mark in (() if small else marks)
        ],
    }


def _dates(panel: Panel) -> list[date | None]:
    """The date of each of the days in a row; None beyond the last that has a mark."""
    first = panel.marks[0]
    if first.on is None:
        return []
    days = range(panel.start, panel.start + DAYS_IN_PANEL)
    return [first.on + timedelta(days=day - first.day) if day <= panel.last_day else None for day in days]


def _counted(marks: Iterable[StripMark], several: bool) -> str:
    """Which days of which exposure the marks lie in: "day 3", "days 8 to 14 after 2 March; days 0 to 5 after ..."."""
    days: dict[date, list[int]] = {}
    for mark in marks:
        for zero, count in mark.counts:
            days.setdefault(zero, []).append(count)
    return "; ".join(_days_after(zero, counts, several) for zero, counts in days.items())


def _days_after(zero: date, counts: list[int], several: bool) -> str:
    said = {"first": min(counts), "last": max(counts), "date": date_format(zero, day_and_month())}
    if len(set(counts)) == 1:
        return (_("day %(first)s after %(date)s") if several else _("day %(first)s")) % said
    return (
        _("days %(first)s to %(last)s after %(date)s") if several else _("days %(first)s to %(last)s")
    ) % said


def day_and_month() -> str:
    """How a date without its year is written."""
    return pgettext("date format: 25 November", "j F")


@register.inclusion_tag("components/chip.html")
def chip(kind: str, words: str = "") -> dict[str, object]:
    return {"kind": kind, "shapes": glyph(kind), "words": words or STATE_WORDS[kind]}


@register.inclusion_tag("components/strip_legend.html")
def strip_legend() -> dict[str, object]:
    return {"kinds": list(STATE_WORDS)}


def _in_unit(celsius: float | None, unit: str) -> float | None:
    return celsius * 9 / 5 + 32 if celsius is not None and unit == "F" else celsius


def _told(marks: Iterable[StripMark]) -> str:
    """What the marks show, in words: how many of each state, and of alerts."""
    counts: dict[str, int] = {}
    for mark in marks:
        counts[mark.state] = counts.get(mark.state, 0) + 1
        if mark.alert:
            counts["alert"] = counts.get("alert", 0) + 1
    told = [
        _("%(state)s: %(count)s") % {"state": words, "count": counts[kind]}
        for kind, words in STATE_WORDS.items()
        if kind in counts
    ]
    return "; ".join(told)
