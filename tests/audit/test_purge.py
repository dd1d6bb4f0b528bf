"""A record goes lawfully: rows and bytes, never a hash. Proposed by one, agreed by another, past its period, under no
hold; and whatever else is gone is still found."""

import uuid
from datetime import date, timedelta
from io import StringIO
from unittest import mock

import pytest
from django.core.exceptions import PermissionDenied
from django.core.management import CommandError, call_command
from django.db import IntegrityError, OperationalError, connection, transaction

from config.seal_key import new_seal_key
from exposure import clock
from exposure.attend.models import Promise
from exposure.audit import heads, merkle, purging, retention, sealing, triggers
from exposure.audit.models import Hold, Purge, PurgeOrder, SealedBytes, SealEntry, SealHead
from exposure.audit.retention import kept, kept_until
from exposure.audit.verification import Verification
from exposure.followup.models import FollowUp, PrivateNote, Reading
from exposure.people.models import Role, Worker
from exposure.pipeline import clear
from exposure.pipeline.report import report_breach
from exposure.record import update_many
from exposure.refusal import BadSubmission, Conflict, NotYet
from tests.audit.rows import made, stored
from tests.cast import MONDAY, company, doing
from tests.walk import follow_up_told_and_confirmed, log

pytestmark = [pytest.mark.database, pytest.mark.django_db]

LEFT = date(2026, 4, 30)
THEN = MONDAY.replace(year=2056, month=5, day=1)  # the day after thirty years from the last day
SOON = timedelta(minutes=20)


@pytest.fixture(autouse=True)
def key(settings, tmp_path):
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR, settings.LOCAL_SEAL_KEY = new_seal_key(), tmp_path, None


@pytest.fixture
def gone_by(cast):
    """Wim was followed up, nothing of it is open, and he left; Rosa's record began on the same day and goes on."""
    _nothing_open(cast)
    leave(cast, LEFT)
    seal(MONDAY + timedelta(days=3))
    return cast


