"""The link of a reminder: before any sign-in it shows the number to ring, takes the short answers, and no more."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.core import mail

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp
from exposure.followup.states import enter_state
from exposure.people.models import Worker
from exposure.pipeline import clear
from exposure.pipeline.classify import decide_withdrawal
from exposure.pipeline.report import ask_withdrawal
from exposure.remind.links import SECRET_BYTES, digest, secret_of
from exposure.remind.models import Message, Reply
from exposure.report.models import Breach
from tests.cast import doing
from tests.walk import follow_up_told_and_confirmed, hours, pass_time, report, tell

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
CLOSING = EVENING + hours(4)
BEFORE, AFTER = CLOSING - timedelta(seconds=1), CLOSING
KINDS = ("ill", "call_me", "done", "cannot", "stop")


@pytest.fixture
def link(cast, standing_clock):
    """The address in the reminder of the first evening."""
    follow_up_told_and_confirmed(cast)
    pass_time(EVENING)
    standing_clock(EVENING)
    [letter] = [letter for letter in mail.outbox if letter.to == ["worker@example.org"]]
    return re.search(r"/r/[\w-]+/", letter.body).group()


def open_causes():
    return sorted(Alert.objects.filter(closed_at=None).values_list("cause", flat=True))


def test_the_page_shows_the_number_and_the_answers_and_nothing_about_anybody(cast, link, client):
    page = client.get(link)
    text = page.content.decode()
    assert page.status_code == 200
    assert cast.site.phone.replace(" ", "") in re.sub(r"\s|&nbsp;| ", "", text)
    for kind in KINDS:
        assert f'value="{kind}"' in text
    for secret in ("Wim", "Alder", "SG-1042", "ebola", "Heron", "temperature", "exposed", "reading", "°"):
        assert secret.lower() not in text.replace("Exposure follow-up", "").lower(), secret
    assert text.index('value="ill"') < text.index('value="done"'), "who is ill sees that first"


def test_looking_changes_nothing_however_often(cast, link, client):
    for _look in range(3):
        client.get(link)
        client.head(link)
    assert not Reply.objects.exists()
    assert open_causes() == []


@pytest.mark.parametrize(
    ("kind", "causes"),
    [("ill", ["symptom"]), ("call_me", ["call_me"]), ("done", []), ("cannot", ["could_not"]), ("stop", ["call_me"])],
)  # fmt: skip
def test_what_each_answer_does(cast, link, client, kind, causes):
    said = client.post(link, {"answer": kind}, follow=True)
    assert said.status_code == 200
    assert said.redirect_chain
    assert Reply.objects.get().kind == kind
    assert open_causes() == causes
    assert Worker.objects.get(pk=cast.worker.pk).phone_only is (kind == "stop")
    if kind == "ill":
        alert = Alert.objects.get(cause="symptom")
        assert alert.urgent
        assert "Telephone now" in said.content.decode()
        assert said.content.decode().index("Telephone now") < said.content.decode().index("alerted")


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_answer_twice(cast, link, client, kind):
    for _tap in range(2):
        assert client.post(link, {"answer": kind}, follow=True).status_code == 200
    assert Alert.objects.filter(closed_at=None).count() <= 1
    assert Reply.objects.count() == (2 if kind in ("ill", "call_me") else 1)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("at", "over"), [(BEFORE, False), (AFTER, True)], ids=["before", "closed"])
def test_the_link_runs_out_with_the_reading_but_who_is_ill_is_heard(
    cast, link, client, standing_clock, kind, at, over
):
    standing_clock(at)
    heard = not over or kind in ("ill", "call_me")
    answer = client.post(link, {"answer": kind})
    assert Reply.objects.exists() is heard
    assert answer.status_code == (302 if heard else 410)
    page = client.get(link)
    assert page.status_code == (410 if over else 200)
    assert 'value="ill"' in page.content.decode()
    assert ('value="done"' in page.content.decode()) is not over


@pytest.mark.parametrize("ends", ["left", "died", "died_by_another", "withdrawn"])
def test_nothing_is_asked_of_who_is_followed_up_no_more_but_a_call_for_help_is_heard(
    cast, link, client, ends
):
    """Also before the reading would have closed: somebody at home may hold the telephone of one who died."""
    follow_up = FollowUp.objects.get()
    if ends == "withdrawn":
        take_out(cast)
    elif ends == "died_by_another":
        with doing(cast.physician, at=EVENING):
            tell(cast, report(cast, pathogen="nipah"))
            enter_state(FollowUp.objects.get(pathogen="nipah"), "died", at=EVENING, by="physician")
    else:
        with doing(cast.physician, at=EVENING):
            said = {"kind": ends, "reason": "Said by the ward.", "basis": "agreed"}
            clear.end_follow_up(follow_up=follow_up, by=cast.physician, at=EVENING, **said)
    page = client.get(link)
    assert page.status_code == 410
    for kind in KINDS:
        heard = kind in ("ill", "call_me")
        assert (f'value="{kind}"' in page.content.decode()) is heard
        assert client.post(link, {"answer": kind}).status_code == (302 if heard else 410)
        assert Reply.objects.filter(kind=kind).exists() is heard
    assert {"symptom", "call_me"} <= set(open_causes())


def take_out(cast):
    said = {"reason": "Another glove.", "at": EVENING}
    with doing(cast.observer, at=EVENING):
        asked = ask_withdrawal(breach=Breach.objects.get(), by=cast.observer, **said)
    with doing(cast.physician, at=EVENING):
        decide_withdrawal(request=asked, accepted=True, by=cast.physician, **said)


@pytest.mark.parametrize(
    "change", [lambda s: s[:-1], lambda s: s + "A", lambda s: s.swapcase(), lambda s: "x"]
)
def test_another_secret_opens_nothing(cast, link, client, change):
    secret = link.split("/")[2]
    for address in (f"/r/{change(secret)}/", f"/r/{change(secret)}/ill/"):
        page = client.get(address)
        assert page.status_code == 404
        assert cast.site.phone.replace(" ", "") in re.sub(r"\s|&nbsp;| ", "", page.content.decode())
    assert client.post(f"/r/{change(secret)}/", {"answer": "stop"}).status_code == 404
    assert not Reply.objects.exists()


def test_the_secret_is_long_stands_nowhere_and_is_the_same_at_every_try(cast, link):
    """OWASP ASVS 5.0, 7.2.3: reference tokens have at least 128 bits."""
    message = Message.objects.get(worker=cast.worker)
    assert SECRET_BYTES * 8 >= 128
    secret = secret_of(message)
    assert link == f"/r/{secret}/"
    assert message.link_sha256 == digest(secret)
    stored = " ".join(str(value) for row in Message.objects.values() for value in row.values())
    assert secret not in stored


def test_nothing_that_was_not_said_is_shown_as_said(cast, link, client):
    assert client.get(f"{link}stop/").status_code == 404
    client.post(link, {"answer": "done"})
    assert client.get(f"{link}done/").status_code == 200
    assert client.get(f"{link}stop/").status_code == 404


@pytest.mark.parametrize("sent", [{}, {"answer": ""}, {"answer": "other"}, {"answer": "x" * 5000}])
def test_what_is_no_answer_gets_the_page_again(cast, link, client, sent):
    page = client.post(link, sent)
    assert page.status_code == 400
    assert 'value="ill"' in page.content.decode()
    assert not Reply.objects.exists()


@pytest.mark.parametrize("method", ["put", "patch", "delete", "options", "trace"])
def test_no_other_method_answers(cast, link, client, method):
    assert getattr(client, method)(link).status_code == 405


def test_whoever_is_signed_in_as_somebody_else_answers_for_the_link_alone(cast, link, client):
    client.force_login(cast.observer)
    page = client.get(link).content.decode()
    assert "Wim" not in page
    client.post(link, {"answer": "call_me"})
    assert Reply.objects.get().worker == cast.worker


def test_the_page_is_in_the_language_of_the_worker(cast, link, client):
    with doing(cast.nurse, at=EVENING):
        cast.worker.language = "en"
        cast.worker.save()
    assert 'lang="en"' in client.get(link).content.decode()
