"""A removal that a station's tablet watched without a network, as the service takes it: once, at the moments of its
taps, beside its reports in whatever order they come, and nothing refused for what is in it."""

import random
import threading
import uuid
from datetime import timedelta

import pytest
from django.db import connection

from config.report_key import new_report_key, report_keys
from exposure.attend.models import Alert
from exposure.people import devices, station_pins
from exposure.people.models import User, Worker
from exposure.pipeline import remove
from exposure.pipeline.receive import open_kept, take_sealed
from exposure.pipeline.report import send_unfinished_mark
from exposure.places.models import Protocol, Station, StationProtocol
from exposure.report.models import Breach, Mark, OtherContent, Removal
from exposure.report.removals import neighbours, path_of, unfinished_marks
from exposure.report.sealed import read_envelope
from exposure.report.submission import reference
from exposure.web.tablet.pack import pack_of
from tests.cast import MONDAY, doing
from tests.classify.test_criteria_page import node_running
from tests.web import test_tablet
from tests.web.test_tablet import sealed, sent

pytestmark = [pytest.mark.database, pytest.mark.django_db]
BEGAN = MONDAY - timedelta(minutes=50)
DIGITS = "482915"
key = test_tablet.key


def ago(minutes):
    return (MONDAY - timedelta(minutes=minutes)).isoformat()


def mark(**changes):
    return {
        "id": str(uuid.uuid4()),
        "step": "inner-gloves",
        "at": ago(45),
        "failure": "glove_tear",
        **changes,
    }


def removal(cast, *marks, **changes):
    """One that was over 40 minutes ago."""
    protocol = Protocol.objects.get(code="contact")
    steps = [step.code for step in protocol.steps.all()]
    return {
        "submission_id": str(uuid.uuid4()),
        "kind": "removal",
        "station": "heron",
        "protocol": "contact",
        "worker": str(cast.worker.uid),
        "drill": False,
        "watched": "observer",
        "started_at": BEGAN.isoformat(),
        "finished_at": ago(40),
        "at_step": len(steps),
        "device_clock": {"at": BEGAN.isoformat(), "offset_ms": 0},
        "marks": [
            {**one, "step": steps[1] if one.get("step") == "inner-gloves" else one.get("step")}
            for one in marks
        ],
        **changes,
    }


def report_of(cast, of, one, **changes):
    """The report that the tablet makes of a mark."""
    return cast.body(
        submission_id=one["id"], removal=of["submission_id"], occurred_at=one["at"], **changes,
    )  # fmt: skip


def test_it_stands_once_at_the_moments_of_its_taps_in_the_tablets_name(cast, key):
    of = removal(cast, mark(no_contact_at=ago(39), failure="front_touched"), way_out_at=ago(44))
    first, again = sent(key, sealed(of)), sent(key, sealed(of))
    assert (first.status_code, again.status_code) == (201, 200)
    name = reference(uuid.UUID(of["submission_id"]))
    assert first.json() == again.json() == {
        "submission_id": of["submission_id"], "reference": name, "ring_now": False,
    }  # fmt: skip
    stands = Removal.objects.get()
    assert (str(stands.uid), stands.station, stands.worker) == (
        of["submission_id"],
        cast.station,
        cast.worker,
    )
    assert (stands.started_at, stands.finished_at) == (BEGAN, MONDAY - timedelta(minutes=40))
    assert stands.way_out_at == MONDAY - timedelta(minutes=44)
    noted = Mark.objects.get()
    assert noted.marked_at == MONDAY - timedelta(minutes=45)
    assert noted.deviation_at == MONDAY - timedelta(minutes=39)
    version = stands.history.get()
    device = User.objects.get(full_name="Heron tablet 1")
    assert (version.history_user_id, stands.observer) == (device.actor, device)
    assert not Breach.objects.exists()
    assert not Alert.objects.exists()


