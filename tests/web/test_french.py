"""Pages, answers and rows in French: none of a worker's or observer's pages is half in English, none of a clinician's
half in French, and what is kept in rows does not hang on who caused it."""

import re
from datetime import timedelta
from html import unescape

import pytest
from django.conf import settings
from django.test import Client
from django.urls import get_resolver, reverse
from django.utils import timezone, translation

from exposure.attend.models import Alert, Promise
from exposure.followup.models import Reading
from exposure.people.models import Worker
from exposure.pipeline import remind
from exposure.remind.models import Message
from exposure.remind.texts import letter
from exposure.report.models import Breach, Event, Removal
from exposure.web.language import is_english
from exposure.web.templatetags import look
from exposure.web.worker import spoken
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.locale.catalogue import entries
from tests.web.isolation import without_isolation
from tests.web.olga import Page, answered, details
from tests.web.wim import EVENING, confirm, report, tell

COOKIE = settings.LANGUAGE_COOKIE_NAME
PLACE = re.compile(r"%\(\w+\)[sd]|%[sd]")
# Words of nearly every English sentence and of no French one.
ENGLISH = re.compile(
    r"\b(?:the|your|you|is|are|with|this|that|when|from|until|been|has|have|not|will|was|of)\b", re.I
)
FRENCH_LETTERS = re.compile("[éèêàùçœÉÀ’\u202f]")
PIECES = {
    words: french
    for sentence, french in entries().items()
    for piece in PLACE.split(sentence.words)
    if len((words := piece.strip(" .:,;?!“”°")).split()) >= 2
}


def in_english(response):
    """What of a page is in English: known sentences anywhere in it, and English words that people see."""
    page = " ".join(unescape(without_isolation(response.content.decode())).split())
    known = [piece for piece, french in PIECES.items() if piece in page and piece not in " ".join(french)]
    body = re.sub(r"<(?:bdi|code)\b.*?</(?:bdi|code)>|<option.*?</option>", " ", page[page.index("<title") :])
    loose = {found[0] for found in ENGLISH.finditer(re.sub(r"<[^>]+>", " ", body))}
    spoken_in = [] if '<html lang="fr"' in page else ["lang"]
    return [*known, *sorted(loose), *spoken_in]


class Seen:
    """The pages that were looked at, by name, with what of them was English."""

    def __init__(self):
        self.wrong, self.count = {}, 0

    def look(self, name, response, status=200):
        self.count += 1
        found = in_english(response)
        if found or response.status_code != status:
            self.wrong[name] = (response.status_code, found)


@pytest.fixture
def french(cast):
    """The worker's own setting."""
    with doing(cast.worker.user, at=MONDAY):
        remind.change_settings(worker=cast.worker, by=cast.worker.user, at=MONDAY, language="fr")


OWN_PAGES = ("today", "my_days", "what_this_means", "household", "my_settings", "my_times")


@pytest.mark.database
def test_no_page_of_a_worker_is_half_in_english_and_no_row_is_in_french(cast, french, wim):
    seen = Seen()

    def look(state, *names):
        for name in names:
            seen.look(f"{state}: {name}", wim.get(name, EVENING))

    look("nothing", "today", "my_days", "what_this_means")
    breach = report(cast)
    look("untold", "today")
    tell(cast, breach)
    look("unconfirmed", "today", "what_this_means")
    confirm(cast, breach)
    look("monitored", *OWN_PAGES)
    seen.look("not taken", wim.post(EVENING, temperature="380", submission_id="", symptoms=[]), 422)
    seen.look("taken", wim.send(EVENING))
    reading = Reading.objects.latest("pk")
    wim.clock(EVENING)
    seen.look("correct", wim.client.get(reverse("correct_reading", args=[reading.uid])))
    seen.look("could not", wim.send(EVENING, temperature="", symptoms=[], cannot="broken"))
    seen.look("masked", wim.send(EVENING, fever_reducer="paracetamol", fever_reducer_hours="1"))
    seen.look("fever", wim.send(EVENING, temperature="38.4"))
    look("stop", "today", "my_days", "what_this_means")
    seen.look("wrong settings", wim.client.post(reverse("my_settings"), {"quiet_from": "22:00"}), 422)
    seen.look("another's page", wim.get("monitoring", EVENING), 403)
    wim.clock(EVENING)
    seen.look("no page", wim.client.get("/no-such-page/"), 404)
    assert seen.wrong == {}
    assert seen.count == 15 + 9

    kept = [
        *Alert.objects.values_list("because", flat=True),
        *Promise.objects.values_list("title", flat=True),
    ]
    assert kept
    assert [words for words in kept if FRENCH_LETTERS.search(words)] == []


