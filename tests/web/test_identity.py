"""What an invitation asks of a worker is what their site has chosen; the answer is never shown back, and few guesses
are borne."""

import logging
import re
from concurrent.futures import ThreadPoolExecutor
from html import unescape

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from exposure.attend.models import OtherDecision
from exposure.people import invitations
from exposure.people.models import Invitation, Worker
from exposure.pipeline import enter
from exposure.refusal import Conflict
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

YEAR, OTHER = 1957, "1961"
PIN = "492716"


@pytest.fixture(autouse=True)
def _monday(standing_clock):
    standing_clock(MONDAY)


def person(cast, asks, **known):
    with doing(cast.nurse):
        cast.site.identity = asks
        cast.site.save()
        return Worker.objects.create(site=cast.site, name="Clara Reed", **known)


def invited(cast, worker):
    with doing(cast.nurse):
        secret, _row = invitations.invite(worker=worker, at=MONDAY)
    return reverse("invitation", args=[secret])


def words(answer):
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())).split())


def nurse_of(cast):
    client = Client()
    client.force_login(cast.nurse)
    return client


ALL = {"birth_year": YEAR, "number": "SG-2001", "phone": "+44 1632 960 417"}
NUMBER, PHONE = {"number": "SG-2001"}, {"phone": "+44 1632 960 417"}


@pytest.mark.parametrize(
    ("asks", "known", "asked", "right"),
    [
        ("birth_year", ALL, "Your year of birth", "1957"),
        ("birth_year", NUMBER | PHONE, "Your staff number", "sg 2001"),
        ("birth_year", PHONE, "The last four digits of your telephone number", "0417"),
        ("number", ALL, "Your staff number", "SG-2001"),
        ("number", PHONE | {"birth_year": YEAR}, "The last four digits of your telephone number", "0417"),
        ("nothing", ALL, "", ""),
    ],
)
def test_it_asks_what_the_site_has_chosen_else_what_is_known(cast, asks, known, asked, right):
    link = invited(cast, person(cast, asks, **known))
    page = Client().get(link)
    labels = [str(bound.label) for bound in page.context["form"]]
    assert labels == [*filter(None, [asked]), "Choose six digits"]
    if asked:
        assert Client().post(link, {"answer": "1958", "pin": PIN}).status_code == 200
    assert Client().post(link, {"answer": right, "pin": PIN})["Location"] == reverse("today")


@pytest.mark.parametrize(
    ("asks", "known"), [("number", {"birth_year": YEAR}), ("birth_year", {}), ("number", {})]
)
def test_where_nothing_would_show_who_somebody_is_there_is_no_invitation_and_an_open_one_ends(
    cast, asks, known
):
    worker = person(cast, asks, **known)
    page = nurse_of(cast).post(reverse("invite_worker", args=[worker.uid]), {"by": "paper"})
    assert not Invitation.objects.exists()
    assert ("Enter the year of birth first" in words(page)) is (asks == "birth_year")
    assert Client().get(invited(cast, worker)).status_code == 410


def test_the_year_opens_the_number_pad_and_costs_four_characters(cast):
    page = Client().get(invited(cast, person(cast, "birth_year", **ALL))).content.decode()
    [field] = re.findall(r"<input[^>]*name=\"answer\"[^>]*>", page)
    assert 'inputmode="numeric"' in field
    assert 'autocomplete="bday-year"' in field  # as HTML names the purpose (WCAG 2.2, 1.3.5)
    assert 'maxlength="4"' in field
    asked = len(re.findall(r"<input(?![^>]*type=\"hidden\")[^>]*>", page))
    taps = asked + 1  # into each field, and Go on
    print(f"\nfrom the invitation to Today: {taps} taps, {4 + len(PIN)} characters")
    assert taps <= 3


@pytest.mark.parametrize("typed", ["57", "195", "19 57", "nineteen", "１９５７"])
def test_what_is_no_year_is_said_and_costs_no_answer(cast, typed):
    link = invited(cast, person(cast, "birth_year", **ALL))
    assert "four digits, such as 1984" in words(Client().post(link, {"answer": typed, "pin": PIN}))
    assert Invitation.objects.get().wrong_answers == 0


def test_three_wrong_years_lock_it_and_the_nurse_sees_that(cast):
    worker = person(cast, "birth_year", **ALL)
    link = invited(cast, worker)
    wrong = {"answer": OTHER, "pin": PIN}
    assert "2 more times" in words(Client().post(link, wrong))
    assert "try once more" in words(Client().post(link, wrong))
    locked = Client().post(link, wrong)
    assert locked.status_code == 410
    assert "they put it right, and give you another" in words(locked)
    assert Client().post(link, {"answer": str(YEAR), "pin": PIN}).status_code == 410
    for page in ("person", "invite_worker"):
        seen = words(nurse_of(cast).get(reverse(page, args=[worker.uid])))
        assert "Their invitation was locked after wrong answers" in seen
    nurse_of(cast).post(reverse("invite_worker", args=[worker.uid]), {"by": "paper"})
    assert "was locked" not in words(nurse_of(cast).get(reverse("person", args=[worker.uid])))


