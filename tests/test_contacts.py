"""Exposures without a breach report: outside, or from a contact list."""

import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection

from exposure.attend.overview import overview
from exposure.followup import cases
from exposure.followup.contact_list import read_contact_list
from exposure.followup.models import Exposure, FollowUp
from exposure.followup.plans import profile_of
from exposure.people.models import Worker
from exposure.pipeline import complete, expose, tell
from exposure.refusal import BadSubmission
from exposure.report.models import Case
from tests.cast import MONDAY, adopt, doing
from tests.walk import log, report

pytestmark = pytest.mark.database
LIST = """number,name,phone,employer,last_contact,tier
SG-1042,,,,2026-03-01,high
,Ines Reed,+351 900 000 077,Brightwell Cleaning,2026-03-01 22:30,high
"""


def outside(cast, **changes):
    said = {"pathogen": "ebola", "occurred_at": MONDAY - timedelta(days=1), "tier": "high", **changes}
    with doing(cast.nurse):
        return expose.record_exposure(worker=cast.worker, by=cast.nurse, at=MONDAY, **said)


def record(cast, text=LIST, *, by=None):
    by = by or cast.nurse
    with doing(by):
        return expose.record_contact_list(
            rows=read_contact_list(text), case=cast.case, pathogen="ebola", by=by, at=MONDAY
        )


def test_an_exposure_outside_opens_a_monitored_follow_up_under_the_tiers_plan(cast):
    exposure = outside(cast)
    assert (exposure.day_zero, exposure.last_day) == (date(2026, 3, 1), date(2026, 3, 22))
    assert exposure.follow_up.states.get().kind == "monitored"
    assert exposure.follow_up.checks.last().local_date == exposure.last_day
    assert profile_of(exposure.follow_up).silence_hours is not None


def test_it_joins_the_follow_up_that_a_report_opened_and_is_recorded_once(cast):
    [follow_up] = report(cast).follow_ups
    assert outside(cast) == outside(cast)
    assert follow_up.exposures.count() == 2


def test_a_fever_in_it_is_a_fever(cast):
    outside(cast)
    assert log(cast, at=MONDAY + timedelta(hours=10), temperature="38.4").triggers == ("fever",)


def test_its_tasks_can_be_done(cast):
    for task in outside(cast).promises.filter(kind="task"):
        with doing(cast.nurse):
            done = complete.complete_task(task=task, note="", by=cast.nurse, at=MONDAY)
        assert done.kept_at == MONDAY


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"tier": "some"}, "/tier"),
        ({"tier": "none"}, "/tier"),
        ({"occurred_at": MONDAY + timedelta(seconds=1)}, "/occurred_at"),
        ({"occurred_at": datetime(1, 1, 1, tzinfo=ZoneInfo("Asia/Tokyo"))}, "/occurred_at"),
        ({"occurred_at": datetime(1, 1, 1, tzinfo=UTC)}, "/occurred_at"),
        ({"occurred_at": datetime(9999, 12, 31, tzinfo=UTC)}, "/occurred_at"),
    ],
)
def test_what_cannot_be_is_refused_at_its_field(cast, changes, pointer):
    with pytest.raises(BadSubmission) as refused:
        outside(cast, **changes)
    assert [one.pointer for one in refused.value.problems] == [pointer]


def test_a_contact_list_opens_a_follow_up_per_line_and_twice_changes_nothing(cast):
    first = record(cast)
    assert record(cast) == first
    assert FollowUp.objects.count() == Exposure.objects.count() == 2
    assert Worker.objects.filter(name="Ines Reed").count() == 1


def test_whoever_came_by_a_contact_list_is_linked_to_the_case(cast):
    record(cast)
    assert len(cases.linked_follow_ups(cast.case, at=MONDAY)) == 2


def test_one_bad_line_and_nothing_is_stored(cast):
    bad = LIST + ",,,,yesterday,high\nSG-9999,,,,2026-03-01,some\n"
    with pytest.raises(BadSubmission) as refused:
        record(cast, bad)
    pointers = {one.pointer for one in refused.value.problems}
    assert pointers == {"/4/last_contact", "/4/name", "/5/tier", "/5/number"}
    assert not Exposure.objects.exists()


