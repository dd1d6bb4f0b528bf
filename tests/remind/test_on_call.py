"""Whom an alert that nobody takes goes to, minute by minute: on-call chain, hand-over, everybody, the switchboard. The
minutes are a local choice; that an unanswered page goes to the next on call is common practice, no source."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.people import on_call
from exposure.people.models import OnCall, Worker
from exposure.pipeline import attend
from exposure.refusal import BadSubmission
from exposure.remind.models import Message
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log, report, sweep_at

pytestmark = pytest.mark.database

RAISED, TOMORROW = MONDAY + hours(2), MONDAY + hours(24)
EVERYBODY = {"nurse", "nurse2", "physician", "physician2"}


def minutes(count):
    return RAISED + timedelta(minutes=count)


@pytest.fixture
def fever(cast):
    """A fever that nobody has seen yet."""
    follow_up_told_and_confirmed(cast)

    def raised(at=RAISED):
        log(cast, at=at, temperature="39.1")
        return Alert.objects.get(cause="fever", closed_at=None)

    return raised


def put(cast, *places, from_at=MONDAY, until_at=TOMORROW):
    """On call at the first site, place by place."""
    with doing(cast.nurse):
        for place, who in enumerate(places, 1):
            if who:
                OnCall.objects.create(
                    site=cast.site, user=getattr(cast, who), place=place, from_at=from_at, until_at=until_at
                )


def told(at, *, cause="fever"):
    """Who has been told by then, with the place in the chain."""
    sweep_at(at)
    rows = Message.objects.filter(alert__cause=cause).order_by("page_rung", "user__name")
    return [*dict.fromkeys(rows.values_list("page_rung", "user__name"))]


def names(at):
    return {name for _rung, name in told(at)}


def test_it_goes_from_place_to_place_while_nobody_takes_it_and_at_last_to_everybody(cast, fever):
    put(cast, "nurse", "nurse2")
    alert = fever()
    assert told(minutes(0)) == [(0, "nurse")]
    assert told(minutes(14)) == [(0, "nurse")]
    assert told(minutes(15)) == [(0, "nurse"), (1, "nurse2")]
    alert.refresh_from_db()
    assert not alert.is_nobodys
    assert told(minutes(29)) == [(0, "nurse"), (1, "nurse2")]
    assert told(minutes(30)) == [(0, "nurse"), (1, "nurse2"), (2, "physician"), (2, "physician2")]
    alert.refresh_from_db()
    assert alert.is_nobodys
    assert len(told(minutes(300))) == 4


def test_where_nobody_is_on_call_everybody_is_told_at_once(cast, fever):
    put(cast, "nurse", until_at=RAISED)  # the hand-over was just now, to nobody
    alert = fever()
    assert names(minutes(0)) == EVERYBODY
    alert.refresh_from_db()
    assert (alert.climbs_at, alert.is_nobodys) == (minutes(15), False)
    assert names(minutes(15)) == EVERYBODY, "nobody is told twice"
    alert.refresh_from_db()
    assert (alert.climbs_at, alert.is_nobodys) == (None, True)
    with doing(cast.nurse, at=minutes(20)):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=minutes(20))
    alert.refresh_from_db()
    assert not alert.is_nobodys


@pytest.mark.parametrize("after", [0, 5, 20])
def test_whoever_takes_it_ends_the_climbing(cast, fever, after):
    put(cast, "nurse", "nurse2", "physician")
    alert = fever()
    so_far = names(minutes(after))
    with doing(cast.nurse, at=minutes(after)):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=minutes(after))
    assert names(minutes(after + 120)) == so_far


def test_a_new_round_begins_at_the_first_place(cast, fever):
    put(cast, "nurse", "nurse2")
    alert = fever()
    names(minutes(0))
    with doing(cast.nurse, at=minutes(1)):
        attend.acknowledge_alert(alert=alert, by=cast.nurse, at=minutes(1))
    fever(minutes(40))
    sweep_at(minutes(40))
    again = Message.objects.filter(alert=alert, alert_round=2)
    assert {message.user.name for message in again} == {"nurse"}
    sweep_at(minutes(55))
    assert {message.user.name for message in again.all()} == {"nurse", "nurse2"}


def test_who_comes_on_call_while_it_waits_is_told_with_the_next(cast, fever):
    put(cast, "nurse", "nurse2", until_at=minutes(10))
    put(cast, "physician", "nurse2", from_at=minutes(10))
    fever()
    assert names(minutes(0)) == {"nurse"}
    assert names(minutes(15)) == {"nurse", "physician", "nurse2"}


def test_nobody_waits_for_somebody_whom_nothing_reaches(cast, fever):
    put(cast, "nurse", "nurse2")
    with doing(cast.administrator):
        cast.nurse.email = None
        cast.nurse.save()
    fever()
    sweep_at(minutes(0))
    assert names(minutes(1)) == {"nurse2"}


def test_nobody_is_told_of_themselves_and_the_next_need_not_wait(cast):
    put(cast, "nurse", "nurse2")
    with doing("command:tests"):
        worker = Worker.objects.create(site=cast.site, user=cast.nurse, number="SG-7", name="Nora Teal")
    report(cast, worker=worker.number, shoe_size=43)
    sweep_at(MONDAY)
    sweep_at(MONDAY + timedelta(minutes=1))
    assert {message.user.name for message in Message.objects.exclude(alert=None)} == {"nurse2"}


def test_of_two_in_one_place_both_are_told(cast, fever):
    put(cast, "nurse")
    put(cast, "physician")
    fever()
    assert names(minutes(0)) == {"nurse", "physician"}


def test_another_sites_chain_is_not_asked(cast, fever):
    with doing(cast.nurse):
        OnCall.objects.create(
            site=cast.other_site, user=cast.nurse, place=1, from_at=MONDAY, until_at=MONDAY + hours(24)
        )
    fever()
    assert names(minutes(0)) == EVERYBODY


def test_after_hours_without_a_sweep_the_next_place_is_told_and_the_one_after_it_has_its_minutes(cast, fever):
    put(cast, "nurse", "nurse2", "physician")
    fever()
    assert names(minutes(0)) == {"nurse"}
    assert names(minutes(200)) == {"nurse", "nurse2"}
    assert names(minutes(214)) == {"nurse", "nurse2"}
    assert names(minutes(215)) == {"nurse", "nurse2", "physician"}


def test_the_sites_own_minutes_count(cast, fever):
    put(cast, "nurse", "nurse2")
    with doing(cast.administrator):
        cast.site.climb_minutes = 5
        cast.site.save()
    fever()
    assert names(minutes(0)) == {"nurse"}
    assert names(minutes(5)) == {"nurse", "nurse2"}


def test_the_page_of_the_alert_says_who_was_told_and_at_last_whom_to_ring(
    cast, fever, client, standing_clock
):
    put(cast, "nurse", "nurse2")
    with doing(cast.administrator):
        cast.site.switchboard = "+351 900 000 900"
        cast.site.save()
    alert = fever()
    client.force_login(cast.physician)
    for at, rings in ((0, False), (15, False), (30, True)):
        sweep_at(minutes(at))
        standing_clock(minutes(at))
        page = client.get(reverse("alert", args=[alert.uid])).content.decode()
        assert "Nora Teal" in page
        assert (cast.nurse2.full_name in page) is (at >= 15)
        assert ("nobody has taken it" in page) is rings
        assert ("tel:+351900000900" in page) is rings
        queue = client.get(reverse("needs_action")).content.decode()
        assert ("tel:+351900000900" in queue) is rings


# Putting somebody on call


def test_a_nurse_puts_a_colleague_on_call_and_takes_them_off_again(cast, client, standing_clock):
    standing_clock(MONDAY)
    client.force_login(cast.nurse)
    form = reverse("put_on_call", args=[cast.site.code])
    sent = {"user": cast.nurse2.pk, "place": 1, "from_at": "2026-03-02T20:00", "until_at": "2026-03-03T08:00"}
    for _twice in range(2):
        assert client.post(form, sent)["Location"] == reverse("on_call")
    row = OnCall.objects.get()
    assert row.history.get().history_user_id == cast.nurse.actor
    assert cast.nurse2.full_name in client.get(reverse("on_call")).content.decode()
    client.post(reverse("end_on_call", args=[row.uid]))
    row.refresh_from_db()
    assert row.until_at == row.from_at  # it had not begun
    client.get(reverse("on_call"))  # says so
    assert cast.nurse2.full_name not in client.get(reverse("on_call")).content.decode()


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"until_at": "2026-03-02T20:00"}, "until_at"),
        ({"until_at": "2026-04-20T08:00"}, "until_at"),
        ({"from_at": "2026-02-01T08:00", "until_at": "2026-02-01T20:00"}, "until_at"),
        ({"from_at": "soon"}, "from_at"),
        ({"place": "9"}, "place"),
        ({"user": ""}, "user"),
    ],
)
def test_what_cannot_be_taken_is_said_at_its_field(cast, client, standing_clock, wrong, field):
    standing_clock(MONDAY)
    client.force_login(cast.nurse)
    sent = {"user": cast.nurse2.pk, "place": 1, "from_at": "2026-03-02T20:00", "until_at": "2026-03-03T08:00"}
    page = client.post(reverse("put_on_call", args=[cast.site.code]), {**sent, **wrong})
    assert page.status_code == 422
    assert field in page.context["form"].errors
    assert not OnCall.objects.exists()


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "outsider"])
def test_only_who_is_told_of_alerts_there_is_on_call(cast, who):
    said = {"place": 1, "from_at": MONDAY, "until_at": MONDAY + hours(12), "by": cast.nurse, "at": MONDAY}
    with doing(cast.nurse), pytest.raises(BadSubmission):
        on_call.put_on_call(site=cast.site, user=getattr(cast, who), **said)


def test_another_sites_nurse_sees_and_ends_nothing(cast):
    put(cast, "nurse")
    outsider = Client()
    outsider.force_login(cast.outsider)
    assert outsider.get(reverse("put_on_call", args=[cast.site.code])).status_code == 404
    assert outsider.post(reverse("end_on_call", args=[OnCall.objects.get().uid])).status_code == 404
    assert cast.nurse.full_name not in outsider.get(reverse("on_call")).content.decode()
