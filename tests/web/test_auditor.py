"""The history pages: who may open them, what stands on them, and that opening them is itself a look."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from exposure.audit import across, history
from exposure.audit.belonging import recorded_models, written_once_models
from exposure.audit.models import AccessEntry
from exposure.followup.models import PrivateNote
from exposure.people.models import Role, Worker
from exposure.pipeline import remind, report
from exposure.record import create_many
from exposure.web.auditor import words
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, log

pytestmark = [pytest.mark.database, pytest.mark.django_db]

LATER = MONDAY + timedelta(hours=1)


@pytest.fixture
def page(client, cast, standing_clock):
    """Open an address as somebody, an hour after everything; returns the response."""
    standing_clock(MONDAY + timedelta(hours=2))

    def open_page(user, address, **query):
        client.force_login(user)
        return client.get(address, query)

    return open_page


@pytest.fixture
def changed(cast):
    """Nora has changed Wim's number, and said why."""
    with doing(cast.nurse, at=LATER, reason="rang from a new number"):
        cast.worker.phone = "+351 900 000 043"
        cast.worker.save()
    return cast.worker


def of(worker):
    return reverse("worker_history", args=[worker.uid])


def test_every_model_of_the_history_has_a_word_that_a_page_may_show():
    models = {model.__name__ for model in [*recorded_models(), *written_once_models()]}
    assert models <= set(words.THINGS)
    shown = " ".join(map(str, [*words.THINGS.values(), *words.COLUMNS.values(), *words.KINDS.values()]))
    assert not {"check", "rung", "sweep", "ladder"} & set(shown.lower().split())


def test_every_column_that_a_page_would_show_avoids_the_internal_words():
    columns = {
        str(words.COLUMNS.get(field.name, field.verbose_name))
        for model in [*recorded_models(), *written_once_models()]
        for field in model._meta.concrete_fields
        if field.name not in history.NOT_SHOWN
    }
    assert not [name for name in columns if {"check", "rung", "sweep", "ladder"} & set(name.split())]


def test_the_record_says_who_changed_what_when_why_and_from_where(page, cast, changed):
    text = page(cast.auditor, of(changed)).content.decode()
    for told in (
        "Nora Teal",
        "+351 900 000 042",
        "+351 900 000 043",
        "Why: rang from a new number",
        "From: tests",
        "Mon 2 Mar 2026, 10:00",
    ):
        assert told in text, told


def test_opening_a_record_is_a_look_that_stands_in_it(page, cast, changed):
    text = page(cast.auditor, of(changed)).content.decode()
    look = AccessEntry.objects.get()
    assert (look.user, look.kind, look.about) == (cast.auditor, AccessEntry.Kind.PERSON, changed.uid)
    assert "Ada Quill" in text
    assert "Looked at" in text


@pytest.mark.parametrize("who", ["auditor", "nurse", "physician"])
def test_auditors_and_clinicians_of_the_site_may_open_a_record(who, page, cast, changed):
    assert page(getattr(cast, who), of(changed)).status_code == 200


@pytest.mark.parametrize("who", ["observer", "lead", "administrator", "outsider"])
def test_for_everybody_else_it_is_not_there(who, page, cast, changed):
    assert page(getattr(cast, who), of(changed)).status_code == 404
    assert not AccessEntry.objects.exists()


@pytest.mark.parametrize("who", ["auditor", "nurse"])
def test_nobody_opens_their_own_record(who, page, cast):
    user = getattr(cast, who)
    with doing(cast.administrator):
        own = Worker.objects.create(site=cast.site, user=user, number="SG-9", name=str(user))
    assert page(user, of(own)).status_code == 404


def test_an_auditor_of_another_site_does_not_see_the_record_or_its_changes(page, cast, changed):
    with doing(cast.administrator, at=MONDAY):
        Role.objects.create(user=cast.outsider, site=cast.other_site, kind=Role.Kind.AUDITOR, from_at=MONDAY)
    assert page(cast.outsider, of(changed)).status_code == 404
    text = page(cast.outsider, "/history/").content.decode()
    assert "rang from a new number" not in text
    assert "Fenwick Quay Clinic" in text


def test_a_note_for_clinicians_is_shown_to_them_and_not_to_the_auditor(page, cast):
    with doing(cast.nurse, at=LATER):
        PrivateNote.objects.create(worker=cast.worker, text="takes steroids")
    assert "takes steroids" in page(cast.physician, of(cast.worker)).content.decode()
    for address in (of(cast.worker), "/history/"):
        text = page(cast.auditor, address).content.decode()
        assert "takes steroids" not in text
        assert "Seen by clinicians only." in text


def test_the_newest_stand_first_and_lead_to_the_whole_record(page, cast, changed):
    text = page(cast.auditor, "/history/", about="sg-1042").content.decode()
    assert text.index("rang from a new number") < text.index("command line")
    assert of(changed) in text


