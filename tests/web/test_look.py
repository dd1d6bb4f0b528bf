"""What templates are given: the markup of forms, the summary of errors, dates and numbers, the page around them."""

import re
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from django import forms
from django.template import Context, Template
from django.utils import timezone

from exposure.web.templatetags.look import (
    ago,
    clock,
    day,
    degrees,
    dialled,
    ending,
    in_words,
    moment,
    tel,
)

WEB = Path(__file__).resolve().parents[2] / "exposure" / "web"
AT = datetime(2026, 11, 25, 7, 40, tzinfo=UTC)


class Tags(HTMLParser):
    """Every start tag with its attributes, in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def all(self, *names: str) -> list[dict[str, str]]:
        return [attrs for tag, attrs in self.found if tag in names]

    def ids(self) -> set[str]:
        return {attrs["id"] for _, attrs in self.found if attrs.get("id")}


def render(source: str, **context) -> str:
    return Template("{% load look %}" + source).render(Context(context))


# Forms


class Reading(forms.Form):
    taken_at = forms.DateTimeField(label="When was it taken?")
    temperature = forms.DecimalField(label="Temperature", help_text="As shown.", min_value=30)
    method = forms.ChoiceField(
        label="How?", choices=[("oral", "Mouth"), ("ear", "Ear")], widget=forms.RadioSelect
    )
    times = forms.IntegerField(label="How often?", required=False)
    told = forms.BooleanField(label="I have told my ward", required=False)


GIVEN = {"taken_at": "2026-11-25T07:40", "temperature": "36.8", "method": "oral"}


def rendered_field(name, **data):
    form = Reading({**GIVEN, **data})
    return Tags(render("{% field bound %}", bound=form[name]))


def test_a_wrong_field_is_described_by_its_help_then_its_error():
    tags = rendered_field("temperature", temperature="hot")
    control = tags.all("input")[0]
    assert control["aria-invalid"] == "true"
    assert control["aria-describedby"].split() == ["id_temperature_helptext", "id_temperature_error"]
    assert set(control["aria-describedby"].split()) <= tags.ids()
    assert tags.all("label")[0]["for"] == control["id"]


def test_a_right_field_carries_no_sign_of_error():
    tags = rendered_field("temperature")
    assert "aria-invalid" not in tags.all("input")[0]
    assert "id_temperature_error" not in tags.ids()


@pytest.mark.parametrize(("name", "keyboard"), [("temperature", "decimal"), ("times", "numeric")])
def test_a_number_is_typed_as_text_with_a_number_keyboard(name, keyboard):
    control = rendered_field(name).all("input")[0]
    assert (control["type"], control["inputmode"]) == ("text", keyboard)
    assert not {"min", "max", "step"} & set(control)


def test_an_instant_gets_the_browsers_own_picker_in_its_format():
    # HTML Living Standard, "local date and time": YYYY-MM-DDTHH:MM.
    with timezone.override(ZoneInfo("Europe/Paris")):
        form = Reading(initial={"taken_at": AT})
        control = Tags(render("{% field bound %}", bound=form["taken_at"])).all("input")[0]
    assert (control["type"], control["value"]) == ("datetime-local", "2026-11-25T08:40")


def test_what_was_typed_is_kept_beside_its_error():
    assert rendered_field("taken_at", taken_at="yesterday").all("input")[0]["value"] == "yesterday"


def test_choices_are_a_group_with_a_legend_and_a_label_for_each():
    tags = rendered_field("method", method="")
    assert tags.all("fieldset")[0]["aria-describedby"] == "id_method_error"
    assert len(tags.all("legend")) == 1
    assert [label["for"] for label in tags.all("label")] == [control["id"] for control in tags.all("input")]


def test_a_single_question_can_be_the_heading_of_its_page():
    html = render("{% field bound heading=True %}", bound=Reading()["method"])
    assert "<legend><h1>How?</h1>" in html


def test_what_may_be_left_out_says_so():
    assert "(optional)" in render("{% field bound %}", bound=Reading()["times"])
    assert "(optional)" not in render("{% field bound %}", bound=Reading()["temperature"])


def summary(**data):
    form = Reading({**GIVEN, **data})
    return form, render("{% error_summary form %}", form=form)


@pytest.mark.parametrize(
    ("data", "heading"),
    [
        ({"method": ""}, "Not sent yet: one answer to look at"),
        ({"method": "", "temperature": "hot"}, "Not sent yet: two answers to look at"),
    ],
)
def test_the_summary_counts_in_words(data, heading):
    assert heading in summary(**data)[1]


def test_the_summary_links_to_controls_in_page_order():
    form, html = summary(method="", temperature="hot")
    links = [a["href"].removeprefix("#") for a in Tags(html).all("a")]
    page = Tags(render("{% for f in form %}{% field f %}{% endfor %}", form=form))
    assert links == ["id_temperature", "id_method_0"]
    assert set(links) <= {control["id"] for control in page.all("input")}


def test_the_summary_and_the_field_use_the_same_words_and_name_the_question():
    form, html = summary(method="")
    assert "Not answered yet: How?" in html
    assert "Not answered yet: How?" in render("{% field bound %}", bound=form["method"])


def test_an_error_of_the_whole_form_stands_in_the_summary_without_a_link():
    form = Reading(GIVEN)
    form.add_error(None, "These two do not fit together.")
    html = render("{% error_summary form %}", form=form)
    assert "These two do not fit together." in html
    assert not Tags(html).all("a")


def test_errors_of_a_formset_are_counted_with_those_of_its_forms():
    data = {"form-TOTAL_FORMS": "2", "form-INITIAL_FORMS": "2"}
    data |= {f"form-{place}-{name}": value for place in (0, 1) for name, value in GIVEN.items()}
    several = forms.formset_factory(Reading, extra=0)(data | {"form-1-method": "none"})
    html = render("{% error_summary several %}", several=several)
    assert "one answer" in html
    assert Tags(html).all("a")[0]["href"] == "#id_form-1-method_0"


def test_without_a_mistake_there_is_no_summary():
    assert summary()[1].strip() == ""


@pytest.mark.parametrize(("count", "words"), [(1, "one"), (2, "two"), (12, "twelve"), (13, "13")])
def test_small_numbers_are_words_and_larger_ones_digits(count, words):
    assert in_words(count) == words


PAGE = '{% extends "base.html" %}{% block title %}Reading{% endblock %}{% block main %}<h1>Reading</h1>{% endblock %}'


@pytest.mark.parametrize("context", [{"has_errors": True}, {"form": Reading({})}])
def test_the_title_says_first_that_it_failed(context):
    html = Template(PAGE).render(Context(context))
    assert re.search(r"<title>\s*Error: Reading · Follow-up</title>", html)


def test_the_title_of_a_page_without_errors_is_its_name():
    html = Template(PAGE).render(Context({"form": Reading(GIVEN)}))
    assert "<title>Reading · Follow-up</title>" in html


def test_every_page_carries_the_caution_and_the_number_to_ring():
    html = Template(PAGE).render(Context({"site_number": "+44 20 7946 0321"}))
    assert "Local protocol and the licensed clinician decide." in html
    assert 'href="tel:+442079460321"' in html


# Dates and numbers


def test_an_instant_is_written_in_the_active_zone_with_the_machine_time_beside_it():
    with timezone.override(ZoneInfo("Europe/Paris")):
        assert moment(AT) == '<time datetime="2026-11-25T08:40:00+01:00">Wed 25 Nov 2026, 08:40</time>'
        assert clock(AT) == '<time datetime="2026-11-25T08:40:00+01:00">08:40</time>'


def test_the_day_of_an_instant_is_its_local_date():
    late = datetime(2026, 11, 25, 23, 30, tzinfo=UTC)
    with timezone.override(ZoneInfo("Europe/Paris")):
        assert day(late) == day(date(2026, 11, 26))
        assert "Thursday 26 November 2026" in day(late)


@pytest.mark.parametrize(
    ("before", "words"),
    [
        (timedelta(seconds=59), "just now"),
        (timedelta(minutes=1), "1 min ago"),
        (timedelta(hours=2, minutes=5, seconds=59), "2 h 5 min ago"),
        (timedelta(hours=47, minutes=59), "47 h 59 min ago"),
        (timedelta(hours=48), "2 days ago"),
        (-timedelta(minutes=12), "in 12 min"),
    ],
)
def test_a_distance_in_time_is_rounded_down_to_whole_minutes(before, words):
    assert f">{words}</time>" in ago(AT - before, AT)


@pytest.mark.parametrize(("value", "shown"), [("37.96", "37.96"), ("38.00", "38.0"), ("38.4", "38.4")])
def test_a_temperature_is_never_rounded_up_to_a_fever(value, shown):
    assert degrees(Decimal(value)) == f"{shown}\u00a0°C"


def test_what_is_unknown_is_written_as_nothing():
    assert [moment(None), clock(None), day(None), ago(None, AT), degrees(None), tel(None)] == [""] * 6


def test_a_telephone_dials_digits_whatever_is_printed():
    assert dialled("+44 (0)20 7946-0321") == "+4402079460321"


# Templates as files


@pytest.mark.parametrize(
    ("zone", "instant", "words"),
    [
        ("Europe/Lisbon", datetime(2026, 12, 12, tzinfo=UTC), "Fri 11 Dec 2026, midnight"),
        ("Africa/Kampala", datetime(2026, 12, 11, 21, tzinfo=UTC), "Fri 11 Dec 2026, midnight"),
        ("Africa/Kampala", datetime(2026, 12, 12, tzinfo=UTC), "Sat 12 Dec 2026, 03:00"),
        ("Europe/Lisbon", datetime(2026, 12, 12, 0, 1, tzinfo=UTC), "Sat 12 Dec 2026, 00:01"),
        ("Europe/Lisbon", datetime(2027, 1, 1, tzinfo=UTC), "Thu 31 Dec 2026, midnight"),
        # Cairo skips the midnight of 24 April 2026 (IANA time zone database): that day begins at 01:00.
        ("Africa/Cairo", datetime(2026, 4, 23, 22, tzinfo=UTC), "Fri 24 Apr 2026, 01:00"),
    ],
)
def test_what_ends_with_a_day_is_told_by_that_day(zone, instant, words):
    with timezone.override(ZoneInfo(zone)):
        assert (
            ending(instant)
            == f'<time datetime="{instant.astimezone(ZoneInfo(zone)).isoformat()}">{words}</time>'
        )
    assert ending(None) == ""


@pytest.mark.parametrize("path", sorted((WEB / "templates").rglob("*.html")), ids=lambda p: p.name)
def test_no_template_needs_inline_script_or_style(path):
    # Content Security Policy level 3: a policy without 'unsafe-inline' blocks all of these.
    # A block of data is no script (HTML, "data block").
    inline = r"<style|\sstyle=|\son[a-z]+=|<script(?![^>]*(?:\bsrc=|type=.application/json))"
    assert not re.findall(inline, path.read_text())


def test_every_module_that_a_template_names_is_attached():
    named = {
        name
        for path in (WEB / "templates").rglob("*.html")
        for value in re.findall(r'data-module="([^"{]+)"', path.read_text())
        for name in value.split()
    }
    script = (WEB / "static/js/page.js").read_text()
    assert {"banner", "error-summary"} <= named
    assert all(re.search(rf'\b{name}\b"?[,: ]', script) for name in named)
