"""The nurse's pages: what is signed at the end, the letter, the work note."""

import json
from datetime import date

import pytest

from exposure import paper
from exposure.attend.overview import overview
from exposure.audit.models import AccessEntry
from exposure.clear import letters
from exposure.clear.summary import summary_of
from exposure.followup.models import FollowUp, Restriction
from exposure.refusal import NotYet
from tests.cast import MONDAY, doing
from tests.web.nora import (
    DAY,
    HOUR,
    cleared,
    confirmed,
    follow_up_of,
    measure,
    report,
    waiting,
    words,
)

pytestmark = pytest.mark.database
OVER = MONDAY + 22 * DAY  # the last of 21 days has ended


@pytest.fixture
def printed(monkeypatch):
    """What the papers say, in order, instead of their bytes."""
    said = []

    def remember(layout, data, **_how):
        said.append(json.loads(json.dumps(data)))
        return b"%PDF-"

    monkeypatch.setattr(paper, "pdf", remember)
    return said


def everything(data):
    return " ".join(str(value) for value in data.values()).lower()


def clearance_of(cast):
    return cleared(cast).clearances.get()


def test_the_letter_names_the_number_the_signatory_and_the_day_and_nothing_clinical(cast, printed):
    letters.letter(clearance_of(cast), at=OVER)
    [data] = printed
    assert data["stands_out"] == "You may work from Tuesday 24 March 2026."  # day 21 is Monday 23 March
    assert "+351 900 000 100" in data["after"][0]
    assert data["signed"][0].startswith("Signed: Petra Birch, ")
    assert "Monday 2 March 2026" in data["sentences"][0]
    assert "Monday 23 March 2026" in data["sentences"][0]
    assert data["caution"] == "Local protocol and the licensed clinician decide."
    for word in ("ebola", "high", "°c", "fever 3", "splash", "heron"):
        assert word not in everything(data)


def test_there_is_no_letter_before_the_last_day_is_over_or_once_it_is_void(cast, printed):
    clearance = clearance_of(cast)
    with pytest.raises(NotYet):
        letters.letter(clearance, at=clearance.effective_at - HOUR)
    letters.letter(clearance, at=clearance.effective_at)
    with doing("command:tests"):
        clearance.void_at = OVER
        clearance.save()
    with pytest.raises(NotYet):
        letters.letter(clearance, at=OVER)


def test_a_restriction_that_lasts_longer_moves_the_day(cast, printed):
    clearance = clearance_of(cast)
    exposure = clearance.follow_up.exposures.get()
    with doing("command:tests"):
        Restriction.objects.create(
            exposure=exposure,
            code="work",
            title="No work",
            from_date=date(2026, 3, 2),
            to_date=date(2026, 4, 1),
        )
        Restriction.objects.create(
            exposure=exposure,
            code="other",
            title="Stay",
            from_date=date(2026, 3, 2),
            to_date=date(2026, 5, 1),
        )
    assert letters.may_work_from(clearance, at=OVER).start == date(2026, 4, 2)


def test_while_another_follow_up_runs_the_letter_names_no_day_and_nothing_of_the_other(cast, printed):
    clearance = clearance_of(cast)
    with doing("command:tests"):
        FollowUp.objects.create(site=cast.site, worker=cast.worker, pathogen="measles", opened_at=OVER)
    letters.letter(clearance, at=OVER)
    assert printed[0]["stands_out"] == "Before you work, ring occupational health: +351 900 000 100."
    assert "measles" not in everything(printed[0])


def test_a_fever_after_the_end_takes_the_day_back(cast, printed):
    clearance = clearance_of(cast)
    measure(cast, OVER, "39.0", taken_at=OVER.isoformat())
    assert letters.may_work_from(clearance, at=OVER + HOUR).start is None


def test_the_work_note_has_the_dates_and_the_sentence_and_nothing_else(cast, printed):
    confirmed(cast, report(cast))
    letters.work_note(cast.worker, at=MONDAY + HOUR)
    [data] = printed
    assert data["sentences"] == ["From Monday 2 March 2026 to Monday 23 March 2026."]
    assert data["stands_out"] == "On occupational health's instruction, not sick leave."
    assert data["after"] == data["signed"] == []
    for word in ("ebola", "risk", "exposure", "reading", "contact", "patient"):
        assert word not in everything(data)


