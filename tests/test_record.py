"""Who did what, when and why stands beside every write, and no write goes past it."""

import pytest
from django.db import IntegrityError, transaction

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.classify.models import Signature
from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.record import (
    BulkWriteRefused,
    NotActing,
    acting,
    because,
    create_many,
    current,
    insert_many,
    mark_withdrawn,
    update_many,
    update_unversioned,
)
from tests.cast import MONDAY, doing
from tests.walk import hours, report

pytestmark = pytest.mark.database


def versions(row):
    return [
        (one.history_type, one.history_user_id, one.origin, one.history_change_reason, one.history_date)
        for one in row.history.order_by("history_id")
    ]


def test_a_recorded_write_outside_an_operation_is_refused(cast):
    with pytest.raises(NotActing), transaction.atomic():
        Worker.objects.create(site=cast.site, name="Nobody's")
    with pytest.raises(NotActing), transaction.atomic():
        cast.worker.save()
    assert not Worker.objects.filter(name="Nobody's").exists()


def test_an_insert_only_write_outside_an_operation_is_refused(cast):
    with pytest.raises(NotActing):
        Signature.objects.create(subject="criteriaversion:1", user=cast.nurse, meaning="m")


@pytest.mark.parametrize(
    "write", [create_many, lambda model, rows: update_many(model, rows, ["name"]), insert_many]
)
def test_a_bulk_write_outside_an_operation_is_refused(cast, write):
    with pytest.raises(NotActing):
        write(Worker, [cast.worker])


def test_withdrawing_outside_an_operation_is_refused(cast):
    [follow_up] = report(cast).follow_ups
    with pytest.raises(NotActing):
        mark_withdrawn(follow_up.checks.all(), at=MONDAY)


def test_each_change_is_a_version_with_who_where_why_and_when(cast):
    with acting("user:7", "10.0.0.7 /people/", "hired", at=MONDAY):
        worker = Worker.objects.create(site=cast.site, name="Ines Vale")
    with acting("command:roster", "cron", "married", at=MONDAY + hours(1)):
        worker.name = "Ines Alder"
        worker.save()
    assert versions(worker) == [
        ("+", "user:7", "10.0.0.7 /people/", "hired", MONDAY),
        ("~", "command:roster", "cron", "married", MONDAY + hours(1)),
    ]
    assert [one.name for one in worker.history.order_by("history_id")] == ["Ines Vale", "Ines Alder"]


def test_bulk_helpers_write_the_same_versions(cast):
    with acting("user:7", "import", "roster", at=MONDAY):
        created = create_many(Worker, [Worker(site=cast.site, name=f"Worker {n}") for n in range(3)])
    for worker in created:
        worker.name += " b"
    with acting("user:8", "import", "typo", at=MONDAY + hours(1)):
        update_many(Worker, created, ["name"])
    for worker in created:
        assert versions(worker) == [
            ("+", "user:7", "import", "roster", MONDAY),
            ("~", "user:8", "import", "typo", MONDAY + hours(1)),
        ]
        assert (
            worker.history.latest("history_id").name == Worker.objects.get(pk=worker.pk).name == worker.name
        )


def test_a_bulk_write_that_fails_leaves_neither_rows_nor_versions(cast):
    before = Worker.history.count()
    twice = [
        Worker(site=cast.site, name="One", number="SG-9"),
        Worker(site=cast.site, name="Two", number="SG-9"),
    ]
    with doing("command:tests"), pytest.raises(IntegrityError), transaction.atomic():
        create_many(Worker, twice)
    assert (Worker.objects.filter(number="SG-9").count(), Worker.history.count()) == (0, before)


@pytest.mark.parametrize(
    "write",
    [
        lambda rows: rows.update(name="x"),
        lambda rows: rows.delete(),
        lambda rows: rows.model.objects.bulk_create([]),
        lambda rows: rows.bulk_update([], ["name"]),
    ],
)
@pytest.mark.parametrize("model", [Worker, User, Site, Signature])
def test_a_querysets_own_bulk_writes_are_refused(cast, model, write):
    with doing("command:tests"), pytest.raises(BulkWriteRefused):
        write(model.objects.all())


def test_an_insert_only_row_is_neither_saved_again_nor_deleted(cast):
    with doing(cast.nurse):
        signature = Signature.objects.create(subject="adoption:1", user=cast.nurse, meaning="m")
        signature.meaning = "another"
        for write in (signature.save, signature.delete):
            with pytest.raises(BulkWriteRefused):
                write()
    stored = Signature.objects.get()
    assert stored.meaning == "m"
    assert (stored.recorded_by, stored.recorded_at, stored.origin) == (cast.nurse.actor, MONDAY, "tests")


def test_inserted_again_with_conflicts_ignored_a_row_stays_as_it_is(cast):
    first, again = (
        Signature(subject="adoption:1", user=cast.nurse, meaning=meaning) for meaning in ("a", "b")
    )
    for at, row in ((MONDAY, first), (MONDAY + hours(1), again)):
        with doing(cast.nurse, at=at):
            insert_many(Signature, [row], ignore_conflicts=True)
    assert (Signature.objects.get().meaning, Signature.objects.get().recorded_at) == ("a", MONDAY)


def test_working_state_beside_a_record_is_in_no_version_and_nothing_else_can_be_set_so(cast):
    with doing("command:tests"):
        raise_alert(cast.worker, Alert.Cause.CALL_ME, "Asked.", site=cast.site, at=MONDAY)
    alerts = Alert.objects.filter(closed_at=None)
    before = Alert.history.count()
    assert update_unversioned(alerts, paged_round=1) == alerts.count() > 0
    assert Alert.history.count() == before
    assert "paged_round" not in {field.name for field in Alert.history.model._meta.fields}
    with pytest.raises(BulkWriteRefused, match="note"):
        update_unversioned(alerts, paged_round=2, note="Past the history.")
    assert set(alerts.values_list("paged_round", "note")) == {(1, "")}


def test_a_version_keeps_no_password(cast):
    with doing("command:tests"):
        cast.nurse.set_password("a new one of fifteen letters")
        cast.nurse.save()
    assert "password" not in {field.name for field in User.history.model._meta.fields}


def test_the_inner_operation_holds_and_then_the_outer_one_again():
    with acting("user:1", "page", at=MONDAY), because("as asked"):
        assert (current().actor, current().reason) == ("user:1", "as asked")
    with acting("user:1", "page", at=MONDAY):
        with acting("user:2", "api", at=MONDAY):
            assert current().actor == "user:2"
        assert current().actor == "user:1"
    with pytest.raises(NotActing):
        current()


def test_an_operation_needs_an_aware_instant():
    with pytest.raises(ValueError, match="aware"), acting("user:1", "page", at=MONDAY.replace(tzinfo=None)):
        pass
