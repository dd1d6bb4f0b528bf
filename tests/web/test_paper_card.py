"""The paper card: a box for every reading to come, no disease, and each line judged as any other reading."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.followup.models import Fill, Reading
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, log

pytestmark = pytest.mark.database
THURSDAY = MONDAY + timedelta(days=3)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


@pytest.fixture
def opened(cast, client, standing_clock, follow_up):
    def at(name, when=THURSDAY, who=cast.nurse, data=None):
        standing_clock(when)
        client.force_login(who)
        address = reverse(name, args=[cast.worker.uid])
        return client.post(address, data) if data is not None else client.get(address)

    return at


def lines(page):
    """Prefix of each line of the form -> its hidden id."""
    pattern = r'name="(line-[0-9a-f-]+)-submission_id" value="([0-9a-f-]+)"'
    return dict(re.findall(pattern, page.content.decode()))


def filled(page, *values):
    """What is sent when the first lines hold these temperatures, and the others nothing."""
    data = {}
    for place, (prefix, uid) in enumerate(lines(page).items()):
        value = values[place] if place < len(values) else ""
        taken = re.search(rf'name="{prefix}-taken_at" value="([^"]+)"', page.content.decode()).group(1)
        data |= {f"{prefix}-submission_id": uid, f"{prefix}-taken_at": taken, f"{prefix}-temperature": value}
        data |= {f"{prefix}-unit": "C", f"{prefix}-method": "oral" if value else ""}
    return data


def test_the_card_has_a_box_for_every_reading_to_come_and_the_numbers_and_no_disease(cast, opened, follow_up):
    text = opened("person_card").content.decode()
    to_come = follow_up.checks.filter(withdrawn_at=None, closes_at__gt=THURSDAY).count()
    assert to_come > 30
    assert text.count('<th scope="row">') == to_come
    for number in (cast.site.phone, cast.site.emergency_phone):
        assert f'href="tel:{re.sub(r"[^0-9+]", "", number)}"' in text
    for said in ("Wim Alder", "38.0"):
        assert said in text
    for word in ("ebola", "virus", "fever virus", "exposure to"):
        assert word not in re.sub(r"<head>.*</head>", "", text, flags=re.S).lower()


def test_the_card_is_in_the_workers_language(cast, opened):
    with doing(cast.nurse):
        cast.worker.language = "fr"
        cast.worker.save()
    assert "Appelez tout de suite" in opened("person_card").content.decode()


def test_what_stands_on_the_card_is_entered_line_by_line_and_empty_lines_are_nothing(cast, opened, follow_up):
    page = opened("person_card_entry")
    assert len(lines(page)) == follow_up.checks.filter(opens_at__lte=THURSDAY).count() > 4
    answer = opened("person_card_entry", data=filled(page, "36.6", "36.9", "", "37.1"))
    assert (answer.status_code, Reading.objects.count()) == (302, 3)
    first = follow_up.checks.order_by("opens_at")
    assert [Fill.objects.filter(check_row=check).count() for check in first[:4]] == [1, 1, 0, 1]
    assert {reading.entered_by for reading in Reading.objects.all()} == {cast.nurse}
    assert len(lines(opened("person_card_entry"))) == len(lines(page)) - 3


def test_a_fever_on_the_card_raises_its_alert(cast, opened):
    answer = opened("person_card_entry", data=filled(opened("person_card_entry"), "36.6", "38.4"))
    assert answer.status_code == 302
    assert Alert.objects.get(cause="fever").closed_at is None
    page = opened("person").content.decode()
    assert "An alert is raised" in page


def test_a_line_that_is_refused_stays_with_its_reason_and_the_others_are_kept_once(cast, opened):
    page = opened("person_card_entry")
    data = filled(page, "36.6", "96", "36.8")
    answer = opened("person_card_entry", data=data)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert len(lines(answer)) == 1
    assert 'value="96"' in text
    assert "2 readings recorded." in text
    assert Reading.objects.count() == 2
    opened("person_card_entry", data=data)
    assert Reading.objects.count() == 2, "the same lines sent again are the same readings"


def test_whoever_may_not_enter_readings_finds_no_card(cast, opened):
    for who in (cast.observer, cast.lead, cast.worker.user, cast.outsider):
        assert opened("person_card_entry", who=who).status_code in (403, 404)
        assert opened("person_card", who=who).status_code in (403, 404)


def test_a_reading_entered_on_the_phone_meanwhile_is_no_line_any_more(cast, opened, follow_up):
    before = len(lines(opened("person_card_entry")))
    log(cast, at=follow_up.checks.filter(opens_at__lte=THURSDAY).last().due_at)
    assert len(lines(opened("person_card_entry"))) == before - 1
