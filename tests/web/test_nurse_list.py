"""The nurse's pages: the monitoring list."""

from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.attend.models import Alert, Promise
from exposure.followup.models import Check, Exposure, FollowUp, FollowUpState
from exposure.people.models import Worker
from exposure.pipeline import expose, follow
from exposure.record import create_many, insert_many
from exposure.report.models import Breach
from tests.cast import MONDAY, doing
from tests.web.nora import DAY, HOUR, cleared, confirmed, measure, report, rows_of, someone

pytestmark = pytest.mark.database


def test_the_monitoring_list_has_the_worst_first(cast, nurse):
    confirmed(cast, report(cast))
    well = someone(cast, "Ann Aspen", "SG-1")
    confirmed(cast, report(cast, worker=well.number))
    evening = MONDAY + 10 * HOUR
    with doing(cast.nurse, at=evening):
        follow.log_reading(body=cast.reading(), worker=well, entered_by=cast.nurse, at=evening)
    measure(cast, evening, "38.4")
    rows = rows_of(nurse.open("monitoring", at=evening))
    assert [row[:9] for row in rows] == ["Wim Alder", "Ann Aspen"]
    assert "Day 0 of 21" in rows[0]
    assert "38.4 °C" in rows[0]
    assert "restricted until Mon 23 Mar" in rows[0]  # restricted for 21 days in this plan


def test_silence_and_missing_readings_show_though_nothing_has_run(cast, nurse):
    confirmed(cast, report(cast))
    row = rows_of(nurse.open("monitoring", at=MONDAY + 49 * HOUR))[0]
    assert "silent for 49 h" in row
    assert "4 readings missing" in row  # Monday evening, Tuesday twice, Wednesday 06:00 to 10:00


def test_whoever_was_recently_cleared_shows_only_on_request(cast, nurse):
    cleared(cast)
    later = MONDAY + 24 * DAY
    assert rows_of(nurse.open("monitoring", at=later)) == []
    assert "cleared" in rows_of(nurse.open("monitoring", at=later, cause="ended"))[0]


def test_the_list_is_filtered_by_what_its_people_have_and_a_filter_stays_with_the_cause(cast, nurse):
    confirmed(cast, report(cast))
    well = someone(cast, "Ann Aspen", "SG-1")
    with doing(cast.nurse):
        said = {"pathogen": "ebola", "tier": "high", "occurred_at": MONDAY - DAY, "told": "phone"}
        expose.record_exposure(worker=well, by=cast.nurse, at=MONDAY, **said)
    evening = MONDAY + 10 * HOUR
    measure(cast, evening, "38.4")

    def names(**query):
        return [row[:9] for row in rows_of(nurse.open("monitoring", at=evening, **query))]

    assert names() == ["Wim Alder", "Ann Aspen"]
    assert names(station=cast.station.code) == ["Wim Alder"]
    assert names(pathogen="ebola", tier="ebola:high", site=cast.site.code) == ["Wim Alder", "Ann Aspen"]
    assert names(state="monitored", day="1", cause="fever") == ["Wim Alder"]
    assert names(tier="ebola:none") == names(site="nowhere") == []
    page = nurse.open("monitoring", at=evening, station=cast.station.code).content.decode()
    assert f"?cause=fever&amp;station={cast.station.code}" in page


def crowd(cast, size):
    """As many people, each with a follow-up, readings due, an open fever, a report and a late task."""
    start = MONDAY - 2 * DAY
    with doing("command:tests", at=start):
        told = [(n, uuid4()) for n in range(size)]
        workers = create_many(
            Worker, [Worker(site=cast.site, name=f"Person {n}", number=f"C-{uid}") for n, uid in told]
        )
        breaches = create_many(
            Breach,
            [
                Breach(
                    site=cast.site,
                    worker=worker,
                    reported_by=cast.observer,
                    reported_at=start,
                    happened_at=start,
                    phase="removal",
                    body={},
                    reference="0000-0000-0",
                )
                for worker in workers
            ],
        )
        follow_ups = create_many(
            FollowUp,
            [FollowUp(site=cast.site, worker=one, pathogen="ebola", opened_at=start) for one in workers],
        )
        create_many(
            FollowUpState,
            [FollowUpState(follow_up=one, kind="monitored", from_at=start) for one in follow_ups],
        )
        assessment = Breach.objects.filter(worker=cast.worker).first().assessments.first()
        exposures = create_many(
            Exposure,
            [
                Exposure(
                    follow_up=one,
                    breach=breach,
                    assessment=assessment,
                    occurred_at=start,
                    zone=cast.site.zone,
                    day_zero=start.date(),
                    last_day=start.date() + 21 * DAY,
                )
                for one, breach in zip(follow_ups, breaches, strict=True)
            ],
        )
        insert_many(
            Check,
            [
                Check(
                    follow_up=one,
                    day=day,
                    window="morning",
                    local_date=start.date(),
                    zone=cast.site.zone,
                    opens_at=start + day * DAY,
                    due_at=start + day * DAY + HOUR,
                    closes_at=start + day * DAY + 2 * HOUR,
                )
                for one in follow_ups
                for day in range(1, 4)
            ],
        )
        common = {"site": cast.site, "because": "39.0 C", "raised_at": start, "round_at": start}
        create_many(Alert, [Alert(worker=one, cause="fever", urgent=True, **common) for one in workers])
        create_many(
            Promise,
            [
                Promise(
                    site=cast.site,
                    worker=exposure.follow_up.worker,
                    exposure=exposure,
                    kind="task",
                    key="call",
                    title="Call",
                    asked_at=start,
                    due_at=start + HOUR,
                )
                for exposure in exposures
            ]
            + [
                Promise(
                    site=cast.site,
                    worker=breach.worker,
                    breach=breach,
                    kind=kind,
                    asked_at=start,
                    due_at=start + HOUR,
                )
                for breach in breaches
                for kind in ("tell", "confirm")
            ],
        )


@pytest.mark.parametrize("page", ["needs_action", "monitoring", "reports"])
def test_ten_rows_and_two_hundred_take_the_same_number_of_statements(cast, nurse, page):
    report(cast)
    nurse.open(page)  # notes the look of this hour and warms what is cached

    def statements():
        with CaptureQueriesContext(connection) as taken:
            response = nurse.open(page)
        assert response.status_code == 200
        return len(taken), len(rows_of(response))

    crowd(cast, 10)
    few, few_rows = statements()
    crowd(cast, 190)
    many, many_rows = statements()
    assert many == few
    assert many_rows > 4 * few_rows  # a page holds fifty people