@company.scene
def _nothing_open(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    log(cast, at=follow_up.checks.order_by("due_at").first().due_at)
    with doing(cast.observer):
        rosa = cast.body(worker=None, person={"name": "Rosa Linden", "phone": "", "employer": "Agency"})
        report_breach(body=rosa, reporter=cast.observer, at=MONDAY)
    ended = MONDAY + timedelta(days=3)
    with doing(cast.physician, at=ended):
        clear.end_follow_up(
            follow_up=follow_up, kind="left", reason="Left.", basis="agreed", by=cast.physician, at=ended
        )
        for alert in (
            cast.worker.alerts.all() | follow_up.alerts.all() | follow_up.exposures.get().breach.alerts.all()
        ):
            alert.closed_at, alert.closed_by, alert.outcome = ended, cast.physician, "evaluated"
            update_many(type(alert), [alert], ["closed_at", "closed_by", "outcome"])
    with doing(cast.nurse, at=ended):
        for promise in Promise.objects.filter(kept_at=None, void_at=None, follow_up=follow_up):
            promise.void_at = ended
            promise.save()


def leave(cast, day):
    with doing(cast.administrator, at=MONDAY + timedelta(days=60)):
        cast.worker.left_on = day
        cast.worker.save()


def seal(at):
    sealing.seal(at=at, thorough=True, head_every=timedelta(0))


def propose(cast, at=THEN, by=None, workers=None, reason="Thirty years have passed."):
    by = by or cast.physician
    workers = [cast.worker] if workers is None else workers
    with doing(by, at=at):
        return retention.propose(site=cast.site, workers=workers, reason=reason, by=by, at=at)


def answer(cast, order, at=THEN, by=None, agreed=True):
    by = by or cast.auditor
    with doing(by, at=at):
        return retention.answer(order=order, agreed=agreed, by=by, at=at)


def ordered(cast):
    order = answer(cast, propose(cast))
    seal(THEN + SOON)
    return order


def hold(cast, at=THEN, worker=None, by=None):
    by = by or cast.auditor
    with doing(by, at=at):
        return retention.place_hold(site=cast.site, worker=worker, reason="Claim 7/2055.", by=by, at=at)


def command(monkeypatch, name, *options, at=THEN + SOON):
    monkeypatch.setattr(clock, "now", lambda: at)
    out = StringIO()
    call_command(name, *options, stdout=out)
    return out.getvalue()


def found(at=THEN + SOON):
    findings = list(Verification(at=at).findings())
    assert findings == list(Verification(at=at, thorough=True).findings())
    return findings


# How long.


@pytest.mark.parametrize(
    ("left_on", "newest", "until"),
    [
        # 29 CFR 1910.1020(d)(1)(i): the medical record for the duration of employment plus thirty years.
        (date(2026, 4, 30), date(2026, 3, 2), date(2056, 4, 30)),
        # (d)(1)(ii): an exposure record for thirty years: also what is recorded after somebody has left.
        (date(2026, 1, 31), date(2026, 3, 2), date(2056, 3, 2)),
        (None, date(1990, 1, 1), None),
        (date(2026, 4, 30), None, date(2056, 4, 30)),
        (date(2024, 2, 29), None, date(2054, 3, 1)),
    ],
)
def test_a_record_is_kept_for_employment_plus_thirty_years_and_thirty_after_its_newest_entry(
    left_on, newest, until
):
    assert kept_until(left_on, newest, 30) == until


def test_the_last_day_of_keeping_is_included_by_the_calendar_of_the_site(gone_by):
    last = THEN.replace(month=4, day=30, hour=22, minute=59)  # summer time in Lisbon: the day ends at 23:00
    assert kept(gone_by.worker, at=last).in_the_way == ("period",)
    assert kept(gone_by.worker, at=last + timedelta(minutes=1)).in_the_way == ()


def test_with_an_unknown_last_day_it_is_kept_for_ever(gone_by):
    leave(gone_by, None)
    assert kept(gone_by.worker, at=THEN.replace(year=2300)).in_the_way == ("unknown_leaving",)
    with pytest.raises(NotYet):
        propose(gone_by, at=THEN.replace(year=2300))


def test_it_became_known_later_that_somebody_had_come_back(gone_by):
    order = ordered(gone_by)
    leave(gone_by, None)
    seal(THEN + SOON)
    assert "unknown_leaving" in purging.going(gone_by.worker, at=THEN + SOON).in_the_way
    assert retention.outstanding(order) == [str(gone_by.worker.uid)]


def test_what_is_recorded_after_somebody_has_left_counts_too(gone_by):
    late = MONDAY.replace(year=2030)
    with doing(gone_by.nurse, at=late):
        PrivateNote.objects.create(worker=gone_by.worker, text="Asked for a copy.")
    assert kept(gone_by.worker, at=THEN).until == date(2060, 3, 2)


@pytest.mark.parametrize("open_one", ["FollowUp", "Alert", "Promise"])
def test_nothing_goes_while_something_of_it_is_open(gone_by, open_one):
    row = made(retention.model_named(open_one), MONDAY)
    row.worker, row.site = gone_by.worker, gone_by.site
    stored(row)
    assert kept(gone_by.worker, at=THEN).in_the_way == (open_one,)


# Holds.


@pytest.mark.parametrize("whole_site", [False, True])
def test_a_hold_keeps_it_until_an_auditor_lifts_it_with_a_reason(gone_by, whole_site):
    order = ordered(gone_by)
    placed = hold(gone_by, worker=None if whole_site else gone_by.worker)
    assert kept(gone_by.worker, at=THEN).in_the_way == ("hold",)
    with doing("command:purge", at=THEN + SOON):
        assert "hold" in purging.carry_out(order, gone_by.worker, at=THEN + SOON).in_the_way
    with doing(gone_by.physician, at=THEN), pytest.raises(PermissionDenied):
        retention.lift_hold(hold=placed, because="Settled.", by=gone_by.physician, at=THEN)
    with doing(gone_by.auditor, at=THEN):
        with pytest.raises(BadSubmission):
            retention.lift_hold(hold=placed, because=" ", by=gone_by.auditor, at=THEN)
        lifted = retention.lift_hold(hold=placed, because="Settled.", by=gone_by.auditor, at=THEN)
        with pytest.raises(Conflict):
            retention.lift_hold(hold=placed, because="Settled again.", by=gone_by.auditor, at=THEN)
    assert (lifted.placed_by, lifted.lifted_by, lifted.lifted_because) == (
        gone_by.auditor, gone_by.auditor, "Settled."
    )  # fmt: skip
    assert kept(gone_by.worker, at=THEN).in_the_way == ()


@pytest.mark.parametrize("who", ["nurse", "observer", "lead", "administrator", "outsider"])
def test_nobody_else_places_a_hold_proposes_or_agrees(gone_by, who):
    by = getattr(gone_by, who)
    with pytest.raises(PermissionDenied):
        hold(gone_by, by=by, worker=gone_by.worker)
    with pytest.raises(PermissionDenied):
        propose(gone_by, by=by)
    order = propose(gone_by)
    with pytest.raises(PermissionDenied):
        answer(gone_by, order, by=by)


# Two people.


def test_who_proposed_does_not_agree_with_both_roles_either(gone_by):
    with doing("command:tests"):
        Role.objects.create(user=gone_by.physician, site=gone_by.site, kind="auditor", from_at=MONDAY)
    order = propose(gone_by)
    with pytest.raises(PermissionDenied):
        answer(gone_by, order, by=gone_by.physician)
    order.agreed, order.answered_by, order.answered_at = True, gone_by.physician, THEN
    with doing(gone_by.physician), pytest.raises(IntegrityError), transaction.atomic():
        order.save()


def own_record(cast, user):
    with doing(cast.administrator):
        return Worker.objects.create(site=cast.site, user=user, name=str(user), left_on=LEFT)


def test_nobody_proposes_or_agrees_about_themselves(gone_by):
    with pytest.raises(PermissionDenied):
        propose(gone_by, workers=[own_record(gone_by, gone_by.physician)])
    order = propose(gone_by, workers=[own_record(gone_by, gone_by.auditor)])
    with pytest.raises(PermissionDenied):
        answer(gone_by, order)


def test_an_order_needs_a_reason_people_of_the_site_and_a_period_that_has_ended(gone_by):
    with pytest.raises(BadSubmission):
        propose(gone_by, reason=" ")
    with pytest.raises(BadSubmission):
        propose(gone_by, workers=[])
    rosa = Worker.objects.get(name="Rosa Linden")
    with pytest.raises(NotYet) as refused:
        propose(gone_by, workers=[gone_by.worker, rosa])
    assert "unknown_leaving" in refused.value.reasons
    assert not PurgeOrder.objects.exists()


def test_a_second_order_for_the_same_person_and_a_second_answer_are_a_conflict(gone_by):
    order = propose(gone_by)
    with pytest.raises(Conflict):
        propose(gone_by, by=gone_by.physician2)
    answer(gone_by, order, agreed=False)
    with pytest.raises(Conflict):
        answer(gone_by, order)
    assert propose(gone_by, by=gone_by.physician2).pk != order.pk, "a no ends it, and it may be proposed anew"


# What goes.


def test_rows_and_bytes_go_and_every_hash_stays(gone_by, monkeypatch):
    order = ordered(gone_by)
    size, leaves = sealing.size(), list(SealEntry.objects.values_list("leaf_hash", flat=True))
    uid = gone_by.worker.uid
    dry = command(monkeypatch, "purge")
    assert f"{uid} would go under order {order.uid}" in dry
    assert Worker.objects.filter(uid=uid).exists(), "a dry run changes nothing"
    rosas = purging.going(Worker.objects.get(name="Rosa Linden"), at=THEN).counts

    done = command(monkeypatch, "purge", "--carry-out")
    purge = Purge.objects.get()
    assert f"{uid} has gone under order {order.uid}" in done
    assert not Worker.objects.filter(uid=uid).exists()
    assert not Worker.history.filter(uid=uid).exists()
    assert not Reading.objects.exists()
    assert FollowUp.objects.count() == 1, "Rosa's"
    assert purging.going(Worker.objects.get(name="Rosa Linden"), at=THEN).counts == rosas
    assert sealing.size() == size
    assert list(SealEntry.objects.values_list("leaf_hash", flat=True)) == leaves
    assert SealedBytes.objects.count() == size - purge.entries
    assert not any(
        b"Wim Alder" in bytes(one.content)
        for one in SealedBytes.objects.exclude(entry__model__in=["historicaluser"])
    )
    assert bytes(heads.newest().root) == merkle.root(bytes(leaf) for leaf in leaves)
    assert (purge.counts["Reading"], purge.counts["HistoricalWorker"], purge.counts["FollowUp"]) == (1, 2, 1)
    assert purge.first_at < MONDAY < purge.last_at
    assert triggers.standing() == triggers.expected()


def test_verify_says_who_let_it_go_and_calls_it_no_tampering(gone_by, monkeypatch):
    ordered(gone_by)
    command(monkeypatch, "purge", "--carry-out")
    entries = Purge.objects.get().entries
    seal(THEN + 2 * SOON)
    said = command(monkeypatch, "verify", at=THEN + 2 * SOON)
    assert f"Purged lawfully by {gone_by.physician} and {gone_by.auditor} on 2056-05-01" in said
    assert f"{entries} entries" in said
    assert "All of it fits." in said


def test_a_purge_in_the_middle_of_a_verification_is_no_finding_either(gone_by, monkeypatch):
    ordered(gone_by)
    verification = Verification(at=THEN + SOON, thorough=True)  # else PostgreSQL reads all as of one moment
    monkeypatch.setattr("exposure.audit.verification.BATCH", 50)
    first = Verification._unlike
    done = []

    def unlike(self, batch):
        if not done:
            done.append(command(monkeypatch, "purge", "--carry-out"))  # after this batch was read
        yield from first(self, batch)

    monkeypatch.setattr(Verification, "_unlike", unlike)
    assert list(verification.findings()) == []
    assert [str(one) for one in verification.purges if one.is_lawful]


def test_others_who_write_all_the_time_put_it_off_and_nothing_has_gone(gone_by, monkeypatch):
    ordered(gone_by)
    monkeypatch.setattr("exposure.management.commands.purge.PAUSE", 0)
    monkeypatch.setattr(purging, "_lock", mock.Mock(side_effect=OperationalError("lock timeout")))
    with pytest.raises(CommandError, match="quieter hour"):
        command(monkeypatch, "purge", "--carry-out")
    assert Worker.objects.filter(pk=gone_by.worker.pk).exists()


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_how_long_it_waits_for_the_tables_bounds_nothing_else_of_its_transaction(gone_by, monkeypatch):
    """Behind it others may wait as they always do: cleaning up by the database itself holds a table for a second."""
    ordered(gone_by)
    with connection.cursor() as cursor:
        cursor.execute("SHOW lock_timeout")
        usual = cursor.fetchone()
        assert "has gone" in command(monkeypatch, "purge", "--carry-out")
        cursor.execute("SHOW lock_timeout")
        assert cursor.fetchone() == usual


def test_doing_it_again_does_nothing_and_says_so(gone_by, monkeypatch):
    ordered(gone_by)
    command(monkeypatch, "purge", "--carry-out")
    assert command(monkeypatch, "purge", "--carry-out") == "Nothing is ordered to go.\n"
    assert Purge.objects.count() == 1


def test_cut_off_in_the_middle_nothing_has_happened_and_the_next_run_finishes(gone_by, monkeypatch):
    order = ordered(gone_by)
    before = purging.going(gone_by.worker, at=THEN).counts
    real, calls = purging._delete, []

    def dies(*given):
        calls.append(given)
        if len(calls) == 9:
            raise KeyboardInterrupt
        real(*given)

    monkeypatch.setattr(purging, "_delete", dies)
    with doing("command:purge", at=THEN + SOON), pytest.raises(KeyboardInterrupt), transaction.atomic():
        purging.carry_out(order, gone_by.worker, at=THEN + SOON)
    monkeypatch.setattr(purging, "_delete", real)
    assert purging.going(gone_by.worker, at=THEN).counts == before
    assert triggers.standing() == triggers.expected()
    assert found() == []
    command(monkeypatch, "purge", "--carry-out")
    assert Purge.objects.count() == 1
    assert found() == []


def test_an_order_that_no_head_covers_yet_waits(gone_by, monkeypatch):
    order = answer(gone_by, propose(gone_by))
    assert "not under a signed head yet" in command(monkeypatch, "purge", "--carry-out")
    assert retention.outstanding(order)
    seal(THEN + SOON)
    assert "has gone" in command(monkeypatch, "purge", "--carry-out")


@pytest.mark.parametrize("answered", [None, False])
def test_without_a_yes_nothing_goes(gone_by, monkeypatch, answered):
    order = propose(gone_by)
    if answered is False:
        answer(gone_by, order, agreed=False)
    seal(THEN + SOON)
    assert command(monkeypatch, "purge", "--carry-out") == "Nothing is ordered to go.\n"
    with doing("command:purge", at=THEN + SOON):
        assert not isinstance(purging.carry_out(order, gone_by.worker, at=THEN + SOON), Purge)


def test_a_row_of_somebody_else_s_record_that_points_to_it_keeps_it_whole(gone_by, monkeypatch):
    ordered(gone_by)
    theirs = FollowUp.objects.exclude(worker=gone_by.worker).get().exposures.get()
    own = FollowUp.objects.get(worker=gone_by.worker).exposures.get()
    with doing("command:tests", at=MONDAY):
        theirs.corrects = own
        theirs.save()
    seal(THEN + SOON)
    assert "elsewhere:Exposure" in command(monkeypatch, "purge", "--carry-out")
    assert Worker.objects.filter(pk=gone_by.worker.pk).exists()


def test_whoever_owns_no_table_is_told_so(gone_by, monkeypatch):
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has no accounts")
    ordered(gone_by)
    with connection.cursor() as cursor:
        cursor.execute(
            "CREATE ROLE owns_nothing; GRANT SELECT ON ALL TABLES IN SCHEMA public TO owns_nothing"
        )
        cursor.execute("SET LOCAL ROLE owns_nothing")
    with pytest.raises(CommandError, match="owner of the tables"), transaction.atomic():
        command(monkeypatch, "purge", "--carry-out")
    with connection.cursor() as cursor:
        cursor.execute("RESET ROLE")


# What is no purge.


def lost(sequence):
    """As the database's owner would: past every guard."""
    with triggers.lifted([SealedBytes]), connection.cursor() as cursor:
        cursor.execute("DELETE FROM exposure_sealedbytes WHERE entry_id = %s", [sequence])


def test_bytes_that_went_without_a_purge_are_still_found(gone_by, monkeypatch):
    ordered(gone_by)
    command(monkeypatch, "purge", "--carry-out")
    other = SealedBytes.objects.order_by("pk").first().pk
    lost(other)
    assert [one for one in found() if "its bytes are gone" in one and one.startswith(f"Entry {other} (")]
    assert len(found()) == 1


def forged(cast, **changes):
    """A purge written by somebody who owns the database, over an entry that they have taken."""
    values = {"people": [str(cast.worker.uid)], "reason": "x", "proposed_by": cast.physician}
    values |= {"proposed_at": THEN, "answered_by": cast.auditor, "answered_at": THEN, "agreed": True}
    order = {**values, **{name: changes[name] for name in values if name in changes}}
    with doing(changes.get("actor", "command:tests"), at=THEN):
        made = PurgeOrder.objects.create(site=cast.site, **order)
        about = changes.get("about", cast.worker.uid)
        Purge.objects.create(
            order=made, about=about, counts={}, first_at=MONDAY, last_at=MONDAY, leaves=[[5, 5]]
        )
    lost(5)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"about": uuid.UUID(int=7)}, "does not name that person"),
        ({"agreed": False}, "not agreed to"),
        ({"answered_by": None, "answered_at": None, "agreed": None}, "not agreed to"),
        ({"answered_at": THEN + timedelta(days=1)}, "agreed to afterwards"),
        ({}, "not by two people"),
    ],
)
def test_a_purge_that_two_people_did_not_order_is_named_and_so_is_what_it_took(gone_by, changes, why):
    forged(gone_by, **changes)
    findings = found()
    assert any(why in one for one in findings)
    assert any(one.startswith("Entry 5 (") and "its bytes are gone" in one for one in findings)