@pytest.mark.parametrize("digits", [DIGITS, "000000", ""])
def test_right_digits_prove_who_observed_and_none_are_kept(cast, key, digits):
    with doing("command:tests"):
        station_pins.set_pin(cast.observer, DIGITS, at=MONDAY)
    of = removal(cast, observer={"badge": "observer", "digits": digits})
    assert sent(key, sealed(of)).status_code == 201
    stands = Removal.objects.get()
    assert (stands.observer == cast.observer) == (digits == DIGITS)
    reasons = " ".join(row.history_change_reason for row in stands.history.all())
    assert "Observed by “observer”, as stated at the tablet." in reasons
    assert ("proved" in reasons) == (digits == DIGITS)
    assert DIGITS not in reasons
    assert sent(key, sealed(of)).status_code == 200, "the same sent again, also once somebody has proved it"


@pytest.mark.parametrize("first", ["report", "removal"])
def test_a_report_and_its_removal_find_each_other_in_either_order(cast, key, first):
    one = mark()
    of = removal(cast, one)
    report = report_of(cast, of, one)
    for body in (report, of) if first == "report" else (of, report):
        assert sent(key, sealed(body)).status_code == 201
    breach, noted = Breach.objects.get(), Mark.objects.get()
    assert (noted.breach, breach.removal) == (breach, Removal.objects.get())
    assert breach.flags == []
    assert not Alert.objects.filter(cause=Alert.Cause.TO_LOOK_AT).exists()
    assert [sent(key, sealed(body)).status_code for body in (of, report)] == [200, 200]
    assert not OtherContent.objects.exists()


def test_until_its_removal_comes_a_report_says_so_and_asks_nobody(cast, key):
    one = mark()
    assert sent(key, sealed(report_of(cast, removal(cast, one), one))).status_code == 201
    assert Breach.objects.get().flags == ["removal_awaited"]
    assert not Alert.objects.filter(cause=Alert.Cause.TO_LOOK_AT).exists()


def test_whoever_is_on_no_list_is_one_person_in_the_removal_and_all_its_reports(cast, key):
    one, other = mark(), mark(at=ago(43))
    of = removal(cast, one, other, worker=None, person={"name": "Kim Sand"})
    reports = [report_of(cast, of, it, worker=None, person={"name": "Kim Sand"}) for it in (one, other)]
    for body in (reports[0], of, reports[1]):
        assert sent(key, sealed(body)).status_code == 201
    kim = Worker.objects.get(name="Kim Sand")
    assert Removal.objects.get().worker == kim
    assert Removal.objects.get().unlisted
    assert {breach.worker for breach in Breach.objects.all()} == {kim}
    elsewhere = cast.body(worker=None, person={"name": "Kim Sand"})
    sent(key, sealed(elsewhere))
    assert Worker.objects.filter(name="Kim Sand").count() == 2, "of another removal it may be somebody else"


def test_a_mark_that_nobody_answered_is_sent_as_it_stands_and_what_is_answered_later_is_added(cast, key):
    one = mark()
    of = removal(cast, one)
    assert sent(key, sealed(of)).status_code == 201
    [waiting] = unfinished_marks(MONDAY)
    with doing("task:sweep"):
        send_unfinished_mark(waiting, at=MONDAY)
    breach = Breach.objects.get()
    assert (breach.facts, breach.removal, str(breach.uid)) == ({}, Removal.objects.get(), one["id"])
    assert sent(key, sealed(report_of(cast, of, one))).status_code == 200
    breach.refresh_from_db()
    assert OtherContent.objects.get().body["facts"] == {"contact": "splash", "skin": "intact"}
    assert Breach.objects.count() == 1


def test_what_the_tablet_itself_sent_as_it_stood_is_added_to_as_well(cast, key):
    one = mark()
    of = removal(cast, one)
    assert sent(key, sealed(report_of(cast, of, one, facts={}))).status_code == 201
    assert sent(key, sealed(report_of(cast, of, one))).status_code == 200
    assert Breach.objects.get().assessments.count() == 2
    assert (
        sent(key, sealed(report_of(cast, {**of, "submission_id": str(uuid.uuid4())}, one))).status_code == 409
    )


