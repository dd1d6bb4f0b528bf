"""Ways in: made for one person, used once, over after three days; nobody gets in by somebody else's."""

import re
from datetime import timedelta

import pytest
from django.core import mail
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from exposure.people import invitations
from exposure.people.models import Invitation, Role, User, Worker
from exposure.refusal import Conflict
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

CHOSEN = "four words and a gull"


@pytest.fixture(autouse=True)
def _monday(standing_clock):
    standing_clock(MONDAY)


@pytest.fixture
def clara(cast):
    """An agency cleaner with a telephone number and no account."""
    with doing(cast.nurse):
        return Worker.objects.create(site=cast.site, name="Clara Reed", phone="+44 1632 960 417")


@pytest.fixture
def newcomer(cast):
    """An account that an administrator has made: no password, no role, no address."""
    user = User(name="nell", full_name="Nell Sedge")
    user.set_unusable_password()
    with doing(cast.administrator):
        user.save()
    return user


def browser_of(user):
    client = Client()
    client.force_login(user)
    return client


def shown(page):
    """The address on the sheet."""
    found = re.findall(r"/i/[\w-]+/", page.content.decode())
    return found[0] if found else None


def invited(cast, worker):
    with doing(cast.nurse):
        secret, _row = invitations.invite(worker=worker, at=MONDAY)
    return reverse("invitation", args=[secret]) + "?with=password"


def answers(**changes):
    return {"answer": "0417", "name": "clara", "password": CHOSEN, **changes}


def test_a_worker_is_invited_on_paper_and_opens_an_account_of_their_own(cast, clara):
    sheet = browser_of(cast.nurse).post(reverse("invite_worker", args=[clara.uid]), {"by": "paper"})
    assert "<svg" in sheet.content.decode()
    assert f"tel:{cast.site.phone.replace(' ', '')}" in sheet.content.decode()
    stranger = Client()
    page = stranger.get(shown(sheet))
    assert "last four digits" in page.content.decode()
    assert clara.name not in page.content.decode()
    by_name = f"{shown(sheet)}?with=password"
    assert stranger.post(by_name, answers())["Location"] == reverse("account_login")
    clara.refresh_from_db()
    assert clara.user.name == "clara"
    version = clara.history.latest()
    assert (version.user_id, version.history_user_id) == (clara.user.pk, "anonymous")
    stranger.post(reverse("account_login"), {"login": "clara", "password": CHOSEN})
    assert stranger.get(reverse("today")).status_code == 200
    assert AccessEntry.objects.filter(user=clara.user, kind="password").exists()


def test_a_staff_number_is_asked_of_who_has_one(cast, clara):
    with doing(cast.nurse):
        clara.number = "SG-2001"
        clara.save()
    link = invited(cast, clara)
    assert "Your staff number" in Client().get(link).content.decode()
    assert Client().post(link, answers(answer="0417")).status_code == 200
    assert Client().post(link, answers(answer="sg 2001")).status_code == 302


def test_it_opens_once(cast, clara):
    link = invited(cast, clara)
    assert Client().post(link, answers()).status_code == 302
    for answer in (Client().get(link), Client().post(link, answers(name="clara2"))):
        assert answer.status_code == 410
        assert "works no longer" in answer.content.decode()
    assert not User.objects.filter(name="clara2").exists()


@pytest.mark.parametrize(("after", "opens"), [(72 * 3600 - 1, True), (72 * 3600, False)])
def test_it_runs_out_after_three_days(cast, clara, standing_clock, after, opens):
    link = invited(cast, clara)
    standing_clock(MONDAY + timedelta(seconds=after))
    assert (Client().get(link).status_code == 200) is opens
    assert (Client().post(link, answers()).status_code == 302) is opens


def test_a_newer_one_ends_it(cast, clara):
    older, newer = invited(cast, clara), invited(cast, clara)
    assert (Client().get(older).status_code, Client().get(newer).status_code) == (410, 200)


def test_five_wrong_answers_end_it(cast, clara):
    link = invited(cast, clara)
    for left in ("4 more times", "3 more times", "2 more times", "once more"):
        assert left in Client().post(link, answers(answer="9999")).content.decode()
    assert Client().post(link, answers(answer="9999")).status_code == 410
    assert Client().post(link, answers()).status_code == 410
    assert not User.objects.filter(name="clara").exists()


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"password": "short"}, "password"),
        ({"password": "aaaaaaaaaaaaaaaaaaa"}, "password"),
        ({"name": "NURSE"}, "name"),
        ({"name": "two words"}, "name"),
        ({"answer": ""}, "answer"),
    ],
)
def test_what_cannot_be_taken_is_said_and_costs_no_try(cast, clara, wrong, field):
    link = invited(cast, clara)
    page = Client().post(link, answers(**wrong))
    assert field in page.context["form"].errors
    assert Invitation.objects.get().wrong_answers == 0
    assert Client().post(link, answers()).status_code == 302


