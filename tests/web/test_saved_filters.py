"""The monitoring list by groups, and lists that a clinician saves for themselves."""

import re
from html import unescape

import pytest
from django.urls import reverse

from exposure.people.desk_models import SavedFilter
from exposure.people.saved_filters import MOST
from exposure.pipeline import expose
from exposure.places.models import Station
from tests.cast import MONDAY, doing
from tests.web.isolation import without_isolation
from tests.web.nora import DAY, HOUR, confirmed, measure, report, someone, words

pytestmark = pytest.mark.database
EVENING = MONDAY + 10 * HOUR


@pytest.fixture
def three(cast, nurse):
    """Wim of Heron with a fever; Ann, exposed elsewhere; Bea of Heron, well: by badness Wim, then the others."""
    confirmed(cast, report(cast))
    bea = someone(cast, "Bea Birch", "SG-2")
    confirmed(cast, report(cast, worker=bea.number))
    with doing(cast.nurse):
        said = {"pathogen": "ebola", "tier": "high", "occurred_at": MONDAY - DAY, "told": "phone"}
        expose.record_exposure(worker=someone(cast, "Ann Aspen", "SG-1"), by=cast.nurse, at=MONDAY, **said)
    measure(cast, EVENING, "38.4")
    return nurse


def lines(page):
    """The lines of the list as they are read, headings too."""
    body = without_isolation(page.content.decode()).partition("<thead>")[2].partition("</table>")[0]
    lines = body.partition("</thead>")[2].split("<tr")[1:]
    return [" ".join(unescape(re.sub(r"<[^>]+>", " ", "<tr" + line)).split()) for line in lines]


def send(nurse, page, *args, **fields):
    nurse.clock(EVENING)
    return nurse.client.post(reverse(page, args=args), fields, follow=True)


def starts(page, *said):
    rows = lines(page)
    assert len(rows) == len(said), rows
    assert all(row.startswith(start) for row, start in zip(rows, said, strict=True)), rows


def test_groups_have_their_count_and_the_worst_group_and_person_first(three):
    page = three.open("monitoring", at=EVENING, group="station")
    starts(page, "Heron 2", "Wim Alder", "Bea Birch", "No station: exposed elsewhere 1", "Ann Aspen")


@pytest.mark.parametrize(
    ("by", "said"),
    [
        ("site", ["Saltmarsh 3", "Wim", "", ""]),
        ("tier", ["High-risk exposure 3", "Wim", "", ""]),
        ("event", ["No event of several 3", "Wim", "", ""]),
        ("day", ["Day 1 1", "Ann", "Day 0 2", "Wim", "Bea"]),
    ],
)
def test_everybody_stands_once_whatever_the_list_is_grouped_by(three, by, said):
    starts(three.open("monitoring", at=EVENING, group=by), *said)


def test_a_closed_group_keeps_its_heading_and_its_count_and_can_be_opened(three, cast):
    heron = cast.station.code
    page = three.open("monitoring", at=EVENING, group="station", closed=heron)
    starts(page, "Heron 2", "No station: exposed elsewhere 1", "Ann Aspen")
    text = page.content.decode()
    assert 'href="?group=station#group-heron" aria-expanded="false"' in text
    assert f'href="?group=station&amp;closed=-&amp;closed={heron}#group--" aria-expanded="true"' in text
    starts(
        three.open("monitoring", at=EVENING, group="station", closed=[heron, "-"]), "Heron 2", "No station"
    )


def test_a_group_that_reaches_over_a_page_has_its_heading_on_both(three, monkeypatch):
    monkeypatch.setattr("exposure.web.nurse.monitoring.ON_A_PAGE", 2)
    starts(three.open("monitoring", at=EVENING, group="site"), "Saltmarsh 3", "Wim", "")
    starts(three.open("monitoring", at=EVENING, group="site", page=2), "Saltmarsh 3", "")
    closed = {"group": "station", "closed": "-", "at": EVENING}
    starts(three.open("monitoring", **closed), "Heron 2", "Wim", "Bea", "No station: exposed elsewhere 1")