def test_no_contact_where_it_pierced_counts_only_once_it_was_said_again(cast, key):
    doubtful = mark(failure="sharp", no_contact_at=ago(39))
    certain = mark(failure="sharp", no_contact_at=ago(39), certain=True)
    assert sent(key, sealed(removal(cast, doubtful, certain))).status_code == 201
    stood = {str(one.uid): one.deviation_at is not None for one in Mark.objects.all()}
    assert stood == {doubtful["id"]: False, certain["id"]: True}


def test_the_tablet_goes_through_the_steps_as_the_pages_do(cast):
    """Random taps through every protocol, with the ways out and back from them, a page's use case for each."""
    chance, lines, wanted = random.Random(3), [], []
    pack = {one["code"]: one for one in pack_of(cast.station, at=MONDAY)["protocols"]}
    with doing(cast.observer):
        for protocol in Protocol.objects.all():
            taps = chance.choices(("done", "back", "out", "whole"), (12, 3, 1, 1), k=60)
            lines.append({"protocol": pack[protocol.code], "taps": taps})
            wanted.append(walked(cast, protocol, taps))
    assert node_running("tests/web/walk_with_node.mjs", lines) == wanted
    assert any(len(set(positions)) > 4 for positions in wanted)


def walked(cast, protocol, taps):
    by = {"by": cast.observer, "at": MONDAY}
    one = remove.start_removal(station=cast.station, protocol=protocol, drill=True, **by)
    steps, positions = list(protocol.steps.all()), []
    for tap in taps:
        before, after = neighbours(path_of(one, steps), one.at_step)
        if tap in ("out", "whole"):
            one = remove.take_way_out(removal=one, out=tap == "out", **by)
        elif (to := after if tap == "done" else before) is not None:
            one = remove.reach_step(removal=one, left=one.at_step, position=to, **by)
        positions.append(one.at_step)
    return positions


ODD = {
    "a protocol out of use": {"protocol": "coverall-powered"},
    "a worker whom nobody knows": {"worker": "SG-0000"},
    "a worker whose record is gone": {"worker": str(uuid.uuid4())},
    "nobody": {"worker": None},
    "another station's code": {"station": "nowhere"},
    "wrong types": {"worker": 5, "person": [], "drill": "no", "watched": 7, "at_step": "x", "marks": {"a": 1}},
    "no list of marks": {"marks": [None, 5, "x", []]},
    "NUL": {"worker": None, "person": {"name": "Ki\0m"}},
    "no times": {"started_at": None, "finished_at": "yesterday"},
    "an end before its start": {"finished_at": ago(600)},
    "a year that no zone can hold": {"started_at": "0001-01-01T00:00:00+00:00", "finished_at": "9999-12-31T23:59:59Z"},
    "still to come": {"started_at": "2027-01-01T00:00:00Z"},
    "under way": {"finished_at": None, "paused_at": ago(42)},
    "an observer of another kind": {"observer": ["482915"]},
}  # fmt: skip


@pytest.mark.parametrize("what", ODD)
def test_nothing_is_refused_for_what_is_in_it(cast, key, standing_clock, what):
    if what == "a protocol out of use":
        with doing("command:tests"):
            StationProtocol.objects.get(station=cast.station, protocol__code="coverall-powered").delete()
    of = removal(cast, **ODD[what])
    assert sent(key, sealed(of)).status_code == 201, what
    standing_clock(MONDAY + timedelta(hours=1))  # what it was read as stands, whenever it comes again
    assert sent(key, sealed(of)).status_code == 200, what
    stands = Removal.objects.get()
    assert str(stands.uid) == of["submission_id"]
    assert stands.station == cast.station
    assert stands.started_at <= MONDAY
    assert stands.finished_at is None or stands.started_at <= stands.finished_at <= MONDAY
    if what == "no list of marks":  # each is a tap that something went wrong
        assert Breach.objects.count() == 4


