"""A contact list or duty roster of a case, as a file or as text: shown first, mended, recorded once."""

import csv
import re
from datetime import timedelta
from html import unescape

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.followup.models import Exposure, FollowUp
from exposure.people.models import Role, Worker
from exposure.pipeline import link
from exposure.pipeline.report import state_case
from exposure.record import acting
from tests.cast import MONDAY, PASSWORD, adopt, doing
from tests.walk import newest_statement, report
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database
HEAD = "number,name,phone,employer,last_contact,tier,note\n"
LIST = (
    HEAD
    + "SG-1042,,,,2026-03-01 22:30,high,Night shift\n,Ines Reed,+351 900 000 077,Brightwell,2026-03-01,,\n"
)


@pytest.fixture
def nurse(cast, client, standing_clock):
    standing_clock(MONDAY + timedelta(hours=1))
    client.force_login(cast.nurse)
    return client


def address(cast):
    return f"/cases/{cast.case.uid}/contact-list/"


def given(text=LIST, **changes):
    return {"source": "contact_list", "pathogen": "ebola", "tier": "ebola:high", "text": text, **changes}


def words(answer):
    return " ".join(unescape(without_isolation(answer.content.decode())).split())


def preview(client, cast, text=LIST, **changes):
    return client.post(address(cast), given(text, **changes))


def sent_again(answer):
    """What the button of the preview sends: the hidden fields of its form, as a browser would send them."""
    form = (
        answer.content.decode()
        .partition('<form class="form" method="post" novalidate>')[2]
        .partition("</form>")[0]
    )
    hidden = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form)
    assert 'name="record"' in form
    return {**{name: unescape(value) for name, value in hidden}, "record": "yes"}


def complaints(answer):
    return [mistake.words for mistake in answer.context["mistakes"]]


def test_the_page_of_a_case_leads_to_it_and_it_says_how_a_list_is_written(cast, nurse):
    assert address(cast) in words(nurse.get(f"/cases/{cast.case.uid}/"))
    shown = words(nurse.get(address(cast)))
    assert "<code>high</code> High-risk exposure" in shown
    assert "Times of Europe/Lisbon." in shown
    assert ">none: " not in shown  # a tier that asks for no follow-up cannot be chosen


def test_a_preview_shows_every_line_and_stores_nothing(cast, nurse):
    shown = words(preview(nurse, cast))
    for told in (
        "SG-1042 <b>Wim Alder</b>",
        "Sun 1 Mar 2026, 22:30",
        "Sun 22 Mar 2026",
        "High-risk exposure",
        "Night shift",
        "a new follow-up",
        "Ines Reed",
        "a new person and follow-up",
        "Record these 2 people",
    ):
        assert told in shown
    assert not Exposure.objects.exists()
    assert not Worker.objects.filter(name="Ines Reed").exists()


def test_whoever_has_the_telephone_of_somebody_new_is_offered_at_the_line(cast, nurse):
    line = ",W. Alder,900000042,Brightwell Cleaning,2026-03-01,high\n"
    shown = words(preview(nurse, cast, text="number,name,phone,employer,last_contact,tier\n" + line))
    assert "The same telephone:</b> SG-1042 Wim Alder." in shown
    assert "The same telephone" not in words(preview(nurse, cast))


def test_what_was_shown_is_recorded_and_twice_changes_nothing(cast, nurse):
    sent = sent_again(preview(nurse, cast))
    for _time in range(2):
        answer = nurse.post(address(cast), sent, follow=True)
        assert answer.redirect_chain == [(f"/cases/{cast.case.uid}/", 302)]
        assert "2 lines are recorded. Tell each person" in words(answer)
    assert {(one.source, one.case, one.tier) for one in Exposure.objects.all()} == {
        ("contact_list", cast.case, "high")
    }
    assert (FollowUp.objects.count(), Exposure.objects.count()) == (2, 2)
    assert Worker.objects.filter(name="Ines Reed").count() == 1
    linked = words(nurse.get(f"/cases/{cast.case.uid}/"))
    assert "Ines Reed" in linked[linked.index("Who is linked") :]


def test_a_list_that_stands_already_says_so_line_by_line(cast, nurse):
    nurse.post(address(cast), sent_again(preview(nurse, cast)))
    shown = words(preview(nurse, cast, LIST.replace("22:30", "23:00")))
    assert shown.count("stands already: nothing is added") == 1
    assert shown.count("has a follow-up already: joins it") == 1


