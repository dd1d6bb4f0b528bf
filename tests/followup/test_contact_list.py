"""A contact list as it comes out of spreadsheet programs: what is read, and every complaint at its line.

RFC 4180 (common format of CSV) names commas, CRLF, quoted line breaks and doubled quotes; semicolons, tabs, a byte
order mark, lone CR and empty lines are common practice of spreadsheet programs, no source.
"""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from exposure.followup.contact_list import MOST_BYTES, MOST_LINES, ignored_columns, read_contact_list

HEAD = "number,name,last_contact,tier,note\n"
LINE = "SG-1042,,2026-03-01,high,\n"


def complaints(text, **said):
    return [(row.line, *error) for row in read_contact_list(text, **said) for error in row.errors]


def test_each_line_is_one_person_with_the_columns_in_any_order():
    [row] = read_contact_list(
        'name,tier,last_contact,note\n"Reed, Ines",high,2026-03-01 22:30,"He said ""no""."\n'
    )
    assert (row.line, row.name, row.tier, row.note) == (2, "Reed, Ines", "high", 'He said "no".')
    assert row.last_contact == datetime(2026, 3, 1, 22, 30)
    assert row.errors == ()


@pytest.mark.parametrize("between", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_commas_semicolons_and_tabs_with_any_line_end_read_alike(between, end, mark):
    table = [
        ["Number", "Last contact", "Tier"],
        ["SG-1042", "2026-03-01", "high"],
        ["", "", ""],
        ["SG-2", "x", ""],
    ]
    text = mark + end.join(between.join(cells) for cells in table) + end
    assert [(row.line, row.number) for row in read_contact_list(text)] == [(2, "SG-1042"), (4, "SG-2")]
    assert [one[:2] for one in complaints(text)] == [(4, "last_contact"), (4, "tier")]


def test_empty_lines_count_and_are_left_out_also_before_the_names():
    text = "\n\nnumber;last_contact;tier\n\n ; ; \nSG-1042;2026-03-01;high\n\n"
    assert [(row.line, row.errors) for row in read_contact_list(text)] == [(6, ())]


def test_a_line_is_the_one_its_record_starts_in_whatever_is_broken_inside_quotes():
    text = HEAD + 'SG-1,,2026-03-01,high,"first\r\nsecond\nthird"\nSG-2,,never,high,\n'
    first, second = read_contact_list(text)
    assert (first.line, first.note) == (2, "first\nsecond\nthird")
    assert (second.line, second.errors[0][0]) == (5, "last_contact")


def test_trailing_columns_may_be_missing_and_the_tier_given_once_holds():
    [row] = read_contact_list(HEAD + "SG-1042,,2026-03-01\n", tier="high")
    assert (row.tier, row.note, row.errors) == ("high", "", ())


def test_the_tier_of_a_line_stands_over_the_one_given_once():
    assert read_contact_list(HEAD + LINE, tier="low")[0].tier == "high"


def test_more_cells_than_columns_is_said_at_the_line():
    assert complaints(HEAD + LINE + "SG-2,,2026-03-01,high,a note, with a comma\n") == [
        (3, "", "More cells than columns.")
    ]


def test_empty_cells_at_the_end_are_no_more_cells():
    assert complaints("number,last_contact,tier,,\nSG-1042,2026-03-01,high,,,\n") == []


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("number,tier", "must name the columns"),
        ("name of the person,last_contact", "must name the columns"),
        ("number,last_contact,Last Contact", "two columns with the name last_contact"),
        ("number,,last_contact", "Column 2 has no name."),
    ],
)
def test_wrong_names_of_columns_are_an_error_of_the_first_line(head, words):
    [(line, column, message)] = complaints(f"{head}\nSG-1042,2026-03-01,high\n")
    assert (line, column) == (1, "")
    assert words in message


def test_unknown_columns_are_ignored_and_named():
    text = "number,Ward,last_contact,tier\nSG-1042,Four,2026-03-01,high\n"
    assert complaints(text) == []
    assert ignored_columns(text) == ["ward"]
    assert ignored_columns("no table") == []


@pytest.mark.parametrize("text", ["", "\n\n", HEAD])
def test_a_list_without_lines_says_so(text):
    assert [one[:2] for one in complaints(text)] == [(1, "")]


def test_quotation_marks_that_do_not_close_are_said_at_the_line_where_they_open():
    [(line, column, message)] = complaints(
        HEAD + LINE + 'SG-2,,2026-03-01,high,"open\nSG-3,,2026-03-01,high,\n'
    )
    assert (line, column) == (3, "")
    assert "quotation marks" in message


@pytest.mark.parametrize("written", ["\0", "\ud800"])
def test_what_no_database_can_store_is_no_table(written):
    assert "no table" in complaints(HEAD + f"SG-1042,,2026-03-01,high,{written}\n")[0][2]


def test_as_many_lines_as_are_allowed_and_one_more():
    assert len(read_contact_list(HEAD + LINE * MOST_LINES)) == MOST_LINES
    assert complaints(HEAD + LINE * (MOST_LINES + 1)) == [(1, "", f"At most {MOST_LINES} lines at once.")]


def test_as_many_bytes_as_are_allowed_and_one_more():
    text = HEAD + LINE
    full = text + "\n" * (MOST_BYTES - len(text))
    assert complaints(full) == []
    assert complaints(full + "\n") == [(1, "", "At most 512 KiB at once.")]


@pytest.mark.parametrize(
    ("column", "most"), [("number", 40), ("phone", 40), ("name", 200), ("employer", 200), ("note", 1000)]
)
def test_what_would_be_cut_off_is_refused(column, most):
    other = "name" if column == "number" else "number"
    text = f"{other},last_contact,tier,{column}\nSG-1,2026-03-01,high," + "{}\n"
    assert complaints(text.format("x" * most)) == []
    assert complaints(text.format("x" * (most + 1))) == [(2, column, f"At most {most} characters.")]


@pytest.mark.parametrize("written", ["", "yesterday", "01.03.2026", "1899-12-31", "9999-01-01", "2026-02-30"])
def test_a_last_contact_that_is_no_date_says_how_to_write_it(written):
    assert complaints(HEAD + f"SG-1042,,{written},high,\n") == [
        (2, "last_contact", "Write the last contact as 2026-03-02 or 2026-03-02 14:30.")
    ]


@pytest.mark.parametrize(
    ("written", "moment"),
    [
        ("2026-07-01", datetime(2026, 6, 30, 23, 0, tzinfo=UTC)),  # Lisbon keeps UTC+1 in summer
        ("2026-07-01 14:30", datetime(2026, 7, 1, 13, 30, tzinfo=UTC)),
        ("2026-07-01T14:30+02:00", datetime(2026, 7, 1, 12, 30, tzinfo=UTC)),
        ("9998-12-31 23:59", datetime(9998, 12, 31, 23, 59, tzinfo=UTC)),
    ],
)
def test_a_time_without_a_zone_is_the_sites(written, moment):
    [row] = read_contact_list(HEAD + f"SG-1042,,{written},high,\n")
    assert row.moment(ZoneInfo("Europe/Lisbon")) == moment
