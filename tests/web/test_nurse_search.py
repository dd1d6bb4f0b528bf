"""The nurse's pages: one search over everybody."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.audit.models import AccessEntry
from exposure.people.models import Worker
from exposure.report.models import Case, CaseStatement
from exposure.web.nurse.sought import Entry, Sought, digits_of
from tests.cast import MONDAY, doing
from tests.web.nora import DAY, cleared, report, rows_of, someone, words

WIM = Entry("Wim Alder", "SG-1042", ("+351 900 000 042",))
# What was typed, and by what Wim is found (none: he is not), because.
TYPED = [
    ("alder", ("name",), "a word of the name"),
    ("Alder, Wim", ("name",), "words in any order"),
    ("WIM", ("name",), "without case"),
    ("ald", ("name",), "the beginning of a word"),
    ("lder", ("name",), "the middle of a word"),
    ("Wim Birch", (), "every word must fit"),
    ("l", (), "one letter in the middle of a word would fit half of all"),
    ("w alder", ("name",), "an initial"),
    ("SG-1042", ("number",), "the number"),
    ("sg 1042", ("number",), "the number as it is read aloud"),
    ("SG1042", ("number",), "the number in one"),
    ("1042", ("number",), "a part of the number"),
    ("+351 900 000 042", ("telephone",), "as it is stored"),
    ("00351900000042", ("telephone",), "with zeros for the plus"),
    ("900-000-042", ("telephone",), "without the country"),
    ("0900 000042", ("telephone",), "with the zero before the area"),
    ("+351 (0)900 000 042", ("telephone",), "with the zero that is only dialled inside the country"),
    ("000 042", ("number", "telephone"), "parts of both"),
    ("00 04", (), "too few digits for either"),
    ("900000042", ("telephone",), "in one"),
    ("900 000 043", (), "another number"),
    ("+49 900 000 042", (), "the number of another country"),
    ("alder 900", ("name", "telephone"), "a word and a part of the number"),
    ("", (), "nothing"),
    ("---", (), "no word"),
]


@pytest.mark.parametrize(("typed", "by", "because"), TYPED, ids=[because for *_case, because in TYPED])
def test_what_was_typed_fits_or_not(typed, by, because):
    fit = Sought(typed).fit(WIM)
    assert (fit[1] if fit else ()) == by, because


@pytest.mark.parametrize(
    ("name", "typed"),
    [("Zoë Ångström", "zoe angstrom"), ("ΣΟΦΊΑ", "σοφια"), ("Łukasz Nowak", "nowak"), ("李 明", "李")],
)
def test_marks_and_scripts_are_no_obstacle(name, typed):
    assert Sought(typed).fit(Entry(name, "", ()))


def test_a_number_stored_without_its_country_is_found_with_it():
    assert digits_of("0900 000 042") == "900000042"
    assert Sought("+351 900 000 042").fit(Entry("", "", ("0900 000 042",)))


def test_digits_of_other_scripts_are_digits():
    assert Sought("٩٠٠ ٠٠٠ ٠٤٢").fit(WIM)[1] == ("telephone",)


def names_of(response):
    return [row.partition(" SG-")[0].partition(" no number")[0] for row in rows_of(response)]


@pytest.mark.database
def test_whoever_was_never_followed_up_is_found_and_their_page_opens(cast, nurse):
    someone(cast)
    found = nurse.open("search", find="marl tess")
    assert "never followed up here" in rows_of(found)[0]
    assert "Found by" in found.content.decode()
    person = words(nurse.open("person", Worker.objects.get(number="SG-2000").uid))
    for offered in ("Record an exposure without a report", "Report a breach", "Enter a reading"):
        assert offered in person


@pytest.mark.database
def test_whoever_was_cleared_long_ago_is_found_with_the_day(cast, nurse):
    cleared(cast)
    [row] = rows_of(nurse.open("search", at=MONDAY + 400 * DAY, find="alder"))
    assert "Ebola, cleared Monday 23 March 2026" in row


@pytest.mark.database
def test_a_reference_and_the_code_of_a_case_lead_to_the_people(cast, nurse):
    breach = report(cast, case=cast.case.code)
    for typed in (breach.reference, breach.reference.lower().replace("-", " "), breach.reference[:4]):
        [row] = rows_of(nurse.open("search", find=typed))
        assert f"report {breach.reference}" in row
    [row] = rows_of(nurse.open("search", find=cast.case.code.lower()))
    assert f"case {cast.case.code}" in row
    assert "Ebola, day 0 of 21" in row


@pytest.mark.database
def test_what_is_another_sites_is_not_found(cast, client, standing_clock, nurse):
    breach = report(cast, case=cast.case.code)
    nurse.sign_in(cast.outsider)
    for typed in ("alder", "SG-1042", "900 000 042", breach.reference, cast.case.code):
        assert rows_of(nurse.open("search", find=typed)) == []
    with doing("command:tests"):
        case = Case.objects.create(code="FQ-1", site=cast.other_site, station=cast.station, opened_at=MONDAY)
        CaseStatement.objects.create(case=case, pathogen="ebola", status=CaseStatement.Status.SUSPECTED)
    assert rows_of(nurse.open("search", find="FQ-1")) == []


@pytest.mark.database
def test_nobody_finds_their_own_record(cast, nurse):
    with doing("command:tests"):
        Worker.objects.create(site=cast.site, user=cast.nurse, number="SG-7", name="Nora Teal")
    assert rows_of(nurse.open("search", find="nora teal")) == []


@pytest.mark.database
def test_a_second_entry_of_the_same_person_leads_to_the_first(cast, nurse):
    known = someone(cast)
    with doing("command:tests"):
        Worker.objects.create(site=cast.site, name="Theresa Marl", same_as=known)
    [row] = rows_of(nurse.open("search", find="theresa"))
    assert row.startswith("Tess Marl")


@pytest.mark.database
def test_a_search_is_one_look_per_words_and_hour(cast, nurse):
    for find in ("alder", "alder", "marl"):
        nurse.open("search", find=find)
    nurse.open("search")
    looks = AccessEntry.objects.filter(kind="list").values_list("subject", flat=True)
    assert sorted(looks) == ["search alder", "search marl"]


@pytest.mark.database
def test_fifty_are_shown_and_the_rest_is_counted(cast, nurse):
    with doing("command:tests"):
        for n in range(60):
            Worker.objects.create(site=cast.site, name=f"Marl {n:02}", number=f"M-{n}")
    found = nurse.open("search", find="marl")
    assert len(rows_of(found)) == 50
    assert "60 people fit “marl”. Only 50 are shown" in words(found)


@pytest.mark.database
def test_two_and_forty_found_take_the_same_number_of_statements(cast, nurse):
    report(cast)
    nurse.open("search", find="marl")

    def statements():
        with CaptureQueriesContext(connection) as taken:
            nurse.open("search", find="marl")
        return len(taken)

    with doing("command:tests"):
        Worker.objects.create(site=cast.site, name="Marl 0")
        few = statements()
        for n in range(1, 40):
            Worker.objects.create(site=cast.site, name=f"Marl {n:02}", number=f"M-{n}")
    assert statements() == few


@pytest.mark.database
@pytest.mark.parametrize("typed", ["\udcff", "%", "_", "' OR 1=1 --", "a" * 500])
def test_whatever_is_typed_is_looked_for(cast, nurse, typed):
    assert nurse.open("search", find=typed.encode("utf-8", "replace").decode()).status_code == 200


@pytest.mark.database
def test_the_field_stands_on_every_page_of_a_clinician_and_on_no_other(cast, nurse):
    for page in ("needs_action", "monitoring", "reports", "cases", "search"):
        assert 'name="find" id="id_search"' in nurse.open(page).content.decode()
    nurse.sign_in(cast.observer)
    assert "id_search" not in nurse.open("my_reports").content.decode()