@pytest.mark.parametrize(
    ("changes", "flag"),
    [({"step": "no-such-step"}, "unknown_step"), ({"step": 5}, None), ({"failure": "x"}, None)],
)
def test_a_mark_that_fits_no_step_is_a_report_that_a_nurse_is_asked_about(cast, key, changes, flag):
    one = mark(no_contact_at=ago(39), **changes)
    of = removal(cast, one)
    assert [sent(key, sealed(of)).status_code for _ in range(2)] == [201, 200]
    if "failure" in changes:
        assert Mark.objects.get().failure is None
        return
    breach = Breach.objects.get()
    assert (str(breach.uid), breach.removal, breach.worker) == (one["id"], Removal.objects.get(), cast.worker)
    assert flag is None or flag in breach.flags
    assert not Mark.objects.exists()


def test_one_with_a_protocol_that_was_never_here_is_kept_as_it_came_until_there_is_one(cast, key):
    of = removal(cast, protocol="of-another-service")
    assert sent(key, sealed(of)).status_code == 201
    kept = Breach.objects.get()
    assert "unopened" in kept.flags
    assert kept.reference == reference(uuid.UUID(of["submission_id"]))
    with doing("command:tests"):
        Protocol.objects.create(code="of-another-service", title="Another", source="invented")
        assert open_kept(at=MONDAY) == (1, 0)
        assert open_kept(at=MONDAY) == (0, 0)
    assert str(Removal.objects.get().uid) == of["submission_id"]
    assert OtherContent.objects.get().body["protocol"] == "of-another-service"
    assert sent(key, sealed(of)).status_code == 200, "its receipt was lost, and it comes once more"


def test_the_same_id_with_another_content_or_of_somebody_else_is_not_taken_for_it(cast, key):
    of = removal(cast)
    assert sent(key, sealed(of)).status_code == 201
    for changes in ({"drill": True}, {"finished_at": None}, {"started_at": ago(49)}, {"protocol": "no-such"}):
        answer = sent(key, sealed({**of, **changes}))
        assert answer.status_code == 409, changes
        assert answer["Content-Type"] == "application/problem+json"
    with doing("command:tests"):
        curlew = Station.objects.create(site=cast.site, code="curlew", name="Curlew")
        stranger, _device = devices.enrol(station=curlew, label="Curlew tablet", at=MONDAY)
    assert sent(stranger, sealed(of)).status_code == 409
    stands = Removal.objects.get()
    assert (stands.drill, stands.started_at, stands.history.count()) == (False, BEGAN, 1)


@pytest.mark.django_db(transaction=True)
def test_a_removal_twice_and_its_report_in_the_same_second_stand_once_and_joined(cast, settings):
    if connection.vendor != "postgresql":
        pytest.skip("SQLite writes one after the other")
    settings.REPORT_KEYS = report_keys(new_report_key())
    with doing("command:tests"):
        _key, device = devices.enrol(station=cast.station, label="Heron tablet 1", at=MONDAY)
    wrong = []
    for _turn in range(4):
        one = mark()
        of = removal(cast, one, worker=None, person={"name": "Kim Sand"})
        report = report_of(cast, of, one, worker=None, person={"name": "Kim Sand"}, drill=True)
        start = threading.Barrier(3)

        def send(body, start=start):
            try:
                start.wait()
                with doing(device):
                    take_sealed(envelope=read_envelope(sealed(body)), reporter=device, at=MONDAY)
            except Exception as error:
                wrong.append(error)
            finally:
                connection.close()

        threads = [threading.Thread(target=send, args=(body,)) for body in (of, of, report)]
        [thread.start() for thread in threads]
        [thread.join() for thread in threads]
        assert wrong == []
        stands = Removal.objects.get(uid=of["submission_id"])
        breach = Breach.objects.get(uid=one["id"])
        assert (stands.marks.get().breach, breach.removal) == (breach, stands)