@pytest.mark.database
def test_no_page_of_an_observer_is_half_in_english_and_no_row_is_in_french(cast, client, olga):
    client.cookies[COOKIE] = "fr"
    seen = Seen()

    def look(name, page):
        seen.look(name, page.response)
        return page

    look("stations", olga("stations"))
    page = look("station", olga("station", "heron"))
    look("sheet", olga("station_sheet", "heron"))
    page = look("protocols", page.follow("start"))
    page = look("drill", page.tap("protocol", "contact"))
    page = look("who", page.send("drill", drill="no", watched="two"))
    page = look("number", page.tap("who", "number"))
    page = look("refused", page.send("typing", number=" "))
    page = look("step", page.send("typing", number="sg-1042"))
    page = look("mark", page.tap("tap", "wrong"))
    page = look("card", page.tap("failure", "glove_tear"))
    page = look("begun", page.tap("begun", "yes"))
    page = look("way out", olga("removal", Removal.objects.get().uid).tap("tap", "way_out"))
    page = look("paused", page.tap("tap", "pause"))
    page = look("again", page.tap("tap", "go_on").tap("tap", "whole"))
    for _step in range(6):
        page = page.tap("tap", "done")
    page = look("asked", page)
    page = look("first aid", page.tap("contact", "yes"))
    page = look("question", page.tap("first_aid", "soap_water"))
    page = look("review", answered(page, skin="intact"))
    page = look("reported", page.send("anyone_else", anyone_else="yes", narrative="Déchirure au pouce"))
    breach = Breach.objects.get()
    lines = ["Déchirure au pouce", "Somebody else was touched or splashed too.", "First aid begun at 09:00."]
    assert breach.narrative.split("\n") == lines
    look("beside", olga("report", "heron", query=f"?beside={breach.uid}"))
    look("my report", olga("my_report", breach.uid))
    look("my reports", olga("my_reports"))
    page = look("unguided", olga("report", "heron"))
    page = look("unanswered", details(page, what_happened="", who=""))
    page = look("emergency", page.tap("emergency", "eyes"))
    assert seen.wrong == {}
    assert seen.count == 26
    rows = [
        *Promise.objects.values_list("title", flat=True),
        *Alert.objects.values_list("because", flat=True),
    ]
    rows += Event.objects.values_list("title", flat=True)
    assert rows
    assert [words for words in rows if FRENCH_LETTERS.search(words)] == []


@pytest.mark.database
def test_the_door_is_in_the_language_of_the_browser(cast, client, french, standing_clock):
    standing_clock(MONDAY)
    seen = Seen()
    asked = {"HTTP_ACCEPT_LANGUAGE": "fr-CH, fr;q=0.9, en;q=0.8"}
    for address in ("account_login", "account_reset_password", "account_request_login_code"):
        seen.look(address, client.get(reverse(address), **asked))
    seen.look("wrong", client.post(reverse("account_login"), {"login": "wim", "password": "x"}, **asked))
    seen.look("invitation", client.get("/i/none/", **asked), 410)
    seen.look("reply", client.get("/r/none/", **asked), 404)
    client.force_login(cast.worker.user)
    for address in ("mfa_index", "sessions", "keys", "account_logout"):
        seen.look(address, client.get(reverse(address), follow=True))
    assert seen.wrong == {}
    assert '<html lang="en"' in Client().get(reverse("account_login")).content.decode()


