"""What a phone shows to whoever stands beside it, or keeps where they look: titles (of tabs, of what is open, of the
history), addresses, names of files, the home screen, an authenticator's list, and the names under which the browser
keeps the page without a connection. None says why somebody has this page. Words of messages: tests/remind."""

import json
import re
from html import unescape

import pytest
import yaml
from django.conf import settings
from django.test import Client
from django.urls import reverse
from django.utils import translation

from exposure.followup.models import FollowUp, Reading
from exposure.people.models import User
from exposure.pipeline import classify
from exposure.pipeline.report import ask_withdrawal
from exposure.web import reach
from exposure.web.account.factors import Adapter
from tests.cast import MONDAY, doing
from tests.people.matrix import client_of
from tests.people.test_matrix import API, DOORS, address_of, rows  # noqa: F401  (a fixture)
from tests.test_layout import ROOT
from tests.walk import hours
from tests.web import test_phone_pins, test_worker, wim
from tests.web import test_worker_stop as stop
from tests.web.test_ways_in_over import (
    clara,  # noqa: F401  (a fixture)
    expired,
    guessed,
    guessed_last,
    invited,
    never_was,
    replaced,
    revoked_device,
    used,
)

pytestmark = [pytest.mark.database, pytest.mark.django_db]

CRITERIA = [yaml.safe_load(file.read_text()) for file in (ROOT / "fixtures" / "criteria").glob("*.yaml")]
PATHOGENS = {words for one in CRITERIA for words in (one["pathogen"], one["title"].partition(":")[0].lower())}
TIERS = {tier["label"].lower() for one in CRITERIA for tier in one["tiers"]}
# The rule is the service's own; the words are common practice, no source. "Reading" says neither of what nor why.
CLINICAL = re.compile(
    r"expos|contact\b|contamin|infect|virus|disease|illness|\bill\b|\bsick|fever|febrile|temperature|thermometer|°|"
    r"symptom|quarantine|isolat|monitor|outbreak|pathogen|\brisk|\btier|blood|"
    r"maladi|fi[èe]vre|temp[ée]rature|thermom[èe]tre|sympt[ôo]me|quarantaine|surveill|[ée]pid[ée]mie|risque|sang\b",
    re.IGNORECASE,
)
LANGUAGES = ("en", "fr")
TEMPLATES = reach.FILES.parent / "templates"


def clinical(said):
    """The clinical words of what somebody beside may read."""
    low = said.lower()
    named = {words for words in PATHOGENS | TIERS if re.search(rf"\b{re.escape(words)}\b", low)}
    return named | set(CLINICAL.findall(said))


def shown(answer):
    """What of an answer stands outside of the page: the title, the address, the name of a file."""
    said = [answer.request["PATH_INFO"], answer.get("Content-Disposition", ""), answer.get("Location", "")]
    if answer.get("Content-Type", "").startswith("text/html") and not answer.get("Location"):
        [title] = re.findall(r"<title>(.*?)</title>", answer.content.decode().partition("</head>")[0], re.S)
        said.append(" ".join(unescape(title).split()))
    return " | ".join(filter(None, said))


def wrong(answers):
    return [said for said in map(shown, answers) if clinical(said)]


def test_the_words_would_be_found():
    assert {"ebola", "mpox", "marburg"} <= PATHOGENS
    assert {"high-risk exposure", "low risk"} <= TIERS
    for said in (
        "Today: Ebola",
        "Low risk",
        "My fever",
        "Suivi des expositions",
        "/temperature/",
        "Ring if ill",
    ):
        assert clinical(said), said
    for said in ("Today · Follow-up", "Mes relevés · Suivi", "/today/reading/5f0c/", "Stop, and call"):
        assert not clinical(said), said


# Every address that a worker may open


@pytest.mark.parametrize("who", ["worker", "anonymous"])
def test_no_address_that_opens_says_why(cast, rows, who):  # noqa: F811
    client, answers = client_of(cast, who), []
    for route, (opens, _sends) in sorted(DOORS.items()):
        if who in (opens or ()) and not route.startswith(API):  # calls stand in no history
            answers.append(client.get(address_of(route, rows)))
    pages = [one for one in answers if one.status_code == 200 and one["Content-Type"].startswith("text/html")]
    assert len(pages) >= (18 if who == "worker" else 2)
    assert wrong(answers) == []


# Every page of the worker, in every state of the story


def untold(cast):
    wim.report(cast)


def told(cast):
    wim.tell(cast, wim.report(cast))


def withdrawn(cast):
    breach = wim.report(cast)
    wim.tell(cast, breach)
    with doing(cast.observer):
        request = ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)
    with doing(cast.physician):
        classify.decide_withdrawal(
            request=request, accepted=True, reason="Spoke with Wim.", by=cast.physician, at=MONDAY
        )
    assert FollowUp.objects.get().ended_at


