"""A name that somebody typed, with characters that turn the direction of text, changes nothing beside it: on every page
for everybody who may open it each name stands in <bdi>, in an attribute or a field, or between the two characters that
set text apart (Unicode Standard Annex 9, section 2.4), and the characters that turn others are left out of it.
"""

import re
from html.parser import HTMLParser

import pytest
from django.urls import reverse

from exposure.people.models import User, Worker
from exposure.pipeline import report as reports
from exposure.places.models import Site, Station
from exposure.web.bidi import (
    FIRST_STRONG_ISOLATE,
    POP_DIRECTIONAL_ISOLATE,
    TURNS_OTHERS,
    isolated,
    spelled_out,
)
from exposure.web.templatetags.names import bdi
from tests.cast import MONDAY, doing
from tests.people.matrix import ROLES, client_of
from tests.people.test_matrix import ASKED, DOORS, address_of, rows  # noqa: F401  a fixture
from tests.web.olga import start

pytestmark = pytest.mark.database
OVERRIDE, ISOLATE, POP = "\u202e", "\u2067", "\u202c"
PLANTED = "Zqx"
STANDS_APART = {"bdi", "textarea"}
NO_MARKUP = {"title", "option"}  # elements in which none can stand
ISOLATED = re.compile(
    f"{FIRST_STRONG_ISOLATE}[^{FIRST_STRONG_ISOLATE}{POP_DIRECTIONAL_ISOLATE}]*{POP_DIRECTIONAL_ISOLATE}"
)
NAMES = (
    (Worker, "name"),
    (Worker, "employer"),
    (Worker, "number"),
    (User, "full_name"),
    (Station, "name"),
    (Site, "name"),
    (Site, "short_name"),
)
VOID = {"input", "meta", "link", "br", "hr", "img", "wbr", "path", "circle", "rect", "line", "use"}


class Names(HTMLParser):
    """Where planted names stand in a page; `loose` are those that could turn what stands beside them."""

    def __init__(self, text):
        super().__init__()
        self.open, self.loose, self.apart, self.line = [], [], 0, ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data):
        if PLANTED not in data and not TURNS_OTHERS.search(ISOLATED.sub("", data)):
            return
        if not STANDS_APART & set(self.open):
            data = ISOLATED.sub("", data)
        elif "textarea" in self.open:
            return
        self.apart += 1
        if TURNS_OTHERS.search(data) or (PLANTED in data and not STANDS_APART & set(self.open)):
            self.loose.append(f"<{'> <'.join(self.open[-3:])}> {' '.join(data.split())!r}")


def planted(what):
    """A name that ends in an override that nothing closes, with a character that would close somebody else's."""
    return f"{PLANTED}{what}{POP}{ISOLATE}{OVERRIDE}"


@pytest.fixture
def planted_rows(cast, rows):  # noqa: F811
    """What `rows` has, after everybody and everything with a typed name has been given a planted one."""
    with doing("command:tests"):
        for model, field in NAMES:
            for row in model.objects.exclude(**{field: None}):
                setattr(row, field, planted(f"{model.__name__[:2]}{field}{row.pk}"))
                row.save()
    typed = {"name": planted("typed"), "employer": planted("agency"), "phone": "+351 900 000 009"}
    with doing(cast.observer):
        reports.report_breach(body=cast.body(worker=None, person=typed), reporter=cast.observer, at=MONDAY)
    return rows


def loose_in(answer):
    names = Names(answer.content.decode())
    return names.loose, names.apart


@pytest.mark.parametrize("who", [who for who in ROLES if who not in ("anonymous", "device")])
def test_on_every_page_every_name_stands_apart(cast, planted_rows, who):
    client, found, shown = client_of(cast, who), [], 0
    pages = 0
    addresses = [address_of(route, planted_rows) for route in ASKED if who in (DOORS[route][0] or ())]
    if who == "observer":
        removal = start(cast)
        addresses += [
            reverse("station", args=["heron"]),
            reverse("report", args=["heron"]),
            reverse("removal", args=[removal.uid]),
        ]
    for address in addresses:
        answer = client.get(address, follow=True)
        if answer["Content-Type"].startswith("text/html"):
            loose, apart = loose_in(answer)
            shown, pages = shown + apart, pages + 1
            found += [f"{address} {line}" for line in loose]
    assert not found, "\n".join(dict.fromkeys(found))
    assert shown >= pages > 3, "each page names at least who is signed in"


def test_in_what_is_said_after_a_deed_every_name_stands_apart(cast, planted_rows):
    client, found = client_of(cast, "nurse"), []
    link = address_of("people/<uuid:uid>/link/<uuid:known>/", planted_rows)
    listed = address_of("cases/<uuid:uid>/contact-list/", planted_rows)
    lines = f"number,name,phone,employer,last_contact,tier,note\n,{planted('line')},1,{planted('firm')},2026-03-01,,\n"
    sent = {"source": "contact_list", "pathogen": "ebola", "tier": "ebola:high", "text": lines}
    for address, form, said in ((listed, sent, "line"), (link, {}, "Linked")):
        answer = client.post(address, form, follow=True)
        assert said in answer.content.decode()
        found += loose_in(answer)[0]
    glass = {
        "reference": "",
        "number": Worker.objects.get(pk=cast.worker.pk).number,
        "reason": "Fell ill here.",
    }
    answer = client_of(cast, "outsider").post(reverse("break_glass"), glass, follow=True)
    found += loose_in(answer)[0]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("Amal \u0623\u0645\u0644", "\u2068Amal \u0623\u0645\u0644\u2069"),
        (f"Kai{OVERRIDE}", "\u2068Kai\u2069"),
        ("Kai\u2069, nurse", "\u2068Kai, nurse\u2069"),  # what would close the isolate from within
        ("Kai\u200f", "\u2068Kai\u200f\u2069"),  # a mark turns nothing that is not its neighbour
        (None, ""),
        (OVERRIDE, ""),
    ],
)
def test_a_name_in_a_sentence_is_set_apart_and_turns_nothing(typed, shown):
    assert isolated(typed) == shown


def test_in_a_page_a_name_is_escaped_too():
    assert bdi("<b>Kai\u202e</b>") == "<bdi>&lt;b&gt;Kai&lt;/b&gt;</bdi>"
    assert bdi(["Kai", "Ida"]) == "<bdi>Kai</bdi>, <bdi>Ida</bdi>"
    assert bdi(None) == ""


def test_the_auditor_reads_what_exactly_was_typed():
    assert spelled_out("Kai\u202e") == "Kai[U+202E]"