def test_of_two_who_use_it_at_once_one_gets_in(cast, clara):
    invited(cast, clara)
    [row] = Invitation.objects.all()
    with doing("anonymous"):
        first, second = (User.objects.create_user(name, CHOSEN, full_name="x") for name in ("one", "two"))
        invitations.use(row, first, at=MONDAY)
        with pytest.raises(Conflict):
            invitations.use(row, second, at=MONDAY)
    clara.refresh_from_db()
    assert clara.user == first


def test_who_is_joined_to_another_record_or_has_an_account_needs_none(cast, clara):
    link = invited(cast, clara)
    with doing(cast.nurse):
        clara.same_as = cast.worker
        clara.save()
    assert Client().get(link).status_code == 410
    page = browser_of(cast.nurse).post(reverse("invite_worker", args=[cast.worker.uid]), {"by": "paper"})
    assert shown(page) is None
    assert "has an account already" in page.content.decode()


def test_without_number_and_telephone_nobody_could_say_who_they_are(cast):
    with doing(cast.nurse):
        nobody = Worker.objects.create(site=cast.site, name="A student")
    page = browser_of(cast.nurse).post(reverse("invite_worker", args=[nobody.uid]), {"by": "paper"})
    assert (shown(page), Invitation.objects.count()) == (None, 0)


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator", "outsider"])
def test_workers_are_invited_by_their_clinicians_only(cast, clara, who):
    answer = browser_of(getattr(cast, who)).post(reverse("invite_worker", args=[clara.uid]), {"by": "paper"})
    assert answer.status_code in (403, 404)
    assert not Invitation.objects.exists()


def test_an_address_gets_it_by_mail_and_no_word_of_why(cast, clara):
    with doing(cast.nurse):
        clara.email = "clara@agency.example"
        clara.save()
    page = browser_of(cast.nurse).post(reverse("invite_worker", args=[clara.uid]), {"by": "email"})
    assert shown(page) is None
    [sent] = mail.outbox
    assert sent.to == ["clara@agency.example"]
    assert Client().get(re.findall(r"/i/[\w-]+/", sent.body)[0]).status_code == 200
    text = re.sub(r"https?://\S+", "", f"{sent.subject} {sent.body}").casefold()
    assert not [
        word for word in ("exposure", "health", "fever", "reading", clara.name.casefold()) if word in text
    ]


def test_a_new_account_is_invited_and_its_holder_chooses_the_password(cast, newcomer):
    sheet = browser_of(cast.administrator).post(
        reverse("invite_account", args=[newcomer.uid]), {"by": "paper"}
    )
    stranger = Client()
    assert "nell" in stranger.get(shown(sheet)).content.decode()
    assert "password" in stranger.post(shown(sheet), {"password": "short"}).context["form"].errors
    assert stranger.post(shown(sheet), {"password": CHOSEN}).status_code == 302
    newcomer.refresh_from_db()
    assert newcomer.check_password(CHOSEN)
    assert AccessEntry.objects.filter(user=newcomer, kind="invited").exists()


@pytest.mark.parametrize("opens", ["role", "worker"])
def test_of_an_account_that_opens_something_nobody_sees_the_way_in(cast, newcomer, opens):
    with doing("command:tests"):
        if opens == "role":
            Role.objects.create(user=newcomer, site=cast.site, kind="nurse", from_at=MONDAY)
        else:
            Worker.objects.create(site=cast.site, name="Nell Sedge", user=newcomer)
    client = browser_of(cast.administrator)
    page = client.post(reverse("invite_account", args=[newcomer.uid]), {"by": "paper"})
    assert (shown(page), Invitation.objects.count()) == (None, 0)
    with doing("command:tests"):
        newcomer.email = "nell@saltmarsh.example"
        newcomer.save()
    page = client.post(reverse("invite_account", args=[newcomer.uid]), {"by": "paper"})
    assert shown(page) is None
    assert mail.outbox[0].to == ["nell@saltmarsh.example"]


def test_another_way_in_signs_out_whoever_was_in(cast, newcomer):
    with doing(cast.administrator):
        newcomer.set_password(PASSWORD)
        newcomer.save()
    inside = browser_of(newcomer)
    assert inside.get(reverse("home")).status_code == 200
    with doing(cast.administrator):
        secret, _row = invitations.invite(user=newcomer, at=MONDAY)
    Client().post(reverse("invitation", args=[secret]), {"password": CHOSEN})
    assert inside.get(reverse("home")).status_code == 302


def test_the_administrator_of_a_site_invites_to_no_account_elsewhere(cast):
    answer = browser_of(cast.administrator).get(reverse("invite_account", args=[cast.outsider.uid]))
    assert answer.status_code == 404


def test_a_gateway_that_refuses_leaves_the_page_saying_so(cast, newcomer, monkeypatch):
    with doing("command:tests"):
        newcomer.email = "nell@saltmarsh.example"
        newcomer.save()

    def refuse(*_args, **_more):
        raise OSError("away")

    monkeypatch.setattr("django.core.mail.EmailMessage.send", refuse)
    page = browser_of(cast.administrator).post(
        reverse("invite_account", args=[newcomer.uid]), {"by": "email"}
    )
    assert "did not leave" in page.content.decode()
