"""NUL and half characters, which PostgreSQL or UTF-8 cannot hold, in every place where text comes in: an answer, never
a crash. Reports and readings are kept all the same."""

import re
from urllib.parse import urlencode
from uuid import uuid4

import pytest
from django.contrib.admindocs.views import simplify_regex
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import get_resolver, reverse
from django.urls.resolvers import RoutePattern

from exposure.followup.models import Reading
from exposure.report.models import Breach
from exposure.web.middleware import KEPT_WHATEVER_IT_HOLDS
from tests.cast import MONDAY
from tests.walk import follow_up_told_and_confirmed

pytestmark = pytest.mark.database

VALUES = {"uuid": str(uuid4()), "slug": "heron", "int": "1", "str": "x", "path": "x"}
PARAMETERS = (
    "find", "cause", "reference", "page", "order", "name", "q", "o", "p", "e", "next", "draft", "fact", "mark",
    "beside", "another", "from", "older", "model", "worker", "cursor", "page_size", "site", "station", "pathogen",
    "state", "open", "due_before", "flagged", "follow_ups__isnull",
)  # fmt: skip
SURROGATE = "%ED%A0%80"  # a lone one as UTF-8 would write it, which is none


def addresses(patterns=None, before="/"):
    """Every address of the URL configuration, with something in the place of what varies."""
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        route = str(pattern.pattern)
        if not isinstance(pattern.pattern, RoutePattern):
            route = simplify_regex(route).lstrip("/")
        route = re.sub(r"<(?:(\w+):)?\w+>", lambda found: VALUES[found[1] or "str"], route)
        if hasattr(pattern, "url_patterns"):
            yield from addresses(pattern.url_patterns, before + route)
        else:
            yield before + route


@pytest.fixture(params=["nurse", "physician", "auditor", "administrator"])
def client(request, cast, standing_clock):
    standing_clock(MONDAY)
    client = Client()
    client.force_login(getattr(cast, request.param))
    return client


def test_the_table_holds_every_address():
    every = list(addresses())
    assert len(every) > 120
    assert {"/needs-action/", "/api/v1/alerts/", "/admin/exposure/worker/"} <= set(every)


def test_a_nul_in_the_query_of_any_address_is_refused_and_the_parameter_named(client):
    for address in addresses():
        answer = client.get(f"{address}?page=1&find=a%00b")
        assert answer.status_code == 400, address
        assert "find" in answer.content.decode()


def test_half_a_character_in_the_query_of_any_address_breaks_nothing(client):
    query = "&".join(f"{name}={SURROGATE}" for name in PARAMETERS)
    for address in addresses():
        assert client.get(f"{address}?{query}").status_code != 500, address  # /readyz says 503


@pytest.mark.parametrize("client", ["nurse", "administrator"], indirect=True)
def test_a_nul_in_the_form_of_any_page_is_refused_and_the_field_named_or_kept(client):
    for address in addresses():
        if address.startswith(("/api/", "/account/logout")):
            continue
        answer = client.post(address, {"note": "a\0b", "reason": "because"})
        assert answer.status_code < 500, address
        if answer.status_code == 400 and "note" in answer.content.decode():
            continue
        assert answer.resolver_match.view_name in KEPT_WHATEVER_IT_HOLDS or answer.status_code in (
            404,
            405,
        ), address


@pytest.mark.parametrize(
    "address", ["/stations/%00/", "/follow-ups/%00/", "/api/v1/criteria/ebola/a%00/", "/%00"]
)
def test_a_nul_in_an_address_is_refused(client, address):
    answer = client.get(address)
    assert answer.status_code == 400
    assert "path" in answer.content.decode()


def test_a_cookie_with_a_nul_names_no_session(db):
    answer = Client().get("/needs-action/", headers={"cookie": r'session="abcdefgh\000"'})
    assert answer.status_code == 302


@pytest.mark.parametrize("charset", ["unicode_escape", "utf-7", "hex", "utf-16", "idna", "none-such"])
def test_a_body_that_says_it_is_no_utf_8_decides_nothing_about_the_address(client, charset):
    kind = f"text/plain; charset={charset}"
    assert client.generic("GET", r"/monitoring/?find=\ud800", content_type=kind).status_code < 500
    form = f"application/x-www-form-urlencoded; charset={charset}"
    assert client.generic("POST", "/settings/", b"a=b", content_type=form).status_code == 400


def test_a_report_with_a_nul_is_kept_and_flagged(cast, standing_clock):
    standing_clock(MONDAY)
    olga = Client()
    olga.force_login(cast.observer)
    fields = {
        "submission_id": str(uuid4()), "page": "review", "who": str(cast.worker.uid), "narrative": "It \0 tore.",
        "what_happened": "glove_tear", "case": cast.case.code, "occurred_at": "2026-03-02T08:40", "fact-\0": "\0",
    }  # fmt: skip
    assert olga.post(reverse("report", args=["heron"]), fields).status_code == 302
    breach = Breach.objects.get(uid=fields["submission_id"])
    assert breach.narrative == "It � tore."
    assert "altered" in breach.flags


def test_a_reading_with_a_nul_is_kept(cast, standing_clock):
    follow_up_told_and_confirmed(cast)
    standing_clock(MONDAY)
    wim = Client()
    wim.force_login(cast.worker.user)
    fields = {"submission_id": str(uuid4()), "could_not": "\0 asleep", "felt_feverish": "no"}
    answer = wim.post(reverse("today"), fields)
    assert answer.status_code == 302, answer.content.decode()
    assert Reading.objects.get().could_not == "� asleep"


def test_a_contact_list_file_with_a_nul_is_refused_in_words(cast, standing_clock):
    standing_clock(MONDAY)
    nora = Client()
    nora.force_login(cast.nurse)
    file = SimpleUploadedFile("list.csv", b"number,last_contact\nSG\x00-1,2026-03-01\n")
    fields = {"source": "contact_list", "pathogen": "ebola", "tier": "", "text": "", "file": file}
    answer = nora.post(reverse("contact_list", args=[cast.case.uid]), fields)
    assert answer.status_code < 500
    assert "text" in answer.context["form"].errors


@pytest.mark.parametrize("client", ["nurse"], indirect=True)
def test_every_deed_of_the_api_answers_text_that_cannot_be_stored(cast, standing_clock, client):
    follow_up = follow_up_told_and_confirmed(cast)
    breach = Breach.objects.get()
    fields = (
        "note", "reason", "tier", "pathogen", "by", "at", "worker", "site", "outcome", "called_at", "facts", "content",
        "submission_id", "status", "temperature", "unit", "method", "taken_at", "replaces", "signed", "answered",
    )  # fmt: skip
    for address in (
        *(f"breaches/{breach.uid}/{deed}/" for deed in ("facts", "confirm", "override", "withdraw", "told")),
        *("readings/", "calls/", f"follow-ups/{follow_up.uid}/clear/", "criteria/ebola/classify/"),
        *(f"criteria/ebola/2023.1/{deed}/" for deed in ("replay", "propose", "approve")),
    ):
        for text in ("\0", "\ud800"):
            for body in (dict.fromkeys(fields, text), {"facts": {text: text}, "note": ""}, {text: text}):
                answer = client.post(f"/api/v1/{address}", body, content_type="application/json")
                assert answer.status_code < 500, (address, body)


def test_what_is_searched_for_may_be_written_in_any_script(client):
    query = urlencode({"find": "Ålder Østby ユミ 😀"})
    assert (
        client.get(f"/monitoring/?{query}").status_code < 400 or client.get("/monitoring/").status_code == 403
    )
