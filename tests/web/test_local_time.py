"""Times as people type them, in the nights in which clocks change. In the European Union summer time ends and begins at
01:00 UTC on the last Sunday of October and of March (Directive 2000/84/EC): in Lisbon the clock shows 01:00 to 02:00
twice in autumn and never in spring. The two nights asked here, 25 October and 29 March 2026, are such Sundays."""

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils import timezone

from exposure.web.local_time import LocalTimeField, instant_of
from exposure.web.nurse import case_forms
from exposure.web.nurse import forms as nurse_forms
from exposure.web.worker import forms as worker_forms

LISBON = ZoneInfo("Europe/Lisbon")
FIRST = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)  # 01:30 in summer time, an hour ahead of UTC
SECOND = datetime(2026, 10, 25, 1, 30, tzinfo=UTC)  # 01:30 in winter time
TWICE = "2026-10-25T01:30"


class Form(forms.Form):
    when = LocalTimeField(label="When?")


@pytest.fixture(autouse=True)
def _in_lisbon():
    with timezone.override(LISBON):
        yield


def sent(**fields):
    data = QueryDict(mutable=True)
    data.update(fields)
    return Form(data)


def offered(form):
    """Value -> words of the two that are offered."""
    html = str(form["when"])
    values = re.findall(r'type="radio" name="when_which" id="([^"]+)" value="([^"]+)"', html)
    labels = dict(re.findall(r'<label for="([^"]+)">\s*([^<]*?)\s*</label>', html))
    return {value: labels[identity] for identity, value in values}


@pytest.mark.parametrize(
    ("typed", "instant"),
    [
        ("2026-10-25T00:59", datetime(2026, 10, 24, 23, 59, tzinfo=UTC)),
        ("2026-10-25T02:00", datetime(2026, 10, 25, 2, 0, tzinfo=UTC)),
        ("2026-03-29T00:59", datetime(2026, 3, 29, 0, 59, tzinfo=UTC)),
        ("2026-03-29T02:00", datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        ("2026-07-01 12:00", datetime(2026, 7, 1, 11, 0, tzinfo=UTC)),
    ],
)
def test_a_time_that_comes_once_is_that_instant(typed, instant):
    form = sent(when=typed)
    assert form.is_valid(), form.errors
    assert form.cleaned_data["when"] == instant
    assert offered(form) == {}


@pytest.mark.parametrize("typed", ["2026-10-25T01:00", TWICE, "2026-10-25T01:59"])
def test_a_time_that_comes_twice_is_offered_as_both_with_the_zone(typed):
    form = sent(when=typed)
    assert not form.is_valid()
    assert "came twice that night" in form.errors["when"][0]
    clock = typed[-5:]
    assert list(offered(form).values()) == [
        f"The first {clock}, before they went back (WEST)",
        f"The second {clock}, after they went back (WET)",
    ]
    assert f'value="{typed}"' in str(form["when"])  # what was typed stays


@pytest.mark.parametrize(("place", "instant"), [(0, FIRST), (1, SECOND)])
def test_the_one_that_is_chosen_is_taken_and_stays_chosen(place, instant):
    chosen = list(offered(sent(when=TWICE)))[place]
    form = sent(when=TWICE, when_which=chosen)
    assert form.is_valid(), form.errors
    assert form.cleaned_data["when"] == instant
    assert re.search(rf'value="{re.escape(chosen)}" checked', str(form["when"]))


def test_a_choice_does_not_outlive_a_change_of_the_time():
    stale = next(iter(offered(sent(when=TWICE))))
    form = sent(when="2026-10-25T03:00", when_which=stale)
    assert form.is_valid()
    assert form.cleaned_data["when"] == datetime(2026, 10, 25, 3, 0, tzinfo=UTC)


def test_a_time_that_begins_as_one_of_the_two_begins_chosen():
    html = str(Form(initial={"when": SECOND})["when"])
    assert f'value="{TWICE}"' in html
    assert re.findall(r'value="([^"]+)" checked', html) == ["2026-10-25T01:30:00+00:00"]


@pytest.mark.parametrize(("typed", "instead"), [("2026-03-29T01:00", "02:00"), ("2026-03-29T01:59", "02:59")])
def test_a_time_that_the_clock_skips_is_said_so_with_what_to_give(typed, instead):
    form = sent(when=typed)
    assert form.errors["when"] == [
        f"There was no {typed[-5:]} on that day in Europe/Lisbon: the clocks went forward. Give the time as the clock "
        f"showed it, such as {instead}."
    ]
    assert typed in str(form["when"])


@pytest.mark.parametrize("typed", ["", "yesterday", "2026-02-30T10:00", "\0", "2026-10-25T25:00"])
def test_what_is_no_time_is_refused_as_ever(typed):
    assert sent(when=typed).errors["when"]


def test_a_zone_that_moves_by_half_an_hour_has_its_own_hour():
    # Lord Howe Island goes back by 30 minutes: 01:30 to 02:00 comes twice (IANA zone database).
    zone = ZoneInfo("Australia/Lord_Howe")
    with pytest.raises(ValidationError, match="came twice"):
        instant_of("2026-04-05T01:45", zone)
    assert instant_of("2026-04-05T01:15", zone) == datetime(2026, 4, 4, 14, 15, tzinfo=UTC)


def test_every_form_that_asks_for_a_time_asks_with_this_field():
    """By construction: no other date-and-time field or control in the forms of worker and nurse."""
    for module in (nurse_forms, case_forms, worker_forms):
        for form in vars(module).values():
            if not (isinstance(form, type) and issubclass(form, forms.BaseForm)):
                continue
            for name, field in getattr(form, "base_fields", {}).items():
                plain = type(field) is forms.DateTimeField or type(field.widget) is forms.DateTimeInput
                assert not plain, f"{form.__name__}.{name}"