def test_restrictions_that_touch_are_one_and_those_of_travel_are_none(cast):
    follow_up = follow_up_of(confirmed(cast, report(cast)))
    exposure = follow_up.exposures.get()
    with doing("command:tests"):
        for code, first, last in (
            ("work", date(2026, 3, 24), date(2026, 3, 30)),
            ("other", date(2026, 3, 2), date(2026, 6, 1)),
        ):
            Restriction.objects.create(
                exposure=exposure, code=code, title=code, from_date=first, to_date=last
            )
    assert letters.work_dates(cast.worker, at=MONDAY) == [(date(2026, 3, 2), date(2026, 3, 30))]
    assert letters.work_dates(cast.worker, at=MONDAY + 40 * DAY) == []


def test_the_papers_are_files_looked_at_by_name(cast, nurse, client):
    clearance = clearance_of(cast)
    found = nurse.open("clearance_letter", clearance.uid, at=OVER)
    assert found["Content-Type"] == "application/pdf"
    assert found.content.startswith(b"%PDF-1.7")
    assert b"<pdfaid:part>2</pdfaid:part>" in found.content.replace(b"\n", b"")  # ISO 19005-2, clause 6.7
    look = AccessEntry.objects.get(kind="export")
    assert (look.user, look.about) == (cast.nurse, cast.worker.uid)
    assert nurse.open("work_note", cast.worker.uid, at=OVER).status_code == 404
    nurse.sign_in(cast.outsider)
    assert nurse.open("clearance_letter", clearance.uid, at=OVER).status_code == 404
    nurse.sign_in(cast.worker.user)
    assert nurse.open("clearance_letter", clearance.uid, at=OVER).status_code == 200
    assert f"/letters/{clearance.uid}.pdf" in nurse.open("today", at=OVER).content.decode()


@pytest.mark.parametrize(
    "name", ["Zoë #let x = 1", "$ *bold* _soft_ `raw` <label> @ref // \\", "李 明", "أحمد"]
)
def test_whatever_a_name_holds_it_is_printed_and_never_read_as_markup(name):
    data = {"title": name, "site": name, "site_line": "", "name": name, "number": "", "dated": ""}
    data |= {"sentences": [name], "stands_out": name, "after": [], "signed": [name], "caution": ""}
    assert paper.pdf("letter", data, written_at=MONDAY).startswith(b"%PDF")
    assert paper.pdf("letter", data, written_at=MONDAY) == paper.pdf("letter", data, written_at=MONDAY)


# What is signed


def test_what_is_signed_is_counted(cast):
    follow_up = follow_up_of(confirmed(cast, report(cast)))
    checks = list(follow_up.checks.all()[:4])
    measure(cast, checks[0].due_at, "36.6")
    measure(cast, checks[1].closes_at + HOUR, "36.9", taken_at=(checks[1].closes_at + HOUR).isoformat())
    measure(cast, checks[3].due_at, "38.7")
    summary = summary_of(overview(follow_up, at=checks[3].closes_at))
    assert summary.asked == follow_up.checks.count()
    assert (summary.recorded, summary.late, summary.missing) == (3, 1, 1)
    assert summary.to_come == summary.asked - 4
    assert str(summary.highest.value) == "38.70"
    assert "fever" in [alert.cause for alert in summary.alerts]


def test_the_page_to_sign_shows_what_is_signed(cast, nurse):
    follow_up = cleared(cast)
    page = words(nurse.open("clear", follow_up.uid, at=OVER))
    asked = follow_up.checks.count()
    assert f"{asked} asked; {asked} recorded, 0 of them late; 0 missing, 0 explained" in page
    assert "Highest reading 36.8 °C" in page
    assert "may work from Tuesday 24 March 2026" in page
    assert "The letter, to print" in page


def test_whoever_has_finished_stands_in_the_queue_as_ready_or_with_what_is_in_the_way(cast, nurse):
    follow_up = follow_up_of(confirmed(cast, report(cast)))
    [row] = [row for row in waiting(nurse, at=OVER) if "end not ready" in row.lower()]
    assert "it waits for" in row
    assert "A task is not done." in row
    tasks = follow_up.exposures.get().promises.filter(kind="task")
    with doing(cast.nurse, at=OVER):
        for task in tasks:
            task.kept_at = OVER
            task.save()
    for check in follow_up.checks.all():
        measure(cast, check.due_at, taken_at=check.due_at.isoformat())
    rows = waiting(nurse, at=OVER)
    assert any("Ready to sign" in row and "Ebola, over" in row for row in rows), rows
    assert "Ready to sign" in words(nurse.open("person", cast.worker.uid, at=OVER))
