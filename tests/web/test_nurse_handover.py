"""The nurse's pages: the hand-over, on the page, on paper and outside the server."""

import re
import stat

import pytest
from django.urls import reverse

from exposure.attend.models import Handover
from exposure.audit.models import AccessEntry
from exposure.followup.models import FollowUp
from exposure.interop import handover_files
from exposure.interop.handover import pdf_of, sheet_of
from exposure.people.models import Worker
from exposure.record import create_many
from exposure.remind.models import SetAside
from tests.cast import MONDAY, doing
from tests.web.nora import DAY, HOUR, confirmed, measure, report, words

pytestmark = pytest.mark.database


def sheet(cast, at=MONDAY + HOUR):
    return sheet_of(cast.site, at=at)


def write_due(at):
    with doing("command:clock", at=at):
        return handover_files.write_due(at=at)


def test_the_list_says_who_what_and_what_has_changed(cast, nurse):
    confirmed(cast, report(cast))
    measure(cast, MONDAY + HOUR, "38.9")
    page = words(nurse.open("handover", cast.site.uid, at=MONDAY + 2 * HOUR))
    for said in (
        "Wim Alder",
        "+351 900 000 042, SG-1042",
        "Day 0 of 21",
        "fever",
        "Wim Alder: fever, raised",
    ):
        assert said in page
    assert "Wim Alder: followed up (Ebola)" in page


def test_whoever_takes_it_over_is_named_and_the_changes_begin_anew(cast, nurse):
    confirmed(cast, report(cast))
    page = nurse.open("handover", cast.site.uid, at=MONDAY + HOUR)
    nurse.send("handover", cast.site.uid, at=MONDAY + HOUR, last="")
    [taken] = Handover.objects.all()
    assert taken.taken_by == cast.nurse
    later = words(nurse.open("handover", cast.site.uid, at=MONDAY + 2 * HOUR))
    assert "Last taken over by Nora Teal" in later
    assert "Nothing has changed." in later
    assert "Nothing has changed." not in words(page)


def test_of_two_who_take_the_same_list_one_has_it_and_the_other_is_told_who(cast, nurse):
    report(cast)
    nurse.send("handover", cast.site.uid, at=MONDAY, last="")
    assert "You have taken the list over." in words(nurse.send("handover", cast.site.uid, at=MONDAY, last=""))
    nurse.sign_in(cast.nurse2)
    told = words(nurse.send("handover", cast.site.uid, at=MONDAY, last=""))
    assert "Nora Teal has taken it over meanwhile" in told
    assert Handover.objects.count() == 1


def test_nobody_stands_on_a_list_that_they_read(cast, nurse):
    report(cast)
    with doing("command:tests"):
        cast.worker.user = cast.nurse
        cast.worker.save()
    assert "Wim Alder" not in words(nurse.open("handover", cast.site.uid, at=MONDAY + HOUR))


def test_another_sites_list_is_not_there(cast, nurse):
    nurse.sign_in(cast.outsider)
    assert nurse.open("handover", cast.site.uid).status_code == 404
    assert nurse.open("handover_pdf", cast.site.uid).status_code == 404


def test_a_list_is_one_look_an_hour_and_a_print_one_each(cast, nurse):
    for page in ("handover", "handover", "handover_pdf", "handover_pdf"):
        assert nurse.open(page, cast.site.uid).status_code == 200
    kinds = AccessEntry.objects.values_list("kind", flat=True)
    assert sorted(kinds) == ["export", "export", "list"]


def test_with_one_site_the_page_of_hand_overs_is_its_list(cast, nurse):
    assert nurse.open("handovers")["Location"] == reverse("handover", args=[cast.site.uid])


@pytest.mark.parametrize(("people", "pages"), [(0, 1), (1, 2), (25, 2), (26, 3), (50, 3)])
def test_twenty_five_people_stand_on_a_sheet_and_the_changes_on_one_of_their_own(cast, people, pages):
    with doing("command:tests"):
        workers = create_many(
            Worker,
            [Worker(site=cast.site, name=f"{'Long ' * 30}{n}", number=f"L-{n}") for n in range(people)],
        )
        create_many(
            FollowUp,
            [
                FollowUp(site=cast.site, worker=worker, pathogen="ebola", opened_at=MONDAY - 3 * DAY)
                for worker in workers
            ],
        )
    printed = pdf_of(sheet(cast))
    assert int(re.search(rb"/Type ?/Pages ?/Count (\d+)", printed)[1]) == pages  # ISO 32000-1, 7.7.3.2


# Outside the server


def test_without_a_folder_nothing_is_written(cast, settings):
    settings.HANDOVER_FOLDER = ""
    assert write_due(MONDAY) == 0


def test_every_twelve_hours_each_live_site_is_written_for_its_owner_only(cast, settings, tmp_path):
    settings.HANDOVER_FOLDER = str(tmp_path)
    confirmed(cast, report(cast))
    assert [write_due(MONDAY + n * HOUR) for n in (0, 1, 11, 12)] == [2, 0, 0, 2]
    files = sorted(file.name for file in tmp_path.iterdir())
    assert files == [
        "handover-fenwick-20260302T0900Z.pdf", "handover-fenwick-20260302T2100Z.pdf",
        "handover-saltmarsh-20260302T0900Z.pdf", "handover-saltmarsh-20260302T2100Z.pdf",
    ]  # fmt: skip
    for file in tmp_path.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert file.read_bytes().startswith(b"%PDF")


def test_a_week_of_them_is_kept_and_nothing_else_is_touched(cast, settings, tmp_path):
    settings.HANDOVER_FOLDER = str(tmp_path)
    (tmp_path / "handover-saltmarsh-notes.pdf").write_text("somebody's")
    for n in range(16):
        write_due(MONDAY + n * 12 * HOUR)
    own = sorted(file.name for file in tmp_path.glob("handover-saltmarsh-2*.pdf"))
    assert len(own) == handover_files.KEPT
    assert own[0] == "handover-saltmarsh-20260303T0900Z.pdf"  # the two oldest are gone
    assert (tmp_path / "handover-saltmarsh-notes.pdf").exists()


def test_a_folder_that_is_away_is_set_aside_told_and_tried_again(cast, nurse, settings, tmp_path):
    settings.HANDOVER_FOLDER = str(tmp_path / "share")
    assert write_due(MONDAY) == 0
    assert not (tmp_path / "share").exists()
    assert SetAside.objects.filter(part="handover", settled_at=None).count() == 2
    told = words(nurse.open("needs_action", at=MONDAY + HOUR / 60))
    assert "The hand-over list that is written outside the server: 2 entries" in told
    (tmp_path / "share").mkdir()
    assert write_due(MONDAY + HOUR / 120) == 0  # its next try has not come
    assert write_due(MONDAY + HOUR) == 2
    assert not SetAside.objects.filter(settled_at=None).exists()


def test_one_site_that_cannot_be_written_leaves_the_other_its_turn(cast, settings, tmp_path, monkeypatch):
    settings.HANDOVER_FOLDER = str(tmp_path)

    def fail(sheet):
        if sheet.site == cast.site:
            raise ValueError("poisoned")
        return b"%PDF"

    monkeypatch.setattr(handover_files, "pdf_of", fail)
    assert write_due(MONDAY) == 1
    assert [row.row for row in SetAside.objects.filter(settled_at=None)] == [str(cast.site.pk)]