def test_the_filters_are_a_sentence(three, cast):
    said = words(three.open("monitoring", at=EVENING, cause="fever", station=cast.station.code, day="1"))
    assert "1 of 3: with a fever, Station Heron, Day 0–7." in said


def test_a_list_is_saved_opened_and_saved_anew_under_its_name(three, cast):
    answer = send(
        three, "saved_filters", name="  Night  round ", chosen="station=heron&group=tier&page=3&x=1"
    )
    address = f"{reverse('monitoring')}?station=heron&group=tier"
    assert answer.redirect_chain == [(address, 302)]
    page = three.client.get(address).content.decode()
    assert ">\u2068Night round\u2069</a>" in page
    assert "Save this list" not in page
    send(three, "saved_filters", name="NIGHT ROUND", chosen="cause=fever")
    saved = SavedFilter.objects.get()
    assert (saved.name, saved.chosen) == ("NIGHT ROUND", {"cause": "fever"})
    assert [one.name for one in saved.history.order_by("pk")] == ["Night round", "NIGHT ROUND"]


def test_it_is_renamed_and_removed_and_stays_in_the_history(three):
    for name in ("Days", "Nights"):
        send(three, "saved_filters", name=name, chosen="group=day")
    row = SavedFilter.objects.get(name="Days")
    assert "another filter of this name" in words(send(three, "rename_filter", row.uid, name="nights"))
    send(three, "rename_filter", row.uid, name="Long days")
    send(three, "remove_filter", row.uid)
    assert "Long days" not in words(three.open("saved_filters"))
    assert send(three, "remove_filter", row.uid).status_code == 404
    assert row.history.count() == 3


def test_nobody_else_sees_or_changes_it(three, cast):
    send(three, "saved_filters", name="Mine alone", chosen="group=day")
    uid = SavedFilter.objects.get().uid
    three.sign_in(cast.nurse2)
    for page in ("monitoring", "saved_filters"):
        assert "Mine alone" not in words(three.open(page))
    assert three.open("rename_filter", uid).status_code == 404
    assert send(three, "rename_filter", uid, name="Taken").status_code == 404
    assert send(three, "remove_filter", uid).status_code == 404
    assert SavedFilter.objects.get().name == "Mine alone"


@pytest.mark.parametrize("name", ["", " \t ", "x" * 61])
def test_a_name_that_is_none_is_asked_again_and_the_choice_stays(three, name):
    answer = send(three, "saved_filters", name=name, chosen="group=day")
    assert answer.status_code == 422
    assert 'value="group=day"' in answer.content.decode()
    assert not SavedFilter.objects.exists()


def test_more_than_can_be_found_again_are_not_saved(three):
    for number in range(MOST):
        send(three, "saved_filters", name=f"List {number}", chosen="group=day")
    assert "Remove one first" in words(send(three, "saved_filters", name="One more", chosen="group=day"))
    assert send(three, "saved_filters", name="List 3", chosen="group=tier").status_code == 200


def test_one_whose_station_nobody_was_exposed_at_or_is_gone_opens_and_says_so(three, cast):
    with doing("command:tests"):
        Station.objects.create(site=cast.site, code="lapwing", name="Lapwing")
        Station.objects.create(site=cast.other_site, code="plover", name="Plover")
    said = words(three.open("monitoring", at=EVENING, station="lapwing"))
    assert "Nobody who is followed up now was exposed at Lapwing. Was it closed or renamed?" in said
    for code in ("heath", "plover"):  # of another site no more is said than of none
        said = words(three.open("monitoring", at=EVENING, station=code))
        assert f"No station of yours is called {code}" in said
        assert "Plover" not in said


@pytest.mark.parametrize("name", ["site", "station", "pathogen", "tier", "state", "day", "cause", "group"])
@pytest.mark.parametrize("value", ["nobody", "x:y:z", "-", "9" * 500])
def test_whatever_stands_in_the_address_the_list_opens(three, name, value):
    assert three.open("monitoring", at=EVENING, **{name: value}).status_code == 200