def test_the_list_is_filtered_by_who_did_it(page, cast, changed):
    text = page(cast.auditor, "/history/", who="nurse").content.decode()
    assert "rang from a new number" in text
    assert "Saltmarsh General Hospital" not in text
    assert "rang from a new number" not in page(cast.auditor, "/history/", who="Olga Rowan").content.decode()


def test_the_list_is_filtered_by_days_the_last_one_included(page, cast, changed):
    for days, found in (
        ({"since": "2026-03-02", "to": "2026-03-02"}, True),
        ({"since": "2026-03-03"}, False),
        ({"to": "2026-03-01"}, False),
    ):
        text = page(cast.auditor, "/history/", **days).content.decode()
        assert ("rang from a new number" in text) is found, days


def test_a_name_that_nobody_has_is_said_at_its_field(page, cast):
    answer = page(cast.auditor, "/history/", who="Nobody")
    assert answer.status_code == 422
    assert "No account has this name." in answer.content.decode()


def test_a_worker_of_another_site_is_not_found_by_number(page, cast):
    with doing(cast.administrator):
        Worker.objects.create(site=cast.other_site, number="FQ-1", name="Fay Gull")
    text = page(cast.auditor, "/history/", about="FQ-1").content.decode()
    assert "No worker has this number." in text
    assert "Fay Gull" not in text


def test_looking_at_the_list_is_noted_once_per_filter_and_hour(page, cast):
    for query in ({}, {}, {"who": "nurse"}):
        page(cast.auditor, "/history/", **query)
    assert [look.subject for look in AccessEntry.objects.all()] == ["history", "history who:nurse"]


def test_an_auditors_own_record_is_not_in_the_list(page, cast, changed):
    with doing(cast.administrator):
        Role.objects.create(user=cast.worker.user, site=cast.site, kind=Role.Kind.AUDITOR, from_at=MONDAY)
    text = page(cast.worker.user, "/history/").content.decode()
    assert "Saltmarsh General Hospital" in text
    assert "rang from a new number" not in text


@pytest.mark.parametrize("who", ["observer", "nurse", "physician", "lead", "administrator"])
def test_the_list_is_for_auditors(who, page, cast):
    assert page(getattr(cast, who), "/history/").status_code == 403


def test_older_entries_are_a_link_away(page, cast, changed, monkeypatch):
    monkeypatch.setattr(history, "LATEST", 1)
    answer = page(cast.auditor, "/history/")
    following = page(cast.auditor, f"/history/?{answer.context['older']}")
    assert following.status_code == 200
    newest_there = following.context["operations"][0].at
    assert newest_there < min(one.at for one in answer.context["operations"])


def test_the_auditor_finds_the_history_in_the_navigation(page, cast):
    assert 'href="/history/"' in page(cast.auditor, "/history/").content.decode()


def test_deeds_by_page_and_by_the_service_are_told_apart(page, cast):
    with doing(cast.observer):
        report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    with doing("task:tick", at=LATER):
        remind.pass_time(at=LATER)
    text = page(cast.auditor, of(cast.worker)).content.decode()
    assert "Olga Rowan" in text
    assert "the service" in text


def test_the_first_page_takes_at_most_twelve_statements_whatever_was_done(page, cast, changed, client):
    follow_up_told_and_confirmed(cast)
    log(cast, at=MONDAY + timedelta(hours=10), temperature="38.4")
    page(cast.auditor, "/history/")
    with CaptureQueriesContext(connection) as taken:
        text = client.get("/history/").content.decode()
    assert len(taken) <= 12
    for done in ("rang from a new number", "38.4", "Spoke."):
        assert done in text


def test_rows_read_over_all_models_are_those_that_each_model_gives(cast, changed):
    follow_up_told_and_confirmed(cast)
    log(
        cast,
        at=MONDAY + timedelta(hours=10),
        temperature="38.4",
        symptoms=["headache"],
        fever_reducer_hours="2.5",
    )
    models = [*written_once_models(), *(model.history.model for model in recorded_models())]
    filled = [model for model in models if model._base_manager.exists()]
    assert len(filled) > 20
    read = across.read({place: model._base_manager.all() for place, model in enumerate(filled)})
    together = {(place, row.pk): row for place, row, _before in read}
    for place, model in enumerate(filled):
        for row in model._base_manager.all():
            again = together[place, row.pk]
            for field in model._meta.concrete_fields:
                assert getattr(again, field.attname) == getattr(row, field.attname), (model, field.name)


def test_an_act_of_hundreds_of_rows_is_told_in_full_and_shown_in_part(page, cast):
    with doing(cast.nurse, at=LATER):
        people = create_many(
            Worker, [Worker(site=cast.site, number=f"CROWD-{n}", name=f"Tess {n}") for n in range(120)]
        )
    text = page(cast.auditor, reverse("history")).content.decode()
    assert "worker (120)" in text
    assert "70 more rows of the same act" in text
    assert text.count("<h4>") < 120
    assert "more rows" not in page(cast.auditor, of(people[-1])).content.decode()
