"""One worker's record as it grew: who did what, when, why and from where, and who looked."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from exposure.audit import history
from exposure.audit.access_log import note_look
from exposure.audit.history import Wanted, latest, looks_at, of_worker
from exposure.audit.models import AccessEntry
from exposure.people.models import Worker, WorkerWindow
from exposure.pipeline import report, tell
from exposure.record import create_many, mark_withdrawn
from exposure.tasks import tick
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

LATER = MONDAY + timedelta(hours=1)


@pytest.fixture
def breach(cast):
    with doing(cast.observer):
        return report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach


def entries(operations):
    return [entry for operation in operations for entry in operation.entries]


def change(entry, name):
    """(before, after) of one field of an entry, or None."""
    return next(((one.before, one.after) for one in entry.changes if one.field.name == name), None)


def of_model(operations, model):
    return [entry for entry in entries(operations) if entry.thing.model == model]


def test_a_change_is_told_with_actor_instant_reason_origin_and_both_values(cast):
    with doing(cast.nurse, at=LATER, reason="rang from a new number"):
        cast.worker.phone = "+351 900 000 043"
        cast.worker.save()
    told = of_worker(cast.worker.uid)[-1]
    assert (told.who, told.at, told.why, told.origin) == (
        "Nora Teal",
        LATER,
        "rang from a new number",
        "tests",
    )
    [entry] = told.entries
    assert entry.kind == "changed"
    assert [one.field.name for one in entry.changes] == ["phone"]
    assert change(entry, "phone") == ("+351 900 000 042", "+351 900 000 043")


def test_a_second_change_is_compared_with_the_first_and_not_with_the_beginning(cast):
    for hours, name in enumerate(("Wim Alder-Moor", "Wim Moor"), start=1):
        cast.worker.name = name
        with doing(cast.nurse, at=MONDAY + timedelta(hours=hours)):
            cast.worker.save()
    names = [change(one, "name") for one in of_model(of_worker(cast.worker.uid), "Worker")]
    assert names == [(None, "Wim Alder"), ("Wim Alder", "Wim Alder-Moor"), ("Wim Alder-Moor", "Wim Moor")]


def test_a_report_brings_every_row_that_hangs_on_the_worker(cast, breach):
    models = {entry.thing.model for entry in entries(of_worker(cast.worker.uid))}
    assert {
        "Worker",
        "Breach",
        "Assessment",
        "FollowUp",
        "FollowUpState",
        "Exposure",
        "Check",
        "Rung",
    } <= models


def test_rows_of_one_operation_stand_together_under_the_name_of_who_did_it(cast, breach):
    told = next(one for one in of_worker(cast.worker.uid) if one.at == MONDAY)
    assert told.who == "Olga Rowan"
    assert {"Breach", "Assessment", "FollowUp"} <= {entry.thing.model for entry in told.entries}


def test_the_record_is_in_time_order(cast, breach):
    with doing(cast.nurse, at=LATER):
        tell.tell_worker(breach=breach, how="phone", told_at=LATER, by=cast.nurse, at=LATER)
    instants = [operation.at for operation in of_worker(cast.worker.uid)]
    assert instants == sorted(instants)
    assert instants[-1] == LATER


def test_a_foreign_key_is_told_by_name(cast, breach):
    created = of_model(of_worker(cast.worker.uid), "Breach")[0]
    assert change(created, "station")[1].name == "Heron"
    assert change(created, "reported_by")[1].name == "Olga Rowan"


def test_who_looked_is_part_of_the_record(cast):
    with doing(cast.nurse, at=LATER):
        note_look(cast.nurse, AccessEntry.Kind.PERSON, f"worker:{cast.worker.uid}", cast.worker.uid, at=LATER)
    told = of_worker(cast.worker.uid)[-1]
    assert (told.who, told.at) == ("Nora Teal", LATER)
    assert [entry.kind for entry in told.entries] == ["looked"]


def test_a_withdrawn_reading_stands_with_what_was_done_at_that_instant(cast, breach):
    check = cast.worker.follow_ups.get().checks.last()
    with doing(cast.nurse, at=LATER, reason="moved"):
        cast.worker.own_zone = "Europe/Berlin"
        cast.worker.save()
        mark_withdrawn(type(check).objects.filter(pk=check.pk), at=LATER)
    told = of_worker(cast.worker.uid)[-1]
    assert told.who == "Nora Teal"
    assert {(entry.kind, entry.thing.model) for entry in told.entries} == {
        ("changed", "Worker"),
        ("withdrawn", "Check"),
    }


def test_signatures_on_a_workers_assessment_are_part_of_the_record(cast, breach):
    assessment = breach.assessments.get()
    with doing(cast.physician, at=LATER):
        history.model_named("Signature").objects.create(
            subject=f"assessment:{assessment.uid}", user=cast.physician, meaning="second signature"
        )
    [entry] = of_model(of_worker(cast.worker.uid), "Signature")
    assert entry.actor == cast.physician.actor


def test_nothing_of_another_worker_is_in_the_record(cast, breach):
    with doing(cast.observer):
        other = Worker.objects.create(site=cast.site, number="SG-7", name="Somebody Else")
        report.report_breach(body=cast.body(worker="SG-7"), reporter=cast.observer, at=MONDAY)
    uids = {entry.thing.uid for entry in entries(of_worker(cast.worker.uid))}
    others = {entry.thing.uid for entry in entries(of_worker(other.uid))}
    assert other.uid in others
    assert uids.isdisjoint(others)


def test_what_was_recorded_under_another_entry_of_the_same_person_belongs_to_the_record(cast):
    with doing(cast.nurse):
        Worker.objects.create(site=cast.site, name="W. Alder, agency", same_as=cast.worker)
    names = {entry.thing.name for entry in of_model(of_worker(cast.worker.uid), "Worker")}
    assert names == {"Wim Alder", "W. Alder, agency"}


def test_a_row_that_was_taken_out_stays_in_the_record(cast):
    with doing(cast.nurse):
        window = WorkerWindow.objects.create(
            worker=cast.worker, name="night", opens="20:00", due="21:00", closes="22:00"
        )
        window.delete()
    kinds = [entry.kind for entry in of_model(of_worker(cast.worker.uid), "WorkerWindow")]
    assert kinds == ["created", "deleted"]


def test_a_row_that_moved_to_another_worker_stays_in_both_records(cast, breach):
    with doing(cast.observer):
        other = Worker.objects.create(site=cast.site, number="SG-7", name="Somebody Else")
    breach.worker = other
    with doing(cast.nurse, at=LATER, reason="wrong badge"):
        breach.save()
    before, after = (of_model(of_worker(one.uid), "Breach") for one in (cast.worker, other))
    assert before[0].kind == after[0].kind == "created"
    assert change(after[-1], "worker")[1].uid == other.uid
    assert LATER not in {entry.at for entry in before}


def test_the_service_itself_is_named_as_what_it_is(cast):
    with doing("task:tick", at=LATER):
        cast.worker.phone_only = True
        cast.worker.save()
    told = of_worker(cast.worker.uid)[-1]
    assert (told.actor, told.who) == ("task:tick", "")


def test_a_deleted_account_leaves_its_actor_in_the_record(cast):
    with doing("user:999999", at=LATER):
        cast.worker.phone_only = True
        cast.worker.save()
    told = of_worker(cast.worker.uid)[-1]
    assert (told.actor, told.who) == ("user:999999", "")


def test_a_longer_record_costs_no_more_statements(cast, breach):
    def statements():
        with CaptureQueriesContext(
            connection,
        ) as context:
            of_worker(cast.worker.uid)
        return len(context)

    def change_phones(numbers, start):
        for number in numbers:
            cast.worker.phone = f"+351 900 000 0{number}"
            with doing(cast.nurse, at=start + timedelta(minutes=number)):
                cast.worker.save()
                note_look(cast.nurse, AccessEntry.Kind.PERSON, "worker", cast.worker.uid, at=start)

    change_phones(range(50, 52), LATER)
    before = statements()
    change_phones(range(60, 80), LATER)
    assert statements() == before


def test_the_latest_are_newest_first_and_filtered_by_actor_worker_and_time(cast, breach):
    with doing(cast.nurse, at=LATER):
        tell.tell_worker(breach=breach, how="phone", told_at=LATER, by=cast.nurse, at=LATER)
    operations, older = latest(Wanted())
    assert older is None
    assert [one.at for one in operations] == sorted((one.at for one in operations), reverse=True)
    assert {one.who for one in latest(Wanted(actor=cast.nurse.actor))[0]} == {"Nora Teal"}
    assert {one.at for one in latest(Wanted(since=LATER))[0]} == {LATER}
    assert LATER not in {one.at for one in latest(Wanted(until=LATER))[0]}
    about = latest(Wanted(workers=frozenset({cast.worker.pk})))[0]
    assert {entry.thing.model for entry in entries(about)} >= {"Worker", "Breach", "Told"}
    assert not of_model(about, "Station")


def test_the_latest_of_a_site_hold_nothing_of_another_and_what_belongs_to_all(cast, breach):
    here, there = (
        entries(latest(Wanted(sites=frozenset({site.pk})))[0]) for site in (cast.site, cast.other_site)
    )
    assert cast.site.uid in {entry.thing.uid for entry in here}
    assert cast.worker.uid in {entry.thing.uid for entry in here}
    models = {entry.thing.model for entry in there}
    assert {"Site", "Protocol", "CriteriaVersion"} <= models
    assert models.isdisjoint({"Worker", "Breach", "Station", "FollowUp"})


def test_the_latest_leave_out_ones_own_record(cast, breach):
    theirs = entries(latest(Wanted(except_worker=cast.worker.pk))[0])
    assert cast.station.uid in {entry.thing.uid for entry in theirs}
    assert {entry.thing.model for entry in theirs}.isdisjoint({"Worker", "Breach", "FollowUp"})


def test_a_page_of_the_latest_is_complete_back_to_where_the_next_begins(cast, monkeypatch):
    monkeypatch.setattr(history, "LATEST", 3)
    with doing(cast.nurse, at=LATER):
        create_many(
            Worker, [Worker(site=cast.site, number=f"SG-{number}", name=f"W{number}") for number in range(5)]
        )
    first, older = latest(Wanted())
    assert older == LATER
    assert len(of_model(first, "Worker")) == 5
    seen, rounds = of_model(first, "Worker"), 1
    while older is not None:
        following, older = latest(Wanted(until=older))
        seen += of_model(following, "Worker")
        rounds += 1
        assert rounds < 10
    assert len({entry.thing.uid for entry in seen}) == len(seen) == 6


def test_the_worker_is_shown_everybody_who_looked_but_themself(cast):
    for who in (cast.nurse, cast.worker.user, cast.physician):
        with doing(who, at=LATER):
            note_look(who, AccessEntry.Kind.PERSON, "worker", cast.worker.uid, at=LATER)
    with doing(cast.nurse, at=LATER):
        note_look(cast.nurse, AccessEntry.Kind.LIST, "monitoring", at=LATER)
    assert [str(look.user) for look in looks_at(cast.worker.uid)] == ["Petra Birch", "Nora Teal"]


def test_a_page_names_person_and_address(client, cast, standing_clock):
    standing_clock(LATER)
    client.force_login(cast.worker.user)
    client.post("/settings/", {"unit": "F", "phone_only": "False"}, REMOTE_ADDR="192.0.2.7")
    told = of_worker(cast.worker.uid)[-1]
    assert (told.who, told.at, told.origin) == ("Wim Alder", LATER, "192.0.2.7 /settings/")


def test_the_api_names_person_and_address(client, cast, breach, standing_clock):
    standing_clock(LATER)
    client.force_login(cast.worker.user)
    body = cast.reading(taken_at=LATER.isoformat())
    answer = client.post("/api/v1/readings/", body, content_type="application/json", REMOTE_ADDR="192.0.2.7")
    assert answer.status_code == 201
    [reading] = of_model(of_worker(cast.worker.uid), "Reading")
    assert (reading.actor, reading.at) == (cast.worker.user.actor, LATER)
    assert reading.origin == "API 192.0.2.7 /api/v1/readings/"


def test_a_task_names_itself(cast, breach, standing_clock):
    at = standing_clock(MONDAY + timedelta(days=1))
    tick()
    alerts = of_model(of_worker(cast.worker.uid), "Alert")
    assert {(entry.actor, entry.origin, entry.at) for entry in alerts} == {("task:tick", "queue", at)}