def test_neither_the_answer_nor_the_year_is_shown_back_logged_or_kept(cast, caplog):
    worker = person(cast, "birth_year", **ALL)
    link = invited(cast, worker)
    with caplog.at_level(logging.DEBUG):
        said = Client().post(link, {"answer": OTHER, "pin": "1"}).content.decode()
        said += Client().post(link, {"answer": OTHER, "pin": PIN}).content.decode()
        phone = Client()
        phone.post(link, {"answer": str(YEAR), "pin": PIN})
        said += "".join(phone.get(reverse(page)).content.decode() for page in ("today", "what_this_means"))
    logged = " ".join(record.getMessage() for record in caplog.records if record.name != "django.db.backends")
    kept = str([list(version.__dict__.items()) for version in Invitation.history.all()])
    for text in (said, logged, kept):
        assert OTHER not in text
        assert str(YEAR) not in text


def test_the_year_stands_on_no_page_of_the_person_but_its_own(cast):
    worker = person(cast, "birth_year", **ALL)
    nurse = nurse_of(cast)
    for page in ("person", "invite_worker", "person_reading", "person_card", "person_call"):
        assert str(YEAR) not in nurse.get(reverse(page, args=[worker.uid])).content.decode(), page
    own = nurse.get(reverse("person_birth_year", args=[worker.uid])).content.decode()
    assert f'value="{YEAR}"' in own
    administrator = Client()
    administrator.force_login(cast.administrator)
    assert (
        str(YEAR)
        not in administrator.get(reverse("admin:exposure_worker_change", args=[worker.pk])).content.decode()
    )


def test_a_nurse_is_told_before_printing_what_is_asked_instead(cast):
    worker = person(cast, "birth_year", **NUMBER)
    nurse = nurse_of(cast)
    before = words(nurse.get(reverse("invite_worker", args=[worker.uid])))
    assert (
        "It asks for their staff number. This site asks for the year of birth, and theirs is not entered."
        in before
    )
    answer = nurse.post(reverse("person_birth_year", args=[worker.uid]), {"birth_year": "1957", "seen": ""})
    assert answer["Location"] == reverse("invite_worker", args=[worker.uid])
    after = words(nurse.get(answer["Location"]))
    assert "It asks for their year of birth." in after
    version = Worker.objects.get(pk=worker.pk).history.latest()
    assert (version.birth_year, version.history_user_id) == (YEAR, cast.nurse.actor)
    sheet = nurse.post(reverse("invite_worker", args=[worker.uid]), {"by": "paper"}).content.decode()
    assert "The page asks for your year of birth." in sheet
    assert "La page vous demande votre année de naissance." in sheet  # the worker has chosen no language


@pytest.mark.parametrize(
    ("year", "taken"), [(1899, False), (1900, True), (2026, True), (2027, False), (None, True)]
)
def test_a_year_that_cannot_be_is_not_taken(cast, year, taken):
    worker = person(cast, "birth_year", **ALL)
    typed = {"birth_year": "" if year is None else str(year), "seen": str(YEAR)}
    nurse_of(cast).post(reverse("person_birth_year", args=[worker.uid]), typed)
    worker.refresh_from_db()
    assert worker.birth_year == (year if taken else YEAR)


def test_another_clinicians_year_is_not_overwritten_unseen(cast):
    worker = person(cast, "birth_year", **NUMBER)
    year = {"worker": worker, "at": MONDAY, "seen": None}
    with doing(cast.nurse):
        enter.note_birth_year(**year, by=cast.nurse, birth_year=YEAR)
    with doing(cast.physician):
        enter.note_birth_year(**year, by=cast.physician, birth_year=YEAR)  # the same is no news
        with pytest.raises(Conflict):
            enter.note_birth_year(**year, by=cast.physician, birth_year=1961)
    worker.refresh_from_db()
    assert worker.birth_year == YEAR
    assert OtherDecision.objects.get().sent == {"birth_year": 1961}
    physician = Client()
    physician.force_login(cast.physician)
    page = physician.post(reverse("person_birth_year", args=[worker.uid]), {"birth_year": "1961", "seen": ""})
    assert "Somebody was before you" in words(page)
    assert "The year of birth is 1957." in words(page)


@pytest.mark.django_db(transaction=True)
def test_answers_at_the_same_instant_are_all_counted(cast):
    if connection.vendor == "sqlite":
        pytest.skip("one writer at a time")
    worker = person(cast, "birth_year", **ALL)
    with doing(cast.nurse):
        _secret, row = invitations.invite(worker=worker, at=MONDAY)

    def guess(year):
        try:
            with doing("anonymous"):
                return invitations.shows_who(row, str(year), at=MONDAY)
        finally:
            connection.close()

    with ThreadPoolExecutor(6) as pool:
        assert not any(pool.map(guess, range(1960, 1972)))
    row.refresh_from_db()
    assert (row.wrong_answers, row.locked_at) == (3, MONDAY)
