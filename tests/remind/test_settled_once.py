"""What the database writes about reminders that are due is what plain code says of the same facts, on random data; and
each reminder instant is settled once, whenever somebody looks."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState
from exposure.people.models import PushSubscription, User, Worker
from exposure.record import insert_many
from exposure.remind import ladder, reminders
from exposure.remind.models import Message, Reminder, Rung
from exposure.remind.rounds import run
from tests.cast import doing
from tests.remind.due import PARTS

pytestmark = pytest.mark.database

OPENS = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
CLOSES = OPENS + timedelta(hours=4)
MINUTE = timedelta(minutes=1)
PART = PARTS["reminders"]


@dataclass(frozen=True)
class Followed:
    ended: bool
    state: str
    told: bool
    answered: bool


@dataclass(frozen=True)
class Person:
    email: str  # whose: "own", "account" or ""
    mobile: bool
    device: str  # "live", "ended" or ""
    phone_only: bool
    due: int  # minutes after opening; of all that the worker is asked for: the windows are the worker's
    follow_ups: tuple[Followed, ...]

    def rungs(self):
        check = Check(opens_at=OPENS, due_at=OPENS + self.due * MINUTE, closes_at=CLOSES)
        return ladder.rungs(check, None, UTC)

    def reason(self, followed, rung, at):
        """Why nothing is sent, in the order in which it is said; "" when it is."""
        later = [other for other in self.rungs() if rung.at < other.at <= at]
        dead = any(other.state == "died" for other in self.follow_ups)
        reasons = {
            "closed": at >= CLOSES,
            "overtaken": bool(later),
            "answered": followed.answered,
            "ended": dead or followed.ended,
            "paused": followed.state in ("evaluated", "admitted"),
            "not_told": not followed.told,
            "by_phone_only": self.phone_only,
            "no_address": not self.email and not self.mobile and self.device != "live",
        }
        return next((reason for reason, holds in reasons.items() if holds), "")

    def reasons(self, rung, at):
        return {self.reason(followed, rung, at) for followed in self.follow_ups}


often = st.sampled_from([True, True, True, False])
rarely = st.sampled_from([False, False, False, True])
follow_ups = st.builds(
    Followed,
    ended=rarely,
    state=st.sampled_from(["monitored"] * 4 + ["evaluated", "admitted", "died"]),
    told=often,
    answered=rarely,
)
people = st.builds(
    Person,
    email=st.sampled_from(["own", "own", "account", ""]),
    mobile=rarely,
    device=st.sampled_from(["", "", "live", "ended"]),
    phone_only=rarely,
    due=st.integers(0, 240),
    follow_ups=st.lists(follow_ups, min_size=1, max_size=3).map(tuple),
)
instants = st.integers(-10, 260).map(lambda minutes: OPENS + minutes * MINUTE)


def store(cast, crowd):
    """The people as rows; returns the key of each."""
    stored = {}
    for place, person in enumerate(crowd):
        account = None
        if person.email == "account" or person.device:
            email = f"a{place}@example.org" if person.email == "account" else None
            account = User.objects.create(name=f"random{place}", full_name="Somebody", email=email)
        if person.device:
            PushSubscription.objects.create(
                user=account,
                endpoint=f"https://push.example/{place}",
                created_at=OPENS,
                ended_at=OPENS if person.device == "ended" else None,
            )
        worker = Worker.objects.create(
            site=cast.site,
            user=account,
            name="Somebody",
            email="own@example.org" if person.email == "own" else "",
            mobile="+44 1632 960 001" if person.mobile else "",
            phone_only=person.phone_only,
        )
        for number, followed in enumerate(person.follow_ups):
            store_follow_up(cast, worker, person, followed, number)
        stored[worker.pk] = person
    return stored


def store_follow_up(cast, worker, person, followed, number):
    follow_up = FollowUp.objects.create(
        site=cast.site,
        worker=worker,
        pathogen=f"other-{number}",
        opened_at=OPENS,
        ended_at=OPENS - MINUTE if followed.ended else None,
    )
    FollowUpState.objects.create(follow_up=follow_up, kind=followed.state, from_at=OPENS, by="command:tests")
    Exposure.objects.create(
        follow_up=follow_up,
        occurred_at=OPENS,
        zone="UTC",
        day_zero=OPENS.date(),
        told_at=OPENS if followed.told else None,
    )
    [check] = insert_many(
        Check,
        [
            Check(
                follow_up=follow_up,
                day=0,
                window="w",
                local_date=OPENS.date(),
                zone="UTC",
                opens_at=OPENS,
                due_at=OPENS + person.due * MINUTE,
                closes_at=CLOSES,
            )
        ],
    )
    reminders.plan_rungs([check], worker)
    if followed.answered:
        insert_many(Fill, [Fill(check_row=check, state="excused", reason="In theatre.")])


def sweep(at, batch=PART.batch):
    with doing("command:clock", at=at):
        run(PART.__class__(PART.name, PART.notice, PART.settle, batch=batch), at=at)


def written():
    return {(row.worker_id, row.rung): row.skipped_because for row in Reminder.objects.all()}


@settings(max_examples=25)
@given(crowd=st.lists(people, min_size=1, max_size=4), at=instants, batch=st.sampled_from([1, 2, 1000]))
def test_the_database_says_of_each_reminder_what_plain_code_says_of_the_same_facts(cast, crowd, at, batch):
    with doing("command:tests", at=OPENS), transaction.atomic():
        stored = store(cast, crowd)
        sweep(at, batch)
        expected = {
            (worker, rung.kind): person.reasons(rung, at)
            for worker, person in stored.items()
            for rung in person.rungs()
            if rung.at <= at
        }
        found = written()
        assert set(found) == set(expected)
        for key, reasons in expected.items():
            # One that is to be sent goes whatever the other follow-ups say; else it is skipped for a reason of one.
            assert found[key] == "" if "" in reasons else found[key] in reasons
        addressed = {(one.worker_id, one.reminder.rung): one.address for one in Message.objects.all()}
        assert set(addressed) == {key for key, reason in found.items() if not reason}
        for (worker, _kind), address in addressed.items():
            assert address.partition("@")[0].rstrip("0123456789") == stored[worker].email.replace(
                "account", "a"
            )
        assert all(one.pointless_at == CLOSES for one in Message.objects.all())
        assert not Rung.objects.filter(withdrawn_at=None, at__lte=at).exclude(kind="closed").exists()
        transaction.set_rollback(True)


@settings(max_examples=15)
@given(
    crowd=st.lists(people, min_size=1, max_size=2), looks=st.lists(instants, max_size=6), dense=st.booleans()
)
def test_whenever_somebody_looks_each_instant_is_settled_once_and_each_in_its_time_is_sent(
    cast, crowd, looks, dense
):
    with doing("command:tests", at=OPENS), transaction.atomic():
        stored = store(cast, crowd)
        if dense:
            looks = looks + [rung.at for person in crowd for rung in person.rungs()]
        for at in sorted(looks):
            sweep(at)
        last = max(looks, default=OPENS - MINUTE)
        passed = {
            (worker, rung.kind)
            for worker, person in stored.items()
            for rung in person.rungs()
            if rung.at <= last
        }
        found = written()
        assert Reminder.objects.count() == len(found)
        assert set(found) == passed
        assert Message.objects.count() == sum(not reason for reason in found.values())
        if dense:
            for worker, person in stored.items():
                for rung in person.rungs():
                    if "" in person.reasons(rung, rung.at):
                        assert found[worker, rung.kind] == ""
        transaction.set_rollback(True)