def test_somebody_who_was_linked_since_is_not_entered_anew_by_the_same_list(cast, nurse):
    text = HEAD + ",Wim A.,,,2026-03-01,high,\n"
    nurse.post(address(cast), sent_again(preview(nurse, cast, text)))
    with doing(cast.nurse):
        typed = Worker.objects.get(name="Wim A.")
        link.link_worker(worker=typed, same_as=cast.worker, by=cast.nurse, at=MONDAY)
    nurse.post(address(cast), sent_again(preview(nurse, cast, text)))
    assert Worker.objects.filter(name="Wim A.").count() == 1
    assert Exposure.objects.count() == 1


def test_a_file_is_read_shown_in_the_field_and_recorded_as_a_roster(cast, nurse):
    text = "\ufeff" + LIST.replace(",", ";").replace("\n", "\r\n")
    file = SimpleUploadedFile("roster.csv", text.encode(), "text/csv")
    answer = preview(nurse, cast, "", source="roster", file=file)
    assert answer.context["form"]["text"].value().splitlines() == LIST.replace(",", ";").splitlines()
    nurse.post(address(cast), sent_again(answer))
    assert {one.source for one in Exposure.objects.all()} == {"roster"}


@pytest.mark.parametrize(
    ("content", "words_of_error"),
    [
        (LIST.replace("Ines", "Inês").encode("cp1252"), "This file is not in UTF-8."),
        (LIST.encode("utf-16"), "This file is not in UTF-8."),
        (b"x" * (512 * 1024 + 1), "At most 512 KiB at once."),
    ],
)
def test_a_file_that_cannot_be_read_names_the_remedy(cast, nurse, content, words_of_error):
    answer = preview(nurse, cast, "", file=SimpleUploadedFile("list.csv", content))
    assert words_of_error in answer.context["form"].errors["file"][0]


def test_nothing_given_says_so_at_the_field(cast, nurse):
    assert "Paste the list here, or choose a file." in words(preview(nurse, cast, ""))


def test_every_complaint_names_its_line_and_column_at_the_top_and_at_its_cell(cast, nurse):
    text = LIST + "SG-9,,,,yesterday,some,\n,,,,2026-03-01,high,\nSG-1042,,,,2026-03-01,high,,more\n"
    answer = preview(nurse, cast, text)
    assert complaints(answer) == [
        "Line 4, last_contact: Write the last contact as 2026-03-02 or 2026-03-02 14:30.",
        "Line 4, number: Nobody has the number SG-9.",
        "Line 4, tier: Choose one of these tiers: high.",
        "Line 5, name: Give a number or a name.",
        "Line 6: More cells than columns.",
        "Line 6, number: The same person as in line 2. Keep the line with the later contact.",
    ]
    shown = words(answer)
    assert "Nothing is stored yet: six things to mend in the list" in shown
    assert 'href="#line-4"' in shown
    assert re.search(r'<tr id="line-4".*?Nobody has the number SG-9\..*?</tr>', shown)
    assert answer.context["form"]["text"].value() == text
    assert 'name="record"' not in shown
    assert not Exposure.objects.exists()


def test_what_is_recorded_is_looked_at_once_more(cast, nurse):
    answer = nurse.post(address(cast), {**given(HEAD + "SG-9,,,,2026-03-01,high,\n"), "record": "yes"})
    assert complaints(answer) == ["Line 2, number: Nobody has the number SG-9."]
    assert not Exposure.objects.exists()


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("SG-1042,,,,2026-03-02 10:01,high,", "Line 2, last_contact: This time has not come yet."),
        ("SG-1042,,,,2026-02-08,high,", "Line 2, last_contact: Its last day was 1 March 2026"),
        ("SG-1042,,,,2026-03-01,none,", "Line 2, tier: This tier asks for no follow-up."),
        ("SG-1042,,,,2026-03-01,High,", "Line 2, tier: Choose one of these tiers: high."),
    ],
)
def test_what_cannot_be_followed_is_said_at_its_column(cast, nurse, line, complaint):
    [said] = complaints(preview(nurse, cast, HEAD + line + "\n"))
    assert said.startswith(complaint)


@pytest.mark.parametrize("line", ["SG-1042,,,,2026-03-02 10:00,high,", "SG-1042,,,,2026-02-09,high,"])
def test_the_latest_and_the_earliest_contact_that_can_be_followed(cast, nurse, line):
    assert complaints(preview(nurse, cast, HEAD + line + "\n")) == []


