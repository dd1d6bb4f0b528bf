"""Roles that open other people's records are given by two."""

from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.test import Client
from django.urls import reverse

from exposure.people import roles
from exposure.people.access import holds
from exposure.people.models import Role, User
from exposure.people.policy import CONFIRMING, GIVEN_BY_TWO
from exposure.refusal import Conflict
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]


@pytest.fixture(autouse=True)
def _monday(standing_clock):
    standing_clock(MONDAY)


@pytest.fixture
def nell(cast):
    with doing("command:tests"):
        return User.objects.create_user("nell", None, full_name="Nell Sedge")


@pytest.fixture
def second(cast):
    """Another administrator of the same site."""
    with doing("command:tests"):
        user = User.objects.create_user("alma", None, full_name="Alma Dune")
        Role.objects.create(
            user=user, site=cast.site, kind="administrator", from_at=MONDAY - timedelta(days=1)
        )
    return user


def asked(cast, user, kind, site):
    with doing(cast.administrator):
        return Role.objects.create(
            user=user, site=site, kind=kind, from_at=MONDAY, waiting=True, asked_by=cast.administrator
        )


def browser_of(user):
    client = Client()
    client.force_login(user)
    return client


@pytest.mark.parametrize("kind", sorted(GIVEN_BY_TWO))
def test_it_counts_once_a_second_person_agrees(cast, nell, second, kind):
    role = asked(cast, nell, kind, cast.site)
    assert not holds(nell, {kind}, at=MONDAY)
    assert nell.full_name in browser_of(second).get(reverse("waiting_roles")).content.decode()
    browser_of(second).post(reverse("settle_role", args=[role.uid]), {"agreed": "yes"})
    assert holds(User.objects.get(pk=nell.pk), {kind}, at=MONDAY)
    role.refresh_from_db()
    assert (role.asked_by, role.confirmed_by) == (cast.administrator, second)
    assert role.history.latest().history_user_id == second.actor


def test_a_no_is_final_and_it_never_counted(cast, nell, second):
    role = asked(cast, nell, "nurse", cast.site)
    browser_of(second).post(reverse("settle_role", args=[role.uid]), {"agreed": "no"})
    for at in (MONDAY, MONDAY + timedelta(days=1)):
        assert not holds(User.objects.get(pk=nell.pk), {"nurse"}, at=at)
    with doing(second), pytest.raises(Conflict):
        roles.settle(role, agreed=True, by=second, at=MONDAY + timedelta(hours=1))


@pytest.mark.parametrize(
    ("who", "may"),
    [
        ("second", True),
        ("physician", True),
        ("administrator", False),  # asked for it
        ("nell", False),  # it is for her
        ("nurse", False),
        ("lead", False),
        ("auditor", False),
        ("observer", False),
        ("outsider", False),  # of another site
    ],
)
def test_who_may_agree(cast, nell, second, who, may):
    people = {"second": second, "nell": nell}
    user = people.get(who) or getattr(cast, who)
    role = asked(cast, nell, "nurse", cast.site)
    with doing(user):
        if may:
            roles.settle(role, agreed=True, by=user, at=MONDAY)
        else:
            with pytest.raises(PermissionDenied):
                roles.settle(role, agreed=True, by=user, at=MONDAY)
    answer = browser_of(user).post(reverse("settle_role", args=[role.uid]), {"agreed": "yes"})
    assert answer.status_code in ((404,) if may else (403, 404))
    role.refresh_from_db()
    assert role.waiting is not may


def test_a_role_everywhere_is_agreed_to_by_who_holds_one_everywhere(cast, nell, second):
    role = asked(cast, nell, "auditor", None)
    with doing(second), pytest.raises(PermissionDenied):
        roles.settle(role, agreed=True, by=second, at=MONDAY)
    everywhere = Role.objects.get(user=second)
    everywhere.site = None
    with doing("command:tests"):
        everywhere.save()
        roles.settle(role, agreed=True, by=User.objects.get(pk=second.pk), at=MONDAY)
    role.refresh_from_db()
    assert not role.waiting


def test_two_who_settle_it_one_after_the_other_are_told(cast, nell, second):
    role = asked(cast, nell, "nurse", cast.site)
    with doing(second):
        roles.settle(role, agreed=True, by=second, at=MONDAY)
    with doing(cast.physician), pytest.raises(Conflict):
        roles.settle(role, agreed=False, by=cast.physician, at=MONDAY)
    role.refresh_from_db()
    assert role.confirmed_by == second


def test_a_role_that_ended_while_it_waited_waits_no_longer(cast, nell, second):
    role = asked(cast, nell, "nurse", cast.site)
    role.until_at = MONDAY
    with doing(cast.administrator):
        role.save()
    assert not roles.waiting_for(second, at=MONDAY).exists()


def test_whoever_agrees_needs_a_second_person_for_their_own_role():
    assert CONFIRMING <= GIVEN_BY_TWO