def test_a_preview_stores_nothing_and_reads_semicolons_in_any_order(cast):
    [row] = read_contact_list("tier;last_contact;name\nhigh;2026-03-01 22:30;Reed, Ines\n")
    assert (row.line, row.name, row.tier, row.errors) == (2, "Reed, Ines", "high", ())
    assert not Exposure.objects.exists()


def test_a_file_without_column_names_says_so_at_its_first_line(db):
    [row] = read_contact_list("SG-1042,2026-03-01\n")
    assert (row.line, row.errors[0][0]) == (1, "")


def test_the_same_contact_in_a_higher_tier_counts(cast):
    """Tiers low and high are those of fixtures/criteria/lassa-2018.1.yaml."""
    with doing("command:tests"):
        adopt(cast.site, "lassa-2018.1", MONDAY - timedelta(days=1))
    for tier in ("low", "high", "high", "low"):
        exposure = outside(cast, pathogen="lassa", tier=tier)
    assert sorted(exposure.follow_up.exposures.values_list("tier", flat=True)) == ["high", "low"]
    assert overview(exposure.follow_up, at=MONDAY).in_force.tier == "high"


def test_whoever_records_an_exposure_says_that_the_worker_was_told_wherever_they_are_followed_up(cast):
    with doing("command:tests"):
        FollowUp.objects.create(site=cast.other_site, worker=cast.worker, pathogen="ebola", opened_at=MONDAY)
    exposure = outside(cast)
    assert exposure.follow_up.site == cast.other_site
    with doing(cast.nurse):
        told = tell.tell_of_exposure(exposure=exposure, how="phone", by=cast.nurse, at=MONDAY)
    assert told.told_at == MONDAY


class Slow:
    """Calls the function, then waits a moment: what else runs comes between."""

    def __init__(self, function):
        self.function = function

    def __call__(self, *args, **said):
        done = self.function(*args, **said)
        time.sleep(0.3)
        return done


def both_at_once(*tasks):
    def run(task):
        try:
            return task()
        finally:
            connection.close()

    with ThreadPoolExecutor(len(tasks)) as pool:
        return list(pool.map(run, tasks))


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator", "outsider"])
def test_nobody_but_the_cases_clinicians_records_a_list(cast, who):
    with pytest.raises(PermissionDenied):
        record(cast, by=getattr(cast, who))
    assert not Exposure.objects.exists()
    assert not Worker.objects.filter(name="Ines Reed").exists()


@pytest.mark.django_db(transaction=True)
def test_two_lists_that_name_the_same_people_in_another_order_are_both_recorded(cast, monkeypatch):
    with doing("command:tests"):
        other = Case.objects.create(
            code="Z3Q", site=cast.site, station=cast.station, opened_at=cast.case.opened_at
        )
        for number in ("SG-1", "SG-2"):
            Worker.objects.create(site=cast.site, number=number, name=number)
    monkeypatch.setattr(expose, "_record", Slow(expose._record))

    def recorded(case, *numbers):
        lines = "".join(f"{number},2026-03-01,high\n" for number in numbers)
        rows = read_contact_list(f"number,last_contact,tier\n{lines}")
        with doing(cast.nurse):
            return expose.record_contact_list(
                rows=rows, case=case, pathogen="ebola", by=cast.nurse, at=MONDAY
            )

    done = both_at_once(lambda: recorded(cast.case, "SG-1", "SG-2"), lambda: recorded(other, "SG-2", "SG-1"))
    assert [len(exposures) for exposures in done] == [2, 2]
    assert Exposure.objects.count() == 4


@pytest.mark.django_db(transaction=True)
def test_a_list_and_a_corrected_contact_of_its_case_do_not_wait_for_each_other(cast, monkeypatch):
    exposure = outside(cast, case=cast.case, source="contact_list")
    for module, name in ((expose, "people_named"), (expose.opening, "correct")):
        monkeypatch.setattr(module, name, Slow(getattr(module, name)))

    def corrected():
        with doing(cast.nurse):
            said = {"occurred_at": MONDAY - timedelta(days=2), "reason": "Ward book."}
            return expose.correct_exposure(exposure=exposure, by=cast.nurse, at=MONDAY, **said)

    both_at_once(lambda: record(cast), corrected)
    assert Exposure.objects.filter(withdrawn_at=None).count() == 3