def test_nobody_records_themselves_under_whatever_name(cast, nurse, client):
    with acting("command:tests", "tests", at=MONDAY):
        Role.objects.create(user=cast.worker.user, site=cast.site, kind="nurse", from_at=MONDAY)
        Worker.objects.create(site=cast.site, name="Wim A.", phone="+351 1", same_as=cast.worker)
    client.force_login(cast.worker.user)
    for line, column in (
        ("SG-1042,,,,2026-03-01,high,", "number"),
        (",Wim A.,+351 1,,2026-03-01,high,", "name"),
    ):
        assert complaints(preview(client, cast, HEAD + line)) == [
            f"Line 2, {column}: This is you: somebody else must record it."
        ]


def test_another_name_than_the_number_has_is_shown(cast, nurse):
    shown = words(preview(nurse, cast, HEAD + "SG-1042,Ines Reed,,,2026-03-01,high,\n"))
    assert "the line says Ines Reed" in shown


def test_columns_that_nobody_reads_are_named(cast, nurse):
    shown = words(preview(nurse, cast, "number,ward,last_contact\nSG-1042,Four,2026-03-01\n"))
    assert "This column is ignored: ward" in shown


def test_empty_lines_at_the_top_move_no_line(cast, nurse):
    answer = preview(nurse, cast, "\n\n" + HEAD + "SG-1042,,,,never,high,\n")
    assert complaints(answer)[0].startswith("Line 4, last_contact:")


def test_many_complaints_are_cut_short_at_the_top_only(cast, nurse):
    answer = preview(nurse, cast, HEAD + "SG-9,,,,2026-03-01,high,\n" * 40)
    assert len(complaints(answer)) == 51
    assert complaints(answer)[-1] == "and more, each at its line below"
    assert words(answer).count("Nobody has the number SG-9.</p>") == 40


def test_a_tier_of_another_pathogen_is_refused(cast, nurse):
    with acting("command:tests", "tests", at=MONDAY):
        adopt(cast.site, "mers-2019.1", MONDAY)
    with doing(cast.nurse):
        state_case(case=cast.case, pathogen="mers", status="suspected", by=cast.nurse, at=MONDAY)
    answer = preview(nurse, cast, pathogen="mers")
    assert answer.context["form"].errors["tier"] == ["This tier is of another pathogen."]


@pytest.mark.parametrize("pathogen", ["lassa", "mers"])
def test_a_pathogen_that_the_case_has_not_is_refused(cast, nurse, pathogen):
    assert "pathogen" in preview(nurse, cast, pathogen=pathogen, tier="").context["form"].errors


def test_a_case_that_is_ruled_out_has_nothing_to_record_and_says_why(cast, nurse):
    with doing(cast.nurse):
        said = {"seen": newest_statement(cast.case, "ebola"), "by": cast.nurse, "at": MONDAY}
        state_case(case=cast.case, pathogen="ebola", status="ruled_out", **said)
    assert "There is nothing to record it for." in words(nurse.get(address(cast)))
    preview(nurse, cast)
    assert not Exposure.objects.exists()


def test_a_session_that_ends_loses_no_text(cast, nurse, client):
    sent = {**given(), "form_owner": nurse.get(address(cast)).context["form_owner"]()}
    client.logout()
    assert client.post(address(cast), sent).status_code == 302
    client.post("/account/login/", {"login": "nurse", "password": PASSWORD})
    answer = client.get(address(cast))
    assert "Not sent yet" in words(answer)
    assert answer.context["form"]["text"].value() == LIST
    assert not Exposure.objects.exists()


def test_a_preview_takes_as_many_statements_for_many_lines_as_for_few(cast, nurse):
    report(cast)
    preview(nurse, cast)
    with CaptureQueriesContext(connection) as few:
        preview(nurse, cast)
    many_lines = LIST + "".join(f",Person {one},+351 {one},,2026-03-01,high,\n" for one in range(50))
    with CaptureQueriesContext(connection) as many:
        preview(nurse, cast, many_lines)
    assert len(many) == len(few)


def test_the_file_to_fill_in_reads_as_a_list_whose_example_is_nobody(cast, nurse):
    answer = nurse.get(address(cast) + "example.csv")
    assert answer.headers["Content-Disposition"] == 'attachment; filename="contact-list-K7M2Q.csv"'
    text = answer.content.decode("utf-8-sig")
    [line] = csv.DictReader(text.splitlines())
    assert line["tier"] == "high"
    assert complaints(preview(nurse, cast, text)) == ["Line 2, number: Nobody has the number EXAMPLE-1."]