@pytest.mark.parametrize("leaves", [{"5": 5}, [[5]], [["a", "b"]], 5, None, [5]])
def test_a_purge_whose_numbers_cannot_be_read_is_named_and_ends_no_reading(gone_by, leaves):
    order = ordered(gone_by)
    with doing("command:purge", at=THEN + SOON):
        Purge.objects.create(
            order=order,
            about=gone_by.worker.uid,
            counts={},
            first_at=MONDAY,
            last_at=MONDAY,
            leaves=leaves or "x",
        )
    assert any("what it took cannot be read" in one for one in found())


def test_what_has_gone_lawfully_and_is_there_again_is_named(gone_by, monkeypatch):
    ordered(gone_by)
    command(monkeypatch, "purge", "--carry-out")
    [[first, _last], *_more] = Purge.objects.get().leaves
    with connection.cursor() as cursor:
        cursor.execute("INSERT INTO exposure_sealedbytes VALUES (%s, %s)", [first, b"{}"])
    assert any(one.startswith(f"Entry {first} (") and "it is there" in one for one in found())


def test_the_purge_is_sealed_itself_and_a_changed_one_is_named(gone_by, monkeypatch):
    ordered(gone_by)
    command(monkeypatch, "purge", "--carry-out")
    seal(THEN + 2 * SOON)
    with transaction.atomic():
        triggers.remove()
        with connection.cursor() as cursor:
            cursor.execute("UPDATE exposure_purge SET counts = '{}'")
        triggers.install()
    assert any("purge" in one and "counts" in one for one in found(at=THEN + 2 * SOON))


def test_holds_of_the_purged_go_with_them_once_lifted(gone_by, monkeypatch):
    placed = hold(gone_by, worker=gone_by.worker)
    with doing(gone_by.auditor, at=THEN):
        retention.lift_hold(hold=placed, because="Settled.", by=gone_by.auditor, at=THEN)
    ordered(gone_by)
    assert "has gone" in command(monkeypatch, "purge", "--carry-out")
    assert not Hold.objects.exists()
    assert SealHead.objects.exists()
    assert found() == []