@pytest.mark.database
def test_a_worker_s_own_setting_wins_and_the_switch_changes_it(cast, client, french, standing_clock):
    standing_clock(MONDAY)
    client.cookies[COOKIE] = "en"
    client.force_login(cast.worker.user)

    def language():
        return re.search('<html lang="(..)"', client.get(reverse("my_days")).content.decode())[1]

    assert language() == "fr"
    page = Page(client, client.get(reverse("my_days")))
    assert page.form("language")["offered"][-1] == ("language", "en")
    landed = page.tap("language", "en")
    assert landed.address == reverse("my_days")
    assert language() == "en"
    assert Worker.objects.get(pk=cast.worker.pk).language == "en"
    elsewhere = {"language": "fr", "next": "https://elsewhere.example/"}
    assert client.post(reverse("language"), elsewhere)["Location"] == "/"
    assert language() == "fr"
    client.post(reverse("language"), {"language": "xx", "next": "/my-days/"})
    assert language() == "fr"
    assert client.cookies[COOKIE].value == "fr"  # the last that was a language
    signed_out = Client()
    signed_out.cookies[COOKIE] = "fr"
    assert '<html lang="fr"' in signed_out.get(reverse("account_login")).content.decode()


@pytest.mark.database
def test_a_clinician_s_page_is_english_as_a_whole(cast, nurse):
    nurse.client.cookies[COOKIE] = "fr"
    breach = report(cast)
    for page in (nurse.open("needs_action"), nurse.open("breach", breach.uid), nurse.open("monitoring")):
        text = page.content.decode()
        assert '<html lang="en"' in text
        assert "Sign out" in text
        assert 'name="language"' not in text
        assert not FRENCH_LETTERS.search(re.sub(r"<[^>]+>|’", " ", text))


@pytest.mark.database
def test_the_answer_to_a_reading_over_the_interface_is_in_the_worker_s_language(cast, french, standing_clock):
    standing_clock(EVENING)
    confirm_told(cast)
    said = Caller(cast.worker.user).post("readings/", cast.reading(temperature="38.4")).json()["advice"]
    assert said.startswith(f"Stop\u202f: appelez {cast.site.phone}.")
    assert not ENGLISH.search(said)
    refused = Caller(cast.worker.user).post("readings/", cast.reading(temperature="12")).json()
    assert "température du corps" in refused["errors"][0]["detail"]
    by_nurse = Caller(cast.nurse).post("readings/", {**cast.reading(), "worker": cast.worker.number}).json()
    assert "Stop, and call" in by_nurse["advice"]


def confirm_told(cast):
    breach = report(cast)
    tell(cast, breach)
    confirm(cast, breach)


@pytest.mark.database
def test_a_reminder_is_in_its_recipient_s_language(cast, french):
    worker = Worker.objects.get(pk=cast.worker.pk)
    message = Message(
        worker=worker, site=cast.site, channel="email", address="wim@example.org", reminder_id=1
    )
    assert "merci d'ouvrir votre page" in letter(message, waiting=0).subject


def test_every_page_is_either_english_as_a_whole_or_translated():
    """The pages that are English are those of these audiences, named here so that a new one is decided about."""
    english = {name for name, view in _named_views() if is_english(view, name)}
    assert {"needs_action", "person", "criteria", "history", "home", "how_told", "outgoing"} <= english
    assert {
        "today",
        "my_days",
        "station",
        "report",
        "account_login",
        "mfa_index",
        "reply",
        "keys",
    }.isdisjoint(english)


def _named_views():
    return [(route.name, route.callback) for route in _patterns() if route.name]


def _patterns(patterns=None):
    for route in get_resolver().url_patterns if patterns is None else patterns:
        if hasattr(route, "url_patterns"):
            yield from _patterns(route.url_patterns)
        else:
            yield route


def test_dates_durations_and_degrees_are_written_as_in_french():
    with translation.override("fr"), timezone.override("Europe/Zurich"):
        assert ">lun 2 mars 2026, 10:00<" in look.moment(MONDAY)
        assert ">lundi 2 mars 2026<" in look.day(MONDAY)
        assert ">il y a 2\u00a0h 5\u00a0min<" in look.ago(MONDAY, MONDAY + timedelta(minutes=125))
        assert ">dans 3\u00a0jours<" in look.ago(MONDAY + timedelta(days=3), MONDAY)
        assert ">Hier<" in look.spoken_day(MONDAY.date() - timedelta(days=1), MONDAY.date())
        assert look.degrees(38.4) == "38,4\u00a0°C"
        assert spoken.moment(MONDAY + timedelta(days=1), MONDAY).endswith(" le mardi 3 mars")