def cleared(cast):
    return test_worker.cleared(cast)


def long_over(cast):
    return test_worker.cleared(cast) + hours(24 * 40)


STATES = [
    untold, told, wim.monitored, withdrawn, cleared, long_over, stop.fever, stop.unconfirmed, stop.in_care_and_unseen,
    stop.ended, stop.news_waits,
]  # fmt: skip


@pytest.mark.parametrize("state", STATES, ids=lambda state: state.__name__)
def test_no_page_of_a_worker_says_why_whatever_has_happened(cast, client, standing_clock, state):
    at = state(cast)
    standing_clock(at if state in (cleared, long_over) else wim.EVENING + hours(1))
    client.force_login(cast.worker.user)
    taken, answers = Reading.objects.last(), []
    for name in stop.PAGES:
        if name not in ("reading_taken", "correct_reading"):
            answers.append(client.get(reverse(name)))
        elif taken:
            answers.append(client.get(reverse(name, args=[taken.uid])))
    assert sum(one.status_code == 200 for one in answers) >= 7
    assert wrong(answers) == []


AUDIENCES = (
    "nurse",
    "physician",
    "lead",
    "auditor",
    "observer",
    "admin",
)  # what is theirs is no page of a worker


def test_no_words_of_a_title_say_why_in_any_language():
    """Also of what no story above has reached; `Error:` and the like stand before them."""
    titles = []
    for file in sorted(TEMPLATES.rglob("*.html")):
        if file.relative_to(TEMPLATES).parts[0] not in AUDIENCES:
            block = re.search(
                r"{% block title %}(.*?){% endblock %}|<title>(.*?)</title>", file.read_text(), re.S
            )
            titles += re.findall(r'translate "([^"]+)"', block[0]) if block else []
    assert {"Today", "Stop, and call", "Not sent: telephone now", "Follow-up"} <= set(titles)
    for language in LANGUAGES:
        with translation.override(language):
            assert [said for said in map(translation.gettext, titles) if clinical(said)] == []


# The ways in


def asked(cast, clara, clock):  # noqa: F811
    return Client().get(invited(cast, clara))


def answered_wrongly(cast, clara, clock):  # noqa: F811
    return Client().post(invited(cast, clara), {"answer": "9999", "pin": "492716"})


def digits_asked(cast, clara, clock):  # noqa: F811
    phone = test_phone_pins.come_in(cast, clara, answer="0417")
    return test_phone_pins.signed_out(phone).get(reverse("open_by_pin"))


def digits_locked(cast, clara, clock):  # noqa: F811
    phone = test_phone_pins.signed_out(test_phone_pins.come_in(cast, clara, answer="0417"))
    for _try in range(4):
        test_phone_pins.say(phone, test_phone_pins.WRONG)
    return phone.post(reverse("open_by_pin"), {"pin": test_phone_pins.WRONG}, follow=True)


WAYS_IN = [
    asked, answered_wrongly, used, expired, replaced, guessed_last, guessed, never_was, revoked_device, digits_asked,
    digits_locked,
]  # fmt: skip


@pytest.mark.parametrize("way", WAYS_IN, ids=lambda way: way.__name__)
def test_no_way_in_says_why(cast, clara, standing_clock, way):  # noqa: F811
    answer = way(cast, clara, standing_clock)
    assert "<title>" in answer.content.decode()
    assert clinical(shown(answer)) == set()
    assert clara.name not in shown(answer)


# What is kept on the phone under a name


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_home_screen_and_what_is_kept_without_a_connection_name_no_reason(client, db, language):
    client.cookies[settings.LANGUAGE_COOKIE_NAME] = language
    assert clinical(client.get(reverse("manifest")).content.decode()) == set()
    shell = re.match(r"const SHELL = (\{.*\});", client.get(reverse("service_worker")).content.decode())[1]
    assert json.loads(shell)["pages"]
    assert clinical(shell) == set()
    icon = (reach.FILES / "img" / "favicon.svg").read_text()
    assert "<text" not in icon
    assert "<title" not in icon


def test_no_script_puts_a_number_on_the_icon_or_a_title_of_its_own():
    """Badging API (W3C): a count on the icon would say that something waits."""
    for file in sorted((reach.FILES / "js").iterdir()):
        text = file.read_text()
        assert "AppBadge" not in text, file.name
        assert re.sub(r"document\.title = page\.title;", "", text).count("document.title") == 0, file.name


def test_an_authenticators_list_names_no_reason():
    """The issuer in a key URI and the relying party of a passkey: phones list both beside those of other services."""
    for language in LANGUAGES:
        with translation.override(language):
            issuer = Adapter().get_totp_issuer()
            assert f"issuer={issuer}" in Adapter().build_totp_url(User(name="wim"), "SECRET")
            assert clinical(issuer) == set()
