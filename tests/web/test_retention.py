"""The page of retention: a physician proposes, an auditor agrees, either holds; nobody sees what is about them."""

from datetime import date
from unittest import mock

import pytest
from django.test import Client
from django.urls import reverse

from exposure import clock
from exposure.audit.models import AccessEntry, Hold, PurgeOrder
from exposure.people.models import Worker
from exposure.pipeline import clear
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed

pytestmark = pytest.mark.django_db

THEN = MONDAY.replace(year=2057)
PAGE = reverse("retention")


@pytest.fixture(autouse=True)
def decades_later():
    with mock.patch.object(clock, "now", return_value=THEN):
        yield


@pytest.fixture
def left(cast):
    with doing(cast.administrator):
        return Worker.objects.create(
            site=cast.site, number="SG-0007", name="Ines Marsh", left_on=date(2026, 3, 31)
        )


def page_of(user, address=PAGE):
    return client_of(user).get(address).content.decode()


def client_of(user):
    client = Client()
    client.force_login(user)
    return client


def propose(cast, left, by=None, **changes):
    body = {"deed": "purge", "purge-people": [str(left.uid)], "purge-reason": "Thirty years.", **changes}
    return client_of(by or cast.physician).post(PAGE, body)


def test_a_physician_proposes_an_auditor_agrees_and_the_order_says_what_would_go(cast, left):
    assert propose(cast, left).status_code == 302
    order = PurgeOrder.objects.get()
    address = reverse("purge_order", args=[order.uid])
    assert "Ines Marsh" in page_of(cast.auditor, address)
    assert "I agree that they go" in page_of(cast.auditor, address)
    assert "I agree that they go" not in page_of(cast.physician, address)
    assert "waits for an auditor" in page_of(cast.physician2)
    assert client_of(cast.auditor).post(address, {"agreed": "yes"}).status_code == 302
    order.refresh_from_db()
    assert (order.agreed, order.proposed_by, order.answered_by) == (True, cast.physician, cast.auditor)
    assert "Agreed, and not carried out yet" in page_of(cast.auditor, address)


def test_who_proposed_is_refused_and_so_is_who_only_reads(cast, left):
    propose(cast, left)
    address = reverse("purge_order", args=[PurgeOrder.objects.get().uid])
    for user in (cast.physician, cast.physician2):
        assert client_of(user).post(address, {"agreed": "yes"}).status_code == 403
    for user in (cast.nurse, cast.outsider, cast.observer, cast.administrator):
        assert client_of(user).get(address).status_code == 403
    assert propose(cast, left, by=cast.auditor).status_code == 403
    assert PurgeOrder.objects.get().agreed is None


def test_what_was_typed_stands_when_it_cannot_be_taken(cast, left):
    page = propose(cast, left, **{"purge-people": []})
    assert page.status_code == 422
    assert "Thirty years." in page.content.decode()
    assert not PurgeOrder.objects.exists()


def test_a_hold_between_the_look_and_the_proposal_is_said(cast, left):
    body = {"deed": "hold", "hold-site": cast.site.pk, "hold-number": "sg-0007", "hold-reason": "Claim 9."}
    assert client_of(cast.auditor).post(PAGE, body).status_code == 302
    assert "a legal hold stands" in page_of(cast.physician)
    assert "Claim 9." in page_of(cast.physician)
    hold = Hold.objects.get()
    assert hold.worker == left
    address = reverse("lift_hold", args=[hold.uid])
    assert address not in page_of(cast.physician)
    assert client_of(cast.physician).get(address).status_code == 403
    assert client_of(cast.auditor).post(address, {"because": ""}).status_code == 422
    assert client_of(cast.auditor).post(address, {"because": "Settled."}).status_code == 302
    assert client_of(cast.auditor).post(address, {"because": "Again."}).status_code == 302
    hold.refresh_from_db()
    assert (hold.lifted_by, hold.lifted_because) == (cast.auditor, "Settled.")


def test_a_number_of_nobody_holds_nothing(cast, left):
    body = {"deed": "hold", "hold-site": cast.site.pk, "hold-number": "SG-9999", "hold-reason": "Claim 9."}
    page = client_of(cast.auditor).post(PAGE, body)
    assert page.status_code == 422
    assert "No worker of this site has this number." in page.content.decode()
    assert not Hold.objects.exists()


def test_another_site_s_people_holds_and_orders_are_not_there(cast, left):
    with doing(cast.administrator):
        left.site = cast.other_site
        left.save()
        Hold.objects.create(
            site=cast.other_site, worker=left, reason="Theirs.", placed_by=cast.outsider, placed_at=MONDAY
        )
    page = page_of(cast.auditor)
    assert "Ines Marsh" not in page
    assert "Theirs." not in page
    body = {"deed": "hold", "hold-site": cast.other_site.pk, "hold-number": "", "hold-reason": "Mine."}
    assert client_of(cast.auditor).post(PAGE, body).status_code == 422


def test_what_is_about_oneself_is_not_there(cast, left):
    with doing(cast.administrator):
        left.user = cast.physician2
        left.save()
    propose(cast, left)
    order = PurgeOrder.objects.get()
    assert "Ines Marsh" not in page_of(cast.physician2)
    address = reverse("purge_order", args=[order.uid])
    assert client_of(cast.physician2).get(address).status_code == 404
    assert str(order.uid) not in page_of(cast.physician2)


def test_each_look_is_noted(cast, left):
    propose(cast, left)
    page_of(cast.auditor)
    page_of(cast.auditor, reverse("purge_order", args=[PurgeOrder.objects.get().uid]))
    looks = AccessEntry.objects.filter(user=cast.auditor).order_by("pk")
    assert [(look.kind, look.about) for look in looks if look.kind != "signed_in"] == [
        ("list", None), ("person", left.uid),
    ]  # fmt: skip


def test_who_left_without_a_last_day_being_entered_is_named(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    said = "the last day of employment was never entered"
    assert said not in page_of(cast.physician)
    with doing(cast.physician):
        clear.end_follow_up(
            follow_up=follow_up, kind="left", reason="Left.", basis="agreed", by=cast.physician, at=MONDAY
        )
    assert said in page_of(cast.physician)
    assert "Wim Alder" in page_of(cast.physician)
